"""Numbers of devices: what comes twice is stored once, what never came is missed, a restart loses nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.runs.store import Store
from monitor.values import Delivery, Reading, Rejected

T = 1_772_431_200.0  # 2026-03-02 06:00 UTC
TWICE = "came twice: was stored already"
BEGUN_AGAIN = "numbers begun again under the same boot token: taken all the same"
NEVER = "never came: numbers of the device are missing"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.db") as store:
        yield store


def sent(
    number: int | None, mm: float = 90.0, *, boot: str | None = "b", at: float | None = None, **more: object
) -> Delivery:
    at_s = T + 10 * (number or 0) if at is None else at
    made = Delivery(
        source="mqtt x",
        received_s=at_s,
        reading=Reading(time_s=at_s, jar="rye", distance_mm=mm, temperature_c=24.0),
        boot=boot,
        seq=number,
    )
    return replace(made, **more)  # type: ignore[arg-type]


def counts(store: Store) -> dict[str, int]:
    found: dict[str, int] = {}
    for _, _, reason, count, *_ in store.rejected_counts():
        found[reason] = found.get(reason, 0) + count
    return found


def stored(store: Store) -> list[float]:
    return [mm for (mm,) in store.query("SELECT distance_mm FROM item ORDER BY seq")]


@pytest.mark.fault("M4")
def test_what_comes_twice_is_stored_once_and_counted(store: Store) -> None:
    things = [sent(k, 90 + k) for k in range(20)]
    store.add(things)
    assert store.add(things[5:]) == [None] * 15
    assert stored(store) == [90 + k for k in range(20)]
    assert counts(store) == {TWICE: 15}


@pytest.mark.fault("S15")
@pytest.mark.parametrize("groups", [1, 7, 40])
def test_a_device_with_a_fixed_token_is_taken_after_its_restart(store: Store, groups: int) -> None:
    first = [sent(k, 90 + k, at=T + 10 * k) for k in range(40)]
    again = [sent(k, 140 - k, at=T + 1000 + 10 * k) for k in range(60)]
    for things in (first, again):
        for begin in range(0, len(things), groups):
            assert None not in store.add(things[begin : begin + groups])
    assert stored(store) == [*(90 + k for k in range(40)), *(140 - k for k in range(60))]
    assert counts(store) == {BEGUN_AGAIN: 1}
    assert store.missing(0.0) == []


@pytest.mark.fault("S15")
def test_restarts_under_one_token_are_told_apart_over_starts_of_the_daemon(tmp_path: Path) -> None:
    path, everything = tmp_path / "s.db", []
    for restart in range(12):
        things = [sent(k, 100 + 10 * restart + k, at=T + 1000 * restart + 10 * k) for k in range(8)]
        everything += [thing.reading.distance_mm for thing in things]
        for thing in things:
            with Store.open(path) as store:  # a new daemon for each reading
                store.add([thing])
                store.add([replace(thing, dup=True, again=True)])  # the broker had not heard of it
    with Store.open(path) as store:
        assert stored(store) == everything
        assert counts(store) == {BEGUN_AGAIN: 11, TWICE: 12 * 8}


@pytest.mark.fault("S15")
def test_a_message_from_before_the_restart_that_comes_again_is_known(store: Store) -> None:
    store.add([sent(k, 90 + k) for k in range(10)])
    store.add([sent(k, 50 + k, at=T + 500 + k) for k in range(3)])  # begun again
    assert store.add([sent(8, 98, at=T + 600, dup=True, again=True)]) == [None]
    assert store.add([sent(3, 53, at=T + 601)]) != [None]
    assert counts(store) == {BEGUN_AGAIN: 1, TWICE: 1}


@pytest.mark.fault("S15")
def test_after_a_restart_the_same_values_at_another_time_are_another_reading(store: Store) -> None:
    """A dough that does not move, by a sensor of whole millimetres: only the time tells the restart."""
    first = [sent(k, at=T + 10 * k, timed=True) for k in range(20)]
    again = [sent(k, at=T + 5000 + 10 * k, timed=True) for k in range(30)]
    assert None not in store.add(first)
    assert None not in store.add(again)
    assert counts(store) == {BEGUN_AGAIN: 1}
    late = [
        replace(one, received_s=T + 9000, reading=replace(one.reading, time_s=one.reading.time_s + 20)) for one in again
    ]  # an uptime is dated anew each time: its device's clock drifts
    assert store.add(late) == [None] * 30
    marked = [replace(one, again=True, dup=True, reading=replace(one.reading, time_s=T + 9500)) for one in again]
    assert store.add(marked) == [None] * 30  # the clock was set meanwhile, and the broker says what it is
    assert counts(store) == {BEGUN_AGAIN: 1, TWICE: 60}


@pytest.mark.fault("S15")
def test_a_device_that_begins_again_at_every_reading_is_never_swallowed(tmp_path: Path) -> None:
    """A board that sleeps between readings, whose number sleep erases, and whose token is its name."""
    things = [sent(0, 100 + k % 7, at=T + 60 * k, timed=True) for k in range(1500)]
    with Store.open(tmp_path / "s.db") as store:
        assert None not in store.add(things[:1100])
        assert store.add([replace(things[1099], again=True, dup=True)]) == [None]
    with Store.open(tmp_path / "s.db") as store:
        assert None not in store.add(things[1100:])
        assert len(stored(store)) == 1500
        assert counts(store) == {BEGUN_AGAIN: 1499, TWICE: 1}


@pytest.mark.fault("M21")
def test_what_never_came_is_counted_with_the_time_that_it_is_missing_from(store: Store) -> None:
    store.add([sent(k) for k in range(100)])
    store.add([sent(k) for k in range(2100, 2110)])
    (gap,) = store.missing(0.0)
    assert (gap.jar, gap.count, gap.from_s, gap.to_s) == ("rye", 2000, T + 990, T + 21_000)
    assert counts(store) == {NEVER: 2000}
    assert store.missing(T + 21_000) == []


@pytest.mark.fault("M21")
def test_a_gap_over_a_start_of_the_daemon_is_found(tmp_path: Path) -> None:
    with Store.open(tmp_path / "s.db") as store:
        store.add([sent(k) for k in range(1000)])
    with Store.open(tmp_path / "s.db") as store:
        store.add([sent(3000)])
        assert [gap.count for gap in store.missing(0.0)] == [2000]


@pytest.mark.fault("M21")
def test_those_that_come_late_after_all_are_not_missed(store: Store) -> None:
    store.add([sent(k) for k in (0, 1, 2, 6)])
    assert [gap.count for gap in store.missing(0.0)] == [3]
    store.add([sent(4), sent(3)])
    assert [gap.count for gap in store.missing(0.0)] == [1]
    store.add([sent(5)])
    assert store.missing(0.0) == []


@pytest.mark.fault("M21")
def test_no_gap_where_the_numbers_say_nothing_of_one(store: Store) -> None:
    store.add([sent(k) for k in range(0, 40, 2)])  # a device of two jars counts for both
    store.add([sent(k, boot="c", at=T + 1000 + k) for k in (50, 51, 52)])  # a daemon that begins in the middle
    refused = [Rejected(source="mqtt x", received_s=T, reason="not JSON", count=3)]
    store.add([sent(k, boot="c", at=T + 1100 + k) for k in (56, 57)], refused)  # 53 to 55 came and were refused
    store.add([sent(0, boot="d", at=T + 2000)])  # switched on again
    assert store.missing(0.0) == []


@pytest.mark.fault("S9")
@pytest.mark.parametrize("groups", [1, 2, 3, 30])
def test_no_gap_where_a_port_kept_the_newest_of_what_came_too_fast(store: Store, groups: int) -> None:
    """Of four only the newest goes on, with the count of the others before it; one message really is missing."""
    store.add([sent(k) for k in range(2)])
    pairs = [
        ([sent(k)], [Rejected(source="mqtt x", received_s=T, reason="too_often", count=3)]) for k in range(5, 45, 4)
    ]
    pairs[4][0][0] = replace(pairs[4][0][0], seq=22)
    pairs[5:] = [([replace(one, seq=(one.seq or 0) + 1)], more) for (one,), more in pairs[5:]]
    for begin in range(0, len(pairs), groups):
        some = pairs[begin : begin + groups]
        store.add([one for good, _ in some for one in good], [one for _, bad in some for one in bad])
    assert [gap.count for gap in store.missing(0.0)] == [1]


def test_a_bare_message_that_is_sent_again_is_no_other_one(store: Store) -> None:
    bare = [sent(None, 90.5 + k, boot=None, at=T + k) for k in range(50)]
    store.add(bare)
    again = [replace(one, received_s=T + 100, again=True, dup=True) for one in bare[40:]]
    assert store.add(again) == [None] * 10
    assert len(stored(store)) == 50
    assert counts(store) == {TWICE: 10}
    store.add([replace(bare[0], received_s=T + 200, again=True)])  # held by the broker, perhaps new: of unknown time
    assert len(stored(store)) == 51


def test_a_gap_in_a_group_that_could_not_be_stored_is_found_with_the_next_try(store: Store) -> None:
    store.add([sent(k) for k in range(3)])

    def try_in_vain() -> None:
        with store.writing():
            store.add([sent(9)])
            raise OSError("the disk")

    with pytest.raises(OSError, match="the disk"):
        try_in_vain()
    assert store.missing(0.0) == []
    store.add([sent(9)])
    assert [gap.count for gap in store.missing(0.0)] == [6]
