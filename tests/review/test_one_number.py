"""One cycle has one rise, one peak and one start of fall wherever it is shown: the smoother's, once it has seen the
finished cycle. What was decided at the time stays in the events, which are a record of that.

The jars are invented (`tests.page_house`)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, NamedTuple

import pytest
import time_machine

from monitor.core.display.units import Display
from monitor.daemon import smoothing
from monitor.page import past, smoothed
from monitor.review import hindsight, words
from monitor.review.summary import CycleSummary, Stretch, look_back
from monitor.runs import history
from monitor.runs.store import Store
from monitor.settings import JarSettings, Settings
from monitor.values import H_S, Event, EventKind, Fed, Reading, of_grams
from tests.page_house import Kitchen, over_a_fed_jar, settings_of
from tests.servers import wait_until
from tests.terminal import jartide

BEGIN_S = 1_772_424_000.0  # 2 March 2026, 04:00 UTC
FED_H = 12.0  # from one feeding to the next
JARS = ("rye", "wheat")


class House(NamedTuple):
    """Two jars fed at 04:00 and at 16:00, an hour after that; `config` is a file."""

    config: str
    settings: Settings
    now_s: float


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> House:
    """The house as the daemon leaves it, with nothing smoothed yet."""
    folder = tmp_path_factory.mktemp("house")
    settings = settings_of(folder, JARS)
    kitchen = Kitchen(settings, BEGIN_S - 1800.0, every_s=300.0)
    kitchen.go_on(0.5, lambda _, at_s: over_a_fed_jar(at_s, BEGIN_S - FED_H * H_S))
    for hours, fed_s in ((FED_H, BEGIN_S), (1.0, BEGIN_S + FED_H * H_S)):
        kitchen.go_on(0.5, lambda _, at_s, fed_s=fed_s: over_a_fed_jar(at_s, fed_s))
        for jar in JARS:
            kitchen.store.tell(Fed(time_s=fed_s, jar=jar, feeding=of_grams((25, 100, 100))), kitchen.now_s)
        kitchen.go_on(hours - 0.5, lambda _, at_s, fed_s=fed_s: over_a_fed_jar(at_s, fed_s))
    kitchen.store.close()
    config = folder / "jartide.toml"
    tables = "".join(f'[[jar]]\nname = "{jar}"\nempty_mm = 180\nrim_mm = 120\nflour = "rye"\n' for jar in JARS)
    config.write_text(f'{tables}[store]\npath = "jartide.db"\n[display]\ntime_zone = "UTC"\n')
    return House(str(config), settings, kitchen.now_s)


@pytest.fixture
def store(lived: House) -> Iterator[Store]:
    with Store.join(lived.settings.store.path) as opened:
        yield opened


def said(house: House, *words: str, code: int = 0) -> Any:
    """What a command says as JSON."""
    with time_machine.travel(house.now_s, tick=False):
        done = jartide(words[0], "--config", house.config, "--json", *words[1:])
    assert done.exit_code == code, done.output
    return json.loads(done.stdout)


def numbers(house: House, store: Store, run: int, number: int) -> dict[str, tuple[float | None, ...]]:
    """(rise, hours to the peak, hours to the fall) of one cycle of the rye jar, by the place that shows it."""
    cycle = next(one for one in store.smoothed_cycles(run) if one.number == number)
    show, fed_s = Display(), cycle.fed_at_s

    def hours(text: str) -> float:
        from monitor.runs import rfc3339

        return (rfc3339.parse(text) - fed_s) / H_S

    one = said(house, "review", f"{run}:{number}")["cycles"][0]
    two = said(house, "runs", "rye")
    listed = next(row for row in two["cycles"] if row["cycle"] == number)
    row = next(row for row in past.cycles(store, "rye", house.now_s, show)["cycles"] if row["cycle"] == number)  # type: ignore[index, call-overload, union-attr]
    curve: Any = past.one_cycle(store, run, number, {}, house.now_s, show)
    marks = {mark["kind"]: (mark["at_s"] - fed_s) / H_S for mark in curve["marks"]}
    top: Any = smoothed.SmoothedCycles({}).smooth(store, run, number)
    latest = next(past for its, past in history.latest_rises(store, "rye", 9) if (its, past.number) == (run, number))
    shown = said(house, "handover", "--since", "2026-03-02 04:00")["happened"]
    happened = {one["what"]: (one["at_s"] - fed_s) / H_S for one in shown if one["jar"] == "rye"}
    trial = said(house, "trial", "flours", *JARS, "--since", "2026-03-02 03:59", code=1)["jars"]["rye"]
    judged = said(house, "assess", "rye", code=1)
    return {
        "review": (one["rise_ratio"]["likely"], one["hours_to_peak"]["likely"], one["hours_to_fall"]["likely"]),
        "runs": (listed["peak_ratio"], hours(listed["peak_at"]), hours(listed["fall_at"])),
        "the list on the page": (row["rise_ratio"], row["hours_to_peak"], row["hours_to_fall"]),
        "a cycle on the page": (curve["rise_ratio"], marks["peak"], marks["fall"]),
        "its ranges on the page": tuple(top[key][1] for key in ("rise_ratio", "hours_to_peak", "hours_to_fall")),
        "the month, the faint lines": (
            latest.peak_ratio, ((latest.peak_at_s or 0) - fed_s) / H_S, ((latest.fall_at_s or 0) - fed_s) / H_S,
        ),
        "handover": (None, happened["at its peak"], happened["began to sink"]),
        "trial": (trial["rise_ratio"]["mean"], trial["clock_h_to_peak"]["mean"], None),
        "assess": (judged["rise_ratio"], judged["clock_hours_to_peak"], None),
    }  # fmt: skip


def test_a_finished_cycle_has_one_rise_one_peak_and_one_fall_everywhere(lived: House, store: Store) -> None:
    for run, number in store.unsmoothed(9):
        hindsight.keep(store, run, number, {})
    run = store.open_run("rye")
    assert run is not None
    decided, shown = (
        (one[0] if one[0].number else one[1]) for one in (store.cycles(run.id), store.smoothed_cycles(run.id))
    )
    assert shown.smoothed
    assert not decided.smoothed
    found = numbers(lived, store, run.id, shown.number)
    want = (shown.peak_ratio, (shown.peak_at_s - shown.fed_at_s) / H_S, (shown.fall_at_s - shown.fed_at_s) / H_S)  # type: ignore[operator]
    for place, three in found.items():
        for value, right in zip(three, want, strict=True):
            # a number is shown to a hundredth, an hour to six minutes
            assert value is None or value == pytest.approx(right, abs=0.006), (place, three, want)
    # and the record of what was decided is another, and stays
    events = {event.kind: event.happened_at_s for event in store.events(run.id, shown.fed_at_s)}
    assert decided.peak_at_s != shown.peak_at_s
    assert events[EventKind.FALL_BEGAN] != shown.fall_at_s


def test_what_is_judged_again_is_as_decided_until_it_is_smoothed_again(lived: House, store: Store) -> None:
    run = store.open_run("wheat")
    assert run is not None
    (waits,) = [number for its, number in store.unsmoothed(9) if its == run.id] or [1]
    hindsight.keep(store, run.id, waits, {})
    decided = next(one for one in store.cycles(run.id) if one.number == waits)

    def shown() -> bool:
        return next(one for one in store.smoothed_cycles(run.id) if one.number == waits).smoothed

    store.put_cycle(decided)  # the same again, as with each decision that follows it
    assert shown()
    store.put_cycle(replace(decided, feeding=of_grams((30, 100, 100))))
    assert not shown()
    assert (run.id, waits) in store.unsmoothed(9)
    hindsight.keep(store, run.id, waits, {})
    assert shown()


def test_the_daemon_smooths_what_is_finished(lived: House, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smoothing, "FIRST_S", 0.0)
    store.write("UPDATE cycle SET smoothed = NULL")
    waiting = store.unsmoothed(9)
    assert waiting
    sink = smoothing.Smoothing(lived.settings.store.path, {})
    sink.start()
    wait_until(lambda: not store.unsmoothed(9), "it has smoothed all that is finished")
    sink.stop()
    assert sink.trouble() is None
    assert all(
        one.smoothed for run, _ in waiting for one in store.smoothed_cycles(run) if one.ended_at_s and one.number
    )


def test_a_cycle_at_which_the_smoother_fails_keeps_no_other_from_it(
    lived: House, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(smoothing, "FIRST_S", 0.0)
    store.write("UPDATE cycle SET smoothed = NULL")
    first, *others = store.unsmoothed(9)
    assert others
    keep = hindsight.keep

    def fails(store: Store, run: int, number: int, empty_mm: dict[str, float | None]) -> None:
        assert (run, number) != first, "invented fault"
        keep(store, run, number, empty_mm)

    monkeypatch.setattr(hindsight, "keep", fails)
    sink = smoothing.Smoothing(lived.settings.store.path, {})
    sink.start()
    wait_until(lambda: store.unsmoothed(9) == [first], "it has smoothed all others")
    sink.stop()
    monkeypatch.undo()
    hindsight.keep(store, *first, {})


def plateau(kinds: dict[EventKind, float]) -> CycleSummary:
    """Invented: a cycle that climbs for eight hours to 2.5 times and stands there for four, when it is fed again, with
    events so many hours after its feeding."""
    readings = [
        Reading(time_s=BEGIN_S + 300.0 * k, jar="rye", distance_mm=150.0 - 45.0 * min(k / 96, 1.0) + 0.4 * (k % 3))
        for k in range(144)
    ]
    fed, *events = (
        Event(kind=kind, jar="rye", happened_at_s=BEGIN_S + h * H_S, decided_at_s=BEGIN_S + (h + 1.0) * H_S)
        for kind, h in {EventKind.FED: 0.0, **kinds}.items()
    )
    stretch = Stretch(number=1, begin_s=BEGIN_S, end_s=BEGIN_S + 12 * H_S, began_fed=True, ended_fed=True)
    return look_back(readings, [fed, *events], [], JarSettings(name="rye", empty_mm=180.0), stretch)


def test_a_fall_that_was_decided_is_shown_not_before_the_peak() -> None:
    """ "Feed now" was sent of it; the smoother sees no fall, and its peak later."""
    seen = plateau({EventKind.RISE_BEGAN: 1.0, EventKind.PEAK_REACHED: 6.0, EventKind.FALL_BEGAN: 6.0})
    assert seen.top is not None
    assert seen.top.fall_at is not None
    assert seen.top.peak_at.likely_s > BEGIN_S + 7 * H_S
    assert seen.top.fall_at.likely_s >= seen.top.peak_at.likely_s
    assert seen.top.fall_at.earliest_s <= seen.top.fall_at.likely_s <= seen.top.fall_at.latest_s
    assert seen.hours_to_fall is not None


def test_what_was_fed_before_its_peak_says_how_high_it_had_risen() -> None:
    seen = plateau({EventKind.RISE_BEGAN: 1.0})
    assert seen.top is None
    assert seen.reached_ratio == pytest.approx(75.0 / 31.0, abs=0.05)  # its starting level is of the first minutes
    assert words.cells(seen, Display())[0].endswith("or more")
