"""Stores that earlier versions left: today's program opens each, reads all of it, goes on from its carries, and decides
the same again where it is stepped from the beginning.

`stores/version_N.db` is what a daemon of that store version left: two jars for a day and a quarter (one night each, a
second one of rye), a told feeding, a mistaken one taken back, notes, a clock set forward by 90 s, a new starter, an
imported run, notices waiting, sent and superseded. All of it is invented (`tests.night`), written by the program of its
time and never made again.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.core.detect import step
from monitor.core.detect.superseded import not_superseded
from monitor.runs import history, outbox
from monitor.runs.store import Run, Store
from monitor.settings import JarSettings, NoticeSettings, Settings
from monitor.values import Event, EventKind, Noting, Stage, Straight
from tests.kitchen import Kitchen
from tests.night import EMPTY_MM, START_S, night

STORES = [Path(__file__).parent / "stores" / f"version_{number}.db" for number in (2,)]
RYE = JarSettings(name="rye", empty_mm=EMPTY_MM, flour="rye")
SPELT = JarSettings(name="spelt", empty_mm=EMPTY_MM, geometry=Straight(diameter_mm=80))
SETTINGS = Settings(jars=(RYE, SPELT), notices=NoticeSettings(daily_summary="08:00"))
END_S = START_S + 27 * 3600 + 90
SAME_S = 1800.0  # a better version may date it otherwise (a start of fall: it is fitted now), but it is the same one
DECIDED = [
    EventKind.LID_OFF, EventKind.FED, EventKind.RISE_BEGAN, EventKind.PEAK_REACHED, EventKind.FALL_BEGAN,
]  # fmt: skip


@pytest.fixture(params=STORES, ids=lambda path: path.stem)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "s.db"
    shutil.copyfile(request.param, path)
    return path


def kept(store: Store, run: Run) -> list[Event]:
    return [event for event in not_superseded(store.events(run.id)) if event.kind in DECIDED]


def test_all_that_it_holds_is_read(old: Path) -> None:
    with Store.open(old) as store:
        assert store.set_aside is None
        assert [run.reason.words for run in store.live_runs("rye")] == ["first start"]
        assert [run.reason.words for run in store.live_runs("spelt")] == ["first start", "another starter"]
        (fed,) = store.told("rye", START_S)[:1]
        assert (fed.time_s, fed.feeding.grams, fed.feeding.flour) == (START_S + 740, (25, 100, 100), "rye")  # type: ignore[union-attr]
        notes = [(note.what, note.text) for note in store.noted("rye", START_S)]
        assert notes == [
            (Noting.REMARK, 'warmer today, ä, "quoted"'),
            (Noting.SNOOZE, "2"),
            (Noting.BAKED, "two loaves"),
        ]
        assert len(store.mistakes("spelt").told) == 1
        assert [note.what for note in store.noted("spelt")] == [Noting.NEW_STARTER]  # the feeding was taken back
        assert sum(1 for _ in store.arrivals(None, 0)) == store.last_seq() - 1  # ... and is not handed on
        assert [(reason, count) for _, _, reason, count, *_ in store.rejected_counts()] == [("not JSON", 3)]
        states = {(one.notice.kind, one.state) for one in outbox.latest(store)}
        assert ("feed_now", outbox.State.PENDING) in states
        assert ("sensor_silent", outbox.State.SENT) in states
        assert [len(store.cycles(run.id)) for run in store.live_runs("rye")] == [3]
        (imported,) = [run for run in store.runs() if run.imported]
        assert len(list(store.rows_of(imported))) == 73
        assert len(history.from_store(store, "old")) >= 1


def test_stepped_from_the_beginning_it_decides_the_same(old: Path) -> None:
    with Store.open(old) as store:
        for jar in SETTINGS.jars:
            run = store.live_runs(jar.name)[0]
            state, again = step.begin(jar), []
            for arrival in store.arrivals(jar.name, 0):
                if run.ended_s is not None and arrival.received_s >= run.ended_s:
                    break
                state, events = step.take(state, arrival, jar)
                again += events
            now = [event for event in not_superseded(again) if event.kind in DECIDED]
            then = kept(store, run)
            assert [event.kind for event in now] == [event.kind for event in then]
            assert {EventKind.FED, EventKind.FALL_BEGAN} <= {event.kind for event in now}
            for one, other in zip(now, then, strict=True):
                assert abs(one.happened_at_s - other.happened_at_s) <= SAME_S, (one, other)


def test_a_daemon_goes_on_with_it_and_only_dates_a_fall_otherwise(old: Path) -> None:
    with Store.open(old) as store:
        (run,) = store.live_runs("rye")
        before, told = kept(store, run), len(outbox.latest(store))
    kitchen = Kitchen(old, END_S + 60, SETTINGS)
    after = kept(kitchen.store, run)  # from the last carry on it is decided again, and may be dated otherwise
    assert [(event.kind, event.decided_at_s) for event in after] == [(one.kind, one.decided_at_s) for one in before]
    for now, then in zip(after, before, strict=True):
        assert abs(now.happened_at_s - then.happened_at_s) <= SAME_S, (now, then)
    back = [event for event in kitchen.store.events(run.id) if event.kind is EventKind.TAKEN_BACK]
    assert {name.partition("@")[0] for event in back for name in (event.replaces or "").split()} <= {"fall_began"}
    assert len(outbox.latest(kitchen.store)) - told <= 2  # nothing that was told before is told again
    third = [replace(one, boot="b4") for one in night(every_s=150, seed=4, start_s=END_S + 120)]
    kitchen.live(third, until_s=third[-1].received_s + 60)
    assert [event.kind for event in kept(kitchen.store, run)].count(EventKind.FALL_BEGAN) == 3
    assert kitchen.state("rye").stage is Stage.FALLING
    assert kitchen.state("rye").cycle is not None
    assert kitchen.state("rye").cycle.number == 3  # type: ignore[union-attr]
