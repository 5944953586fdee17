"""Readings in columns are the readings that went in."""

from __future__ import annotations

import tracemalloc

from hypothesis import given
from hypothesis import strategies as st

from monitor.review.summary import without
from monitor.runs.reading_columns import PairColumns, ReadingColumns
from monitor.values import MEASURED, Reading

values = st.none() | st.floats(-1e6, 1e6)
readings = st.builds(
    Reading, time_s=st.floats(0, 2e9), jar=st.just("rye"), **dict.fromkeys(MEASURED, values)
)  # fmt: skip


@given(st.lists(readings, max_size=12))
def test_what_goes_in_comes_out(some: list[Reading]) -> None:
    columns = ReadingColumns(some)
    assert list(columns) == some
    assert list(columns) == some  # any number of times
    assert len(columns) == len(some)
    assert [columns[place] for place in range(-len(some), len(some))] == [*some, *some]
    assert columns[1:7:2] == some[1:7:2]


def test_two_hundred_thousand_take_little() -> None:
    one = Reading(time_s=1.8e9, jar="rye", distance_mm=92.5, temperature_c=24.25)
    tracemalloc.start()
    columns = ReadingColumns(one for _ in range(200_000))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(columns) == 200_000
    assert peak < 200_000 * 70  # 48 bytes each, and room to grow


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 3))))
def test_pairs_come_in_order_of_time_and_value(pairs: list[tuple[int, int]]) -> None:
    columns = PairColumns()
    for time_s, value in pairs:
        columns.append(time_s, value)
    assert list(zip(*columns.in_order(), strict=True)) == sorted(pairs)


@given(
    st.lists(st.integers(0, 20).map(float)).map(sorted),
    st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), max_size=4),
)
def test_what_lies_outside_of_spans_is_kept(times: list[float], spans: list[tuple[int, int]]) -> None:
    values = [float(place) for place in range(len(times))]
    kept = [(t, v) for t, v in zip(times, values, strict=True) if not any(a <= t < b for a, b in spans)]
    assert list(zip(*without(times, values, spans), strict=True)) == kept
