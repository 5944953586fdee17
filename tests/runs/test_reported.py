"""Taking back what was told by mistake, another jar, another starter, a machine that slept: what is judged after."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.core.detect.superseded import not_superseded
from monitor.runs import history, outbox, reported
from monitor.runs.store import Store
from monitor.values import Cycle, EventKind, Fed, JarState, Noted, Noting, of_grams
from tests.kitchen import SETTINGS, Kitchen
from tests.night import START_S, night

H_S = 3600.0


def tell(kitchen: Kitchen, item: Fed | Noted) -> None:
    """As a command does it, from beside the daemon."""
    kitchen.store.tell(item, kitchen.now_s)
    kitchen.daemon.flush()


def fed(kitchen: Kitchen) -> Fed:
    return Fed(time_s=kitchen.now_s, jar="rye", feeding=of_grams((25, 100, 100)))


def noted(kitchen: Kitchen, what: Noting) -> Noted:
    return Noted(time_s=kitchen.now_s, jar="rye", what=what)


def take_back(kitchen: Kitchen) -> reported.Report:
    report = reported.take_back(kitchen.store, "rye", kitchen.now_s)
    kitchen.daemon.turn(0.0)
    return report


def believed(kitchen: Kitchen) -> JarState:
    """All but the forecast, which is made when somebody asks and kept for the hour."""
    return replace(kitchen.state(), forecast=None)


def cycles(kitchen: Kitchen, run: int | None = None) -> list[Cycle]:
    """As kept, of one run or of the open one: hourly temperatures as of when something was last decided."""
    if run is None:
        open_run = kitchen.store.open_run("rye")
        assert open_run is not None
        run = open_run.id
    return [replace(cycle, temperatures_c=()) for cycle in kitchen.store.cycles(run)]


def decided(kitchen: Kitchen, run: int) -> list[tuple[EventKind, float]]:
    """What stands of one run."""
    return [(event.kind, event.happened_at_s) for event in not_superseded(kitchen.store.events(run))]


@pytest.mark.parametrize(
    ("what", "at_h"), [(None, 4.0), (None, 8.0), (None, 11.0), (Noting.REST, 8.0), (Noting.AWAY, 4.0)]
)
def test_a_telling_taken_back_leaves_the_jar_as_if_it_had_never_been_told(
    tmp_path: Path, what: Noting | None, at_h: float
) -> None:
    things = list(night(every_s=120.0, hours=15.0))
    cut = int(at_h * 30)
    plain, mistaken = Kitchen(tmp_path / "plain.db"), Kitchen(tmp_path / "mistaken.db")
    for kitchen in (plain, mistaken):
        kitchen.live(things[:cut])
    tell(mistaken, fed(mistaken) if what is None else noted(mistaken, what))
    for kitchen in (plain, mistaken):
        kitchen.live(things[cut : cut + 45])
        kitchen.daemon.flush()
    assert believed(mistaken) != believed(plain)
    report = take_back(mistaken)
    assert isinstance(report.item, Fed) == (what is None)
    assert believed(mistaken) == believed(plain)
    for kitchen in (plain, mistaken):
        kitchen.live(things[cut + 45 :], until_s=things[-1].received_s + 60)
        kitchen.daemon.flush()
    assert believed(mistaken) == believed(plain)
    assert cycles(mistaken) == cycles(plain)
    # openly: what the mistake led to is still in the record, and replaced; what stands is what happened
    assert [e for e in mistaken.events() if e.kind is EventKind.TAKEN_BACK]
    real = [(e.kind, e.happened_at_s) for e in plain.events() if e.kind is not EventKind.FORECAST]
    stands = [e for e in not_superseded(mistaken.events()) if e.kind is not EventKind.FORECAST]
    assert sorted((e.kind, e.happened_at_s) for e in stands) == sorted(real)
    assert mistaken.notices().count("feed_now") == plain.notices().count("feed_now")
    assert mistaken.store.told("rye") == []
    assert mistaken.store.last_seq() == len(things) + 2  # nothing was unstored


def test_a_restart_after_it_and_one_in_the_middle_of_it_decide_the_same(tmp_path: Path) -> None:
    things = list(night(every_s=120.0, hours=12.0))
    whole = Kitchen(tmp_path / "whole.db")
    whole.live(things[:150])
    tell(whole, fed(whole))
    whole.live(things[150:200])
    take_back(whole)
    whole.live(things[200:], until_s=things[-1].received_s + 60)
    for crash in (False, True):
        path = tmp_path / f"{crash}.db"
        first = Kitchen(path)
        first.live(things[:150])
        tell(first, fed(first))
        first.live(things[150:200])
        first.daemon.flush()
        reported.take_back(first.store, "rye", first.now_s)
        if not crash:
            first.daemon.turn(0.0)
        first.store.close()  # with a crash, it is taken back while nobody watches
        second = Kitchen(path, now_s=first.now_s)
        second.live(things[200:], until_s=things[-1].received_s + 60)
        assert believed(second) == believed(whole)
        assert cycles(second) == cycles(whole)
        assert [(e.kind, e.happened_at_s, e.replaces) for e in second.events()] == [
            (e.kind, e.happened_at_s, e.replaces) for e in whole.events()
        ]
        second.store.close()


def test_what_is_taken_back_while_it_is_being_judged_leaves_no_trace_in_what_a_restart_begins_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    things = list(night(every_s=120.0, hours=6.0))
    plain, mistaken = Kitchen(tmp_path / "plain.db"), Kitchen(tmp_path / "mistaken.db")
    for kitchen in (plain, mistaken):
        kitchen.live(things)
        kitchen.daemon.flush()

    def beside(place: str) -> None:
        """Stepped and not kept yet: another process takes it back just now."""
        monkeypatch.setattr("monitor.daemon.jars.failpoint", lambda place: None)
        reported.take_back(mistaken.store, "rye", mistaken.now_s)

    mistaken.store.tell(fed(mistaken), mistaken.now_s)
    monkeypatch.setattr("monitor.daemon.jars.failpoint", beside)
    mistaken.daemon.flush()
    mistaken.daemon.turn(0.0)
    assert believed(mistaken) == believed(plain)
    mistaken.store.close()
    assert believed(Kitchen(tmp_path / "mistaken.db", now_s=mistaken.now_s)) == believed(plain)


@pytest.mark.parametrize("how", ["at once", "while nobody watched", "the shape was changed before"])
def test_what_is_taken_back_of_a_run_that_has_ended_is_put_right_in_that_run(tmp_path: Path, how: str) -> None:
    things = list(night(every_s=120.0, hours=12.0))
    wider = replace(SETTINGS, jars=(replace(SETTINGS.jars[0], empty_mm=200.0),))
    ends = []
    for name in ("plain", "mistaken"):
        kitchen = Kitchen(tmp_path / f"{name}.db")
        kitchen.live(things[:200])
        if name == "mistaken":
            tell(kitchen, fed(kitchen))
        kitchen.live(things[200:250])
        kitchen.daemon.flush()
        if how == "while nobody watched":
            kitchen.store.close()
            with Store.join(tmp_path / f"{name}.db") as beside:
                if name == "mistaken":
                    reported.take_back(beside, "rye", kitchen.now_s)
                beside.tell(noted(kitchen, Noting.NEW_RUN), kitchen.now_s)
            kitchen = Kitchen(tmp_path / f"{name}.db", now_s=kitchen.now_s)
        elif how == "at once":
            if name == "mistaken":
                reported.take_back(kitchen.store, "rye", kitchen.now_s)
            kitchen.store.tell(noted(kitchen, Noting.NEW_RUN), kitchen.now_s)
            kitchen.daemon.turn(0.0)
        else:
            kitchen.store.close()
            kitchen = Kitchen(tmp_path / f"{name}.db", now_s=kitchen.now_s, settings=wider)
            kitchen.live(things[250:260])
            kitchen.daemon.flush()
            if name == "mistaken":
                take_back(kitchen)
        kitchen.live(things[260:], until_s=things[-1].received_s + 60)
        kitchen.daemon.flush()
        ends.append(kitchen)
    plain, mistaken = ends
    old, new = (run.id for run in mistaken.store.live_runs("rye"))
    assert [e.kind for e in mistaken.store.events(old)].count(EventKind.TAKEN_BACK) == 1
    assert decided(mistaken, old) == decided(plain, old)
    assert EventKind.FED in [kind for kind, _ in decided(plain, old)]
    assert cycles(mistaken, old) == cycles(plain, old)
    assert len(cycles(plain, old)) > 1
    # and the run that is open knows nothing of it
    assert decided(mistaken, new) == [(e.kind, e.happened_at_s) for e in mistaken.store.events(new)]
    assert decided(mistaken, new) == decided(plain, new)
    assert [one for one in cycles(mistaken, new) if one.number > 0] == [
        one for one in cycles(plain, new) if one.number > 0
    ]
    assert believed(mistaken) == believed(plain)
    assert mistaken.notices() == plain.notices()


def test_what_was_told_of_a_cycle_follows_it_when_one_before_it_never_was(tmp_path: Path) -> None:
    """Told by mistake, then fed and seen: the real cycle is one earlier, and its notices are its own."""
    kitchen = Kitchen(tmp_path / "s.db")
    first = list(night(every_s=120.0, hours=12.0))
    kitchen.live(first)
    tell(kitchen, Fed(time_s=kitchen.now_s - 5 * H_S, jar="rye"))
    second = [replace(thing, boot="b2") for thing in night(every_s=120.0, hours=12.0, start_s=START_S + 13 * H_S)]
    kitchen.live(second)
    kitchen.daemon.flush()
    numbers = [cycle.number for cycle in cycles(kitchen)]
    before = [one.notice for one in outbox.of_jar(kitchen.store, "rye") if one.notice.kind == "feed_now"]
    assert numbers == [0, 1, 2, 3]
    assert {notice.cycle for notice in before} == {1, 3}
    take_back(kitchen)
    assert [cycle.number for cycle in cycles(kitchen)] == [0, 1, 2]
    after = [one.notice for one in outbox.of_jar(kitchen.store, "rye") if one.notice.kind == "feed_now"]
    assert after[: len(before)] == [replace(one, cycle=2 if one.cycle == 3 else one.cycle) for one in before]
    causes = [(one.cycle, one.repeat) for one in after]
    assert len(set(causes)) == len(causes)


def test_the_grams_of_a_seen_feeding_are_taken_back_and_the_feeding_stays(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = list(night(every_s=120.0))
    kitchen.live(things[:30])
    tell(kitchen, fed(kitchen))
    assert (c := kitchen.state().cycle) is not None
    assert c.feeding.flour_g == 100.0
    take_back(kitchen)
    assert (c := kitchen.state().cycle) is not None
    assert c.feeding.flour_g is None
    assert [e.kind for e in not_superseded(kitchen.events())].count(EventKind.FED) == 1


def test_one_after_the_other_may_be_taken_back_and_what_cannot_is_said(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(list(night(every_s=120.0, hours=2.0)))
    with pytest.raises(reported.CannotTakeBack, match="nothing"):
        take_back(kitchen)
    for what in (Noting.HOOCH, Noting.MOULD):
        tell(kitchen, noted(kitchen, what))
    late_s = kitchen.now_s + 1.0
    assert len(kitchen.store.told("rye")) == 2
    assert [one.what for one in kitchen.store.told("rye", late_s, [Noting.MOULD]) if isinstance(one, Noted)] == [
        "mould"
    ]
    taken = [take_back(kitchen).item for _ in range(2)]
    assert [one.what for one in taken if isinstance(one, Noted)] == [Noting.MOULD, Noting.HOOCH]
    assert kitchen.store.told("rye", late_s, [Noting.MOULD]) == []
    tell(kitchen, noted(kitchen, Noting.NEW_RUN))
    with pytest.raises(reported.CannotTakeBack, match="new run"):
        take_back(kitchen)
    tell(kitchen, fed(kitchen))
    kitchen.to(kitchen.now_s + 73 * H_S)
    with pytest.raises(reported.CannotTakeBack, match="three days"):
        take_back(kitchen)


def test_a_notice_about_mould_that_was_none_is_not_repeated_and_feeding_is_asked_for_again(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = list(night(every_s=120.0))
    kitchen.live(things[:200])
    tell(kitchen, noted(kitchen, Noting.MOULD))
    assert kitchen.notices() == ["at_peak", "throw_away"] or kitchen.notices() == ["throw_away"]
    take_back(kitchen)
    kitchen.live(things[200:], until_s=things[-1].received_s + 60)
    assert "feed_now" in kitchen.notices()


def test_mould_stays_after_a_feeding_and_another_jar_until_another_starter(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = list(night(every_s=120.0, hours=12.0))
    kitchen.live(things[:100])
    tell(kitchen, noted(kitchen, Noting.MOULD))
    kitchen.live(things[100:200])
    tell(kitchen, fed(kitchen))
    kitchen.to(kitchen.now_s + 60)
    assert kitchen.notices().count("throw_away") == 2  # and again to whoever feeds it all the same
    kitchen.live(things[200:], until_s=things[-1].received_s + 30 * H_S)
    assert "feed_now" not in kitchen.notices()
    assert "overdue" not in kitchen.notices()
    tell(kitchen, noted(kitchen, Noting.NEW_STARTER))
    assert kitchen.notices() == []


# --- another jar, another starter -------------------------------------------------------------------------------------


def two_nights(kitchen: Kitchen) -> None:
    for k in range(2):
        things = night(every_s=120.0, hours=12.0, start_s=START_S + k * 86400.0)
        kitchen.live([replace(thing, boot=f"night {k}") for thing in things])
    kitchen.daemon.flush()


@pytest.mark.parametrize(("what", "learnt"), [(Noting.NEW_RUN, True), (Noting.NEW_STARTER, False)])
def test_what_was_learnt_of_a_starter_moves_with_it_to_another_jar(tmp_path: Path, what: Noting, learnt: bool) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    two_nights(kitchen)
    state = kitchen.jars._states["rye"]
    known = state.carried
    assert known  # one closed cycle was learnt from
    assert len(history.from_store(kitchen.store, "rye")) == 3  # the first was under way when watching began
    tell(kitchen, noted(kitchen, what))
    assert kitchen.jars._states["rye"].carried == (known if learnt else {})
    assert kitchen.state().cycle is None
    assert kitchen.state().noise_mm is None  # another sensor, for all that is known
    assert len(history.from_store(kitchen.store, "rye")) == (3 if learnt else 0)
    kitchen.to(kitchen.now_s + 120)
    # a restart at once, and one that finds no carry of the new run, begin as it went on
    for forget in (False, True):
        if forget:
            kitchen.store.forget_carries("rye", kitchen.store.last_seq())
        kitchen.store.close()
        before, now_s = kitchen.state(), kitchen.now_s
        kitchen = Kitchen(tmp_path / "s.db", now_s=now_s)
        assert kitchen.state() == before
        assert kitchen.jars._states["rye"].carried == (known if learnt else {})


def test_what_was_learnt_of_a_starter_outlives_another_shape_of_the_jar(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    two_nights(kitchen)
    known = kitchen.jars._states["rye"].carried
    kitchen.store.close()
    wider = replace(SETTINGS, jars=(replace(SETTINGS.jars[0], empty_mm=200.0),))
    again = Kitchen(tmp_path / "s.db", now_s=kitchen.now_s, settings=wider)
    assert len(again.store.runs()) == 2
    assert again.jars._states["rye"].carried == known
    assert again.state().cycle is None


def test_what_time_decided_in_a_run_stands_when_the_config_ends_it(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = list(night(every_s=120.0, hours=12.0))
    kitchen.live(things[:200])
    kitchen.to(kitchen.now_s + 2 * H_S)  # the sensor died
    kitchen.daemon.flush()
    before = kitchen.events()
    assert before[-1].kind is EventKind.SENSOR_SILENT
    kitchen.store.close()
    wider = replace(SETTINGS, jars=(replace(SETTINGS.jars[0], empty_mm=200.0),))
    for _ in range(2):
        again = Kitchen(tmp_path / "s.db", now_s=kitchen.now_s, settings=wider)
        old, _new = again.store.live_runs("rye")
        assert again.store.events(old.id) == before
        again.store.close()


def test_the_run_of_a_jar_that_is_not_watched_any_more_is_ended(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.store.close()
    other = replace(SETTINGS, jars=(replace(SETTINGS.jars[0], name="oat"),))
    again = Kitchen(tmp_path / "s.db", now_s=START_S + 60, settings=other)
    assert [(run.jar, run.ended_s) for run in again.store.runs()] == [("rye", START_S + 60), ("oat", None)]
    again.store.close()
    both = replace(SETTINGS, jars=(*SETTINGS.jars, *other.jars))
    third = Kitchen(tmp_path / "s.db", now_s=START_S + 120, settings=both)
    assert [run.reason.words for run in third.store.runs() if run.jar == "rye"] == ["first start", "watched again"]


def test_feedings_told_while_nobody_watched_each_close_their_cycle(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(list(night(every_s=120.0, hours=12.0)))
    kitchen.daemon.flush()
    with Store.join(tmp_path / "s.db") as beside:
        for k in range(1, 5):
            at_s = kitchen.now_s + k * 12 * H_S
            beside.tell(Fed(time_s=at_s, jar="rye"), at_s)
    kitchen.store.close()
    again = Kitchen(tmp_path / "s.db", now_s=kitchen.now_s + 60 * H_S)
    ends = [(cycle.fed_at_s, cycle.ended_at_s) for cycle in cycles(again)]
    assert len(ends) == 6
    assert all(end == following for (_, end), (following, _) in pairwise(ends))
    assert ends[-1][1] is None


# --- a machine that slept ---------------------------------------------------------------------------------------------


def asleep(tmp_path: Path, *, comes_back: bool) -> Kitchen:
    """Two hours of readings, five hours of sleep, and two hours of readings or of nothing."""
    kitchen = Kitchen(tmp_path / f"{comes_back}.db")
    things = list(night(every_s=120.0, hours=9.0))
    kitchen.live(things[:60])
    kitchen.sleep(5 * H_S)
    kitchen.daemon.turn(0.0)
    kitchen.to(kitchen.now_s + 60.0)
    assert kitchen.state().silent_since_s is not None  # it is so, and status says so
    assert "sensor_silent" not in kitchen.notices()
    later = [thing for thing in things if thing.received_s > kitchen.now_s]
    if comes_back:
        kitchen.live(later)
    else:
        kitchen.to(later[-1].received_s)
    return kitchen


def test_a_machine_that_slept_does_not_blame_the_sensor(tmp_path: Path) -> None:
    kitchen = asleep(tmp_path, comes_back=True)
    assert not {"sensor_silent", "sensor_back"} & set(kitchen.notices())


def test_but_a_sensor_that_stays_silent_after_it_is_told(tmp_path: Path) -> None:
    kitchen = asleep(tmp_path, comes_back=False)
    assert kitchen.notices().count("sensor_silent") == 1


def test_nor_does_a_daemon_that_was_not_running(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    things = list(night(every_s=120.0, hours=9.0))
    kitchen.live(things[:60])
    kitchen.daemon.flush()
    kitchen.store.close()
    again = Kitchen(tmp_path / "s.db", now_s=things[150].received_s)
    again.live(things[151:210])
    assert not {"sensor_silent", "sensor_back"} & set(again.notices())
    again.to(again.now_s + 20 * 60)
    assert again.notices().count("sensor_silent") == 1
