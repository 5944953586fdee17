"""What was seen and was none, and past feedings put right: the jar is judged as if it had always been so, in the
running daemon, after a restart and when the run is replayed from a file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest

from monitor.core.detect.superseded import not_superseded
from monitor.runs import reported, run_file, transfer
from monitor.sources.replay import replay
from monitor.values import Cycle, Delivery, EventKind, Fed, Feeding, Noted, Noting, Stage, of_grams
from tests.kitchen import SETTINGS, Kitchen
from tests.night import EMPTY_MM, START_S, level_mm, night

H_S = 3600.0
FED_S = START_S + 600.0
EVERY_S = 120.0
Seen = Callable[[float, float], float | None]  # (time, what the sensor says) -> what it says here


def a_night(seen: Seen = lambda time_s, mm: mm, hours: float = 14.0) -> list[Delivery]:
    """The night with something done to its distances."""
    out = []
    for thing in night(every_s=EVERY_S, hours=hours):
        distance_mm = seen(thing.received_s, thing.reading.distance_mm or 0.0)
        out.append(replace(thing, reading=replace(thing.reading, distance_mm=distance_mm)))
    return out


def swapped(time_s: float, mm: float) -> float | None:
    """At the ninth hour the lid is off for five minutes, and the level stands where it stood after the feeding: half of
    it was taken for a bread, which looks like a feeding."""
    since_s = time_s - (FED_S + 9.0 * H_S)
    if 0.0 <= since_s < 300.0:
        return 8190.0
    return mm if since_s < 0.0 else mm + 29.0


def misted(time_s: float, mm: float) -> float | None:
    """Mist on the sensor for four minutes, at the fifth hour."""
    return 8190.0 if 0.0 <= time_s - (FED_S + 5.0 * H_S) < 240.0 else mm


def blind(time_s: float, mm: float) -> float | None:
    """No surface seen for an hour."""
    return 8190.0 if 0.0 <= time_s - (FED_S + 5.0 * H_S) < 1.0 * H_S else mm


def decided(kitchen: Kitchen) -> list[tuple[EventKind, int]]:
    """What stands, by kind and time."""
    return sorted(
        (e.kind, round(e.happened_at_s)) for e in not_superseded(kitchen.events()) if e.kind is not EventKind.FORECAST
    )


def cycles(kitchen: Kitchen) -> list[Cycle]:
    """As kept; hourly temperatures are of when something was last decided."""
    run = kitchen.store.open_run("rye")
    assert run is not None
    return [replace(cycle, temperatures_c=()) for cycle in kitchen.store.cycles(run.id)]


def fed_at(kitchen: Kitchen) -> list[int]:
    return [round(e.happened_at_s) for e in not_superseded(kitchen.events()) if e.kind is EventKind.FED]


def replayed(kitchen: Kitchen) -> list[tuple[EventKind, int]]:
    """The same run, exported and replayed from the file."""
    run = kitchen.store.open_run("rye")
    assert run is not None
    path = kitchen.store.path.with_suffix(".csv")
    text = StringIO(newline="")
    transfer.export(kitchen.store, run, None, text)
    path.write_text(text.getvalue())
    file = run_file.read(path)
    told = kitchen.store.fed_in(run)
    events = replay(file.rows(), told, SETTINGS.jars[0], Counter(), not_so=file.not_so)
    return sorted((e.kind, round(e.happened_at_s)) for e in not_superseded(events))


def restarted(kitchen: Kitchen) -> Kitchen:
    kitchen.store.close()
    return Kitchen(kitchen.store.path, now_s=kitchen.now_s)


@pytest.mark.parametrize("crash", [False, True])
def test_a_feeding_that_was_none_leaves_the_cycle_as_if_it_had_gone_on(tmp_path: Path, crash: bool) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = a_night(swapped)
    kitchen.live(things[:330])
    kitchen.daemon.flush()
    before = decided(kitchen)
    false_s = fed_at(kitchen)[-1]
    assert abs(false_s - (FED_S + 9.0 * H_S)) < 600.0
    assert kitchen.state().stage is Stage.SETTLING
    reported.was_none(kitchen.store, "rye", "feeding", kitchen.now_s)
    if crash:
        kitchen = restarted(kitchen)
    else:
        kitchen.daemon.turn(0.0)
    assert kitchen.state().stage is Stage.FALLING
    assert [abs(at_s - FED_S) < 300.0 for at_s in fed_at(kitchen)] == [True]
    assert len(cycles(kitchen)) == 2
    assert (state := kitchen.state().cycle) is not None
    assert state.fall_at_s is not None
    assert not state.told
    kitchen.live(things[330:], until_s=things[-1].received_s + 60)
    kitchen.daemon.flush()
    stands = decided(kitchen)
    again = restarted(kitchen)
    assert decided(again) == stands
    assert again.state().stage is Stage.FALLING
    assert replayed(again) == stands
    # and it may be that it was one after all
    reported.take_back(again.store, "rye", again.now_s)
    again.daemon.turn(0.0)
    assert fed_at(again)[-1] == false_s
    assert set(before) <= set(decided(again))


def test_a_feeding_that_was_said_to_be_none_was_one_when_it_is_told_after_all(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(a_night(swapped)[:330])
    kitchen.daemon.flush()
    false_s = fed_at(kitchen)[-1]
    reported.was_none(kitchen.store, "rye", "feeding", kitchen.now_s)
    kitchen.daemon.turn(0.0)
    reported.tell(kitchen.store, Fed(time_s=false_s, jar="rye", feeding=Feeding(flour_g=80.0)), kitchen.now_s)
    kitchen.daemon.turn(0.0)
    assert fed_at(kitchen)[-1] == false_s
    assert (cycle := kitchen.state().cycle) is not None
    assert cycle.feeding.flour_g == 80.0


@pytest.mark.parametrize(
    ("seen", "what", "kinds"),
    [
        (misted, "lid", (EventKind.LID_OFF, EventKind.LID_ON)),
        (blind, "away", (EventKind.JAR_AWAY, EventKind.JAR_BACK)),
    ],
)
def test_a_lid_or_an_absence_that_was_none_is_gone_and_stays_gone(
    tmp_path: Path, seen: Seen, what: str, kinds: tuple[EventKind, ...]
) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = a_night(seen)
    kitchen.live(things[:230])
    kitchen.daemon.flush()
    assert set(kinds) <= {e.kind for e in not_superseded(kitchen.events())}
    late_s = FED_S + 5.0 * H_S
    reported.was_none(kitchen.store, "rye", what, kitchen.now_s, late_s)
    kitchen.daemon.turn(0.0)

    def late(some: list[tuple[EventKind, int]]) -> set[EventKind]:
        return {kind for kind, at_s in some if at_s > FED_S + 4.0 * H_S}

    assert not set(kinds) & late(decided(kitchen))
    kitchen.live(things[230:], until_s=things[-1].received_s + 60)
    kitchen.daemon.flush()
    assert not set(kinds) & late(decided(kitchen))
    assert EventKind.FALL_BEGAN in late(decided(kitchen))
    assert replayed(kitchen) == decided(kitchen)


def test_a_rest_that_was_none_is_no_rest(tmp_path: Path) -> None:
    """A draught cools the sensor below 10 degC for two hours; the jar stands in the kitchen."""
    kitchen = Kitchen(tmp_path / "s.db")
    things = [
        replace(one, reading=replace(one.reading, temperature_c=8.0))
        if 0.0 <= one.received_s - (FED_S + 3.0 * H_S) < 2.0 * H_S
        else one
        for one in a_night()
    ]
    kitchen.live(things[:150])
    kitchen.daemon.flush()
    assert kitchen.state().stage is Stage.RESTING
    reported.was_none(kitchen.store, "rye", "rest", kitchen.now_s)
    kitchen.daemon.turn(0.0)
    assert kitchen.state().stage is Stage.RISING
    assert (cycle := kitchen.state().cycle) is not None
    assert not cycle.rested
    kitchen.live(things[150:], until_s=things[-1].received_s + 60)
    kitchen.daemon.flush()
    assert EventKind.REST_BEGAN not in [kind for kind, _ in decided(kitchen)]
    assert replayed(kitchen) == decided(kitchen)


def test_the_answer_that_it_was_stirred_down_makes_the_feeding_none(tmp_path: Path) -> None:
    def sunk(time_s: float, mm: float) -> float | None:
        """Much less stands there after the lid was off than any feeding left: it asks."""
        since_s = time_s - (FED_S + 9.0 * H_S)
        if 0.0 <= since_s < 300.0:
            return 8190.0
        return mm if since_s < 0.0 else mm + 48.0

    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(a_night(sunk)[:330])
    kitchen.daemon.flush()
    assert kitchen.state().question is not None
    reported.tell(kitchen.store, Noted(time_s=kitchen.now_s, jar="rye", what=Noting.STIRRED), kitchen.now_s)
    kitchen.daemon.turn(0.0)
    assert kitchen.state().question is None
    assert kitchen.state().stage is Stage.FALLING
    assert len(fed_at(kitchen)) == 1


def afresh(time_s: float, mm: float) -> float | None:
    """At half past twelve hours the lid is off for five minutes, and fresh dough is in the jar."""
    since_h = (time_s - FED_S) / H_S - 12.5
    if 0.0 <= since_h < 0.08:
        return 8190.0
    return mm if since_h < 0.0 else EMPTY_MM - level_mm(since_h)


def test_another_time_in_the_same_rise_takes_the_place_of_the_one_that_was_seen(tmp_path: Path) -> None:
    """It was fed four hours before the jar was opened, says the person, and nothing rose in between."""
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(a_night(afresh, hours=17.0))
    kitchen.daemon.flush()
    seen_s = fed_at(kitchen)[-1]
    assert abs(seen_s - FED_S - 12.5 * H_S) < 600.0
    before = decided(kitchen)
    said_s = FED_S + 8.25 * H_S
    reported.tell(kitchen.store, Fed(time_s=said_s, jar="rye", feeding=of_grams((20, 80, 80))), kitchen.now_s)
    kitchen.daemon.turn(0.0)
    assert fed_at(kitchen)[-1] == said_s
    assert seen_s not in fed_at(kitchen)
    assert [cycle.fed_at_s for cycle in cycles(kitchen)][-1] == said_s
    stands = decided(kitchen)
    again = restarted(kitchen)
    assert decided(again) == stands
    fed = [at_s for kind, at_s in replayed(again) if kind is EventKind.FED]
    assert fed == fed_at(again)
    reported.take_back(again.store, "rye", again.now_s)
    again.daemon.turn(0.0)
    assert decided(again) == before


# --- past feedings ----------------------------------------------------------------------------------------------------


def two_nights(kitchen: Kitchen) -> None:
    """Two feedings, a day apart, both seen."""
    for k in range(2):
        things = night(every_s=EVERY_S, hours=12.0, start_s=START_S + k * 86400.0)
        kitchen.live([replace(thing, boot=f"night {k}") for thing in things])
    kitchen.daemon.flush()


def past(kitchen: Kitchen) -> Cycle:
    return cycles(kitchen)[1]


def test_grams_and_time_of_a_past_feeding_are_put_right_and_learnt_from(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    two_nights(kitchen)
    wrong, learnt = past(kitchen), kitchen.jars._states["rye"].carried
    right = Fed(time_s=wrong.fed_at_s - 1500.0, jar="rye", feeding=of_grams((10, 50, 50)))
    reported.correct_feeding(kitchen.store, "rye", wrong.fed_at_s, kitchen.now_s, right)
    kitchen.daemon.turn(0.0)
    now = past(kitchen)
    assert now.feeding.grams == (10, 50, 50)
    assert now.fed_at_s == right.time_s
    assert now.told
    assert len(cycles(kitchen)) == 3
    assert kitchen.jars._states["rye"].carried != learnt  # it was of another ratio, and took longer
    assert round(right.time_s) in fed_at(kitchen)
    assert round(wrong.fed_at_s) not in fed_at(kitchen)
    stands = decided(kitchen)
    # once more: the latest word counts, and taking it back leaves the one before
    twice = replace(right, time_s=now.fed_at_s, feeding=replace(right.feeding, flour_g=60.0))
    reported.correct_feeding(kitchen.store, "rye", now.fed_at_s, kitchen.now_s, twice)
    kitchen.daemon.turn(0.0)
    assert past(kitchen).feeding.grams == (10, 60, 50)
    reported.take_back(kitchen.store, "rye", kitchen.now_s)
    kitchen.daemon.turn(0.0)
    assert past(kitchen).feeding.grams == (10, 50, 50)
    again = restarted(kitchen)
    assert (decided(again), past(again).feeding.grams) == (stands, (10, 50, 50))
    reported.take_back(again.store, "rye", again.now_s)
    again.daemon.turn(0.0)
    assert past(again) == wrong
    assert again.jars._states["rye"].carried == learnt


def test_a_past_feeding_that_was_told_and_seen_is_deleted_with_both(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = a_night(swapped, hours=12.0)
    kitchen.live(things[:300])
    reported.tell(
        kitchen.store,
        Fed(time_s=kitchen.now_s, jar="rye", feeding=of_grams((25, 100, 100))),
        kitchen.now_s,
    )
    kitchen.live(things[300:], until_s=things[-1].received_s + 3600.0)
    kitchen.daemon.flush()
    assert len(fed_at(kitchen)) == 2
    reported.correct_feeding(kitchen.store, "rye", cycles(kitchen)[-1].fed_at_s, kitchen.now_s, None)
    kitchen.daemon.turn(0.0)
    assert len(fed_at(kitchen)) == 1
    assert kitchen.store.told("rye") == []
    assert kitchen.state().stage is Stage.FALLING
    reported.take_back(kitchen.store, "rye", kitchen.now_s)
    kitchen.daemon.turn(0.0)
    assert len(fed_at(kitchen)) == 2
    assert (cycle := kitchen.state().cycle) is not None
    assert cycle.feeding.flour_g == 100.0


def test_what_is_told_late_of_a_closed_cycle_counts_in_its_place(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    two_nights(kitchen)
    first = past(kitchen)
    reported.tell(
        kitchen.store, Fed(time_s=first.fed_at_s + 600.0, jar="rye", feeding=Feeding(flour_g=70.0)), kitchen.now_s
    )
    kitchen.daemon.turn(0.0)
    assert (past(kitchen).feeding.flour_g, past(kitchen).fed_at_s) == (70.0, first.fed_at_s)
    # and a feeding that nobody knew of, between the two
    between_s = first.fed_at_s + 16.0 * H_S
    reported.tell(kitchen.store, Fed(time_s=between_s, jar="rye", feeding=Feeding(flour_g=80.0)), kitchen.now_s)
    kitchen.daemon.turn(0.0)
    assert [cycle.feeding.flour_g for cycle in cycles(kitchen)] == [None, 70.0, 80.0, None]
    assert round(between_s) in fed_at(kitchen)
    stands = decided(kitchen)
    assert decided(restarted(kitchen)) == stands


def test_what_cannot_be_put_right_is_said(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    two_nights(kitchen)
    _, first, second = cycles(kitchen)
    told = Fed(time_s=second.fed_at_s + 60.0, jar="rye")
    for fed_at_s, instead, why in (
        (first.fed_at_s, told, "another feeding lies between"),
        (first.fed_at_s, replace(told, time_s=kitchen.now_s + 600.0), "in the future"),
        (first.fed_at_s + 50.0, None, "no such feeding"),
        (first.fed_at_s, replace(told, time_s=first.fed_at_s - 8 * 86400.0), "more than a week"),
    ):
        with pytest.raises(reported.CannotTakeBack, match=why):
            reported.correct_feeding(kitchen.store, "rye", fed_at_s, kitchen.now_s, instead)
    for what, why in (("away", "no away of rye was seen"), ("rest", "no rest")):
        with pytest.raises(reported.CannotTakeBack, match=why):
            reported.was_none(kitchen.store, "rye", what, kitchen.now_s)
    assert kitchen.store.told_count() == 0


@pytest.mark.parametrize("hours", [1.0, 4.0, 6.4])
def test_grams_told_late_leave_the_stage_as_it_is(tmp_path: Path, hours: float) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(a_night(hours=hours))
    kitchen.daemon.flush()
    before = kitchen.state()
    assert before.cycle is not None
    reported.tell(
        kitchen.store,
        Fed(time_s=before.cycle.fed_at_s + 900.0, jar="rye", feeding=Feeding(flour_g=80.0)),
        kitchen.now_s,
    )
    kitchen.daemon.turn(0.0)
    after = kitchen.state()
    assert after.stage is before.stage
    assert after.level == before.level
    assert after.cycle is not None
    assert (after.cycle.feeding.flour_g, after.cycle.fed_at_s) == (80.0, before.cycle.fed_at_s)
    assert restarted(kitchen).state().stage is before.stage
