"""A history from elsewhere: each number is held to what a jar of starter can show, and to nothing narrower."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.runs import history
from monitor.runs.store import Store
from tests.runs.stored import RYE, T, delivery

WHOLE = {
    "fed_at": "2026-03-02T06:00:00Z", "starter_g": "25", "flour_g": "100", "water_g": "100",
    "mean_temperature_c": "22", "hours_to_peak": "7", "hours_to_fall": "9", "rise_ratio": "2.2",
}  # fmt: skip


def read(tmp_path: Path, **changes: str) -> tuple[int, list[str]]:
    row = {**WHOLE, **changes}
    path = tmp_path / "cycles.csv"
    path.write_text(",".join(row) + "\n" + ",".join(row.values()) + "\n")
    cycles, skipped = history.read(path)
    return len(cycles), skipped


@pytest.mark.parametrize("column", ["mean_temperature_c", "hours_to_peak", "hours_to_fall", "rise_ratio"])
def test_a_number_is_taken_up_to_its_bounds_and_not_beyond(tmp_path: Path, column: str) -> None:
    """The bounds themselves: nothing rises in a quarter of an hour, ten days are a fridge's cycle, 45 degC kills yeast
    (common practice, no source)."""
    low, high = {
        "mean_temperature_c": (0.0, 45.0), "hours_to_peak": (0.25, 240.0), "hours_to_fall": (0.25, 240.0),
        "rise_ratio": (0.5, 10.0),
    }[column]  # fmt: skip
    alone = {"hours_to_peak": "", "hours_to_fall": "7"} if column == "hours_to_fall" else {"hours_to_fall": ""}
    for value, taken in ((low, True), (high, True), (low - 0.01, False), (high + 0.01, False)):
        count, skipped = read(tmp_path, **{**alone, column: f"{value:g}"})
        if column == "rise_ratio" and value == low:
            continue  # below 1.05 nothing rose: that is another row's matter
        assert (count == 1) is taken, (value, skipped)


@pytest.mark.parametrize("cell", ["seven", "7,5", "0x7", "--", "nan", "inf"])
def test_what_is_no_number_is_skipped_with_its_line(tmp_path: Path, cell: str) -> None:
    count, skipped = read(tmp_path, hours_to_peak=f'"{cell}"')
    assert count == 0
    assert len(skipped) == 1
    assert ", line 2: skipped: " in skipped[0]


def test_readings_are_counted_live_and_imported(tmp_path: Path) -> None:
    with Store.open(tmp_path / "s.db") as store:
        run = store.ensure_run(RYE, T)
        store.add([delivery(n) for n in range(7)])
        sql = "INSERT INTO item (seq, run, jar, time_s) VALUES (-5, ?1, 1, ?2), (-4, ?1, 1, ?2)"
        store.write(sql, (run.id, T))
        assert store.count() == 9
        assert store.count(run.id) == 9
        assert store.count(run.id + 1) == 0
        assert store.count_by_run() == {run.id: (9, T)}
