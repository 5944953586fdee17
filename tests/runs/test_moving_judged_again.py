"""A jar that moved is corrected in its new home as it would have been in the old one, by the commands that people use:
what stands afterwards is the same, whatever the correction concerns."""

from __future__ import annotations

import gzip
import json
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
import time_machine
from click.testing import CliRunner

from monitor.cli import main
from monitor.core.detect.superseded import not_superseded
from monitor.core.display.units import Display
from monitor.daemon.jars import Jars
from monitor.runs import history, moving, reported, rfc3339
from monitor.runs.store import RunReason, Store
from monitor.settings import JarSettings, NoticeSettings, Settings, StoreSettings
from monitor.simulator import player
from monitor.values import ClockSet, Event, Noted, Noting
from tests.page_house import settings_of
from tests.runs.test_moving import BEGIN_S, Steady, config, house, live, moved

H_S = 3600.0
EVERY_S = 300.0
STEP_S = 900.0  # the clock of the first daemon was set forward, as on a board that starts without one
STAYED, MOVED = "stayed", "two"


@dataclass(frozen=True)
class Homes:
    """The very same jar in the store where it was, and in the one that it moved to."""

    folder: Path
    now_s: float


@pytest.fixture(scope="module")
def homes(tmp_path_factory: pytest.TempPathFactory) -> Homes:
    """Fed every twelve hours, in another jar from the fourteenth hour on; put to rest by mistake before it moved."""
    folder = tmp_path_factory.mktemp("homes")
    first = Steady(house(folder / "one", "a", "b"), BEGIN_S, every_s=EVERY_S)

    def note(what: Noting, text: str = "") -> None:
        first.store.tell(Noted(time_s=first.now_s, jar="a", what=what, text=text), first.now_s)

    live(first, 3.0)
    note(Noting.SMELL, "of pears")
    live(first, 4.0)
    first.store.tell(ClockSet(time_s=first.now_s + STEP_S, offset_s=STEP_S), first.now_s + STEP_S)
    first.now_s += STEP_S
    live(first, 7.0)
    note(Noting.NEW_RUN)
    live(first, 11.5)
    note(Noting.REST)
    live(first, 0.5)
    now_s = first.now_s
    first.store.close()
    target = house(folder / MOVED, "c")
    other = Steady(target, BEGIN_S, every_s=EVERY_S)
    live(other, 2.0)
    other.store.close()
    shutil.copytree(folder / "one", folder / STAYED)
    moved(config(first.settings, "a", "b"), config(target, "c"), now_s)
    return Homes(folder, now_s)


def settings_in(folder: Path) -> Settings:
    return settings_of(folder, ["a", "b"] if folder.name == STAYED else ["c", "a"])


def known(store: Store, jar: str = "a") -> list[object]:
    """What is believed to have happened, over all runs, and what was noted."""
    events: list[Event] = [one for run in store.runs_of(jar) for one in not_superseded(store.events(run.id))]
    cycles = [replace(one, temperatures_c=()) for one in history.of_starter(store, jar)]
    notes = [(one.what, one.text, one.time_s) for one in store.noted(jar)]
    times = sorted((one.decided_at_s, one.happened_at_s, one.kind.value) for one in events)
    return [*times, *cycles, *notes]


@pytest.mark.parametrize(
    "said",
    [
        ["undo", "a"],
        ["undo", "a", "feeding"],
        ["undo", "a", "feeding", "--at", "12h"],
        ["undo", "a", "rest"],
        ["fed", "a", "--at", "23.3h", "--corrects", "24h", "--flour-g", "80"],
        ["fed", "a", "--corrects", "12h", "--starter-g", "7", "--flour-g", "70", "--water-g", "77"],
        ["fed", "a", "--at", "18h"],
    ],
    ids=" ".join,
)
def test_a_correction_decides_what_it_would_have_decided_without_the_move(
    homes: Homes, tmp_path: Path, said: list[str]
) -> None:
    found = []
    for name in (STAYED, MOVED):
        folder = shutil.copytree(homes.folder / name, tmp_path / name)
        settings = settings_in(folder)
        kitchen = Steady(settings, homes.now_s, every_s=EVERY_S)
        before = known(kitchen.store)
        path = config(settings, *(jar.name for jar in settings.jars))
        words = [_moment(word) if word[0].isdigit() else word for word in said]
        with time_machine.travel(homes.now_s, tick=False):
            done = CliRunner().invoke(main, [words[0], "--config", path, *words[1:]])
        assert done.exit_code == 0, done.output
        live(kitchen, 1.0)
        after = known(kitchen.store)
        assert after != before
        jars = json.loads(kitchen.store.meta("status") or "{}")["jars"]
        (now,) = [(one["stage"], one["cycle"]["fed_at_s"]) for one in jars if one["jar"] == "a"]
        found.append((done.output, before, after, now))
        assert any(run.reason is RunReason.ASKED_FOR for run in kitchen.store.live_runs("a"))
        kitchen.store.close()
    here, there = found
    assert there == here


def _moment(word: str) -> str:
    """A moment of the story as the commands take it."""
    hours = word.removesuffix("h")
    return word if hours == word else rfc3339.text(BEGIN_S + float(hours) * H_S)


def test_a_jar_of_weeks_leaves_its_past_as_it_is_and_is_corrected_in_its_last_week(tmp_path: Path) -> None:
    """The demo's house has lived for eighteen days. There and back again, nothing is there twice."""
    past = gzip.decompress((Path(player.__file__).parent / "house_past.db.gz").read_bytes())
    stores = [tmp_path / name for name in ("stayed.db", "one.db", "two.db")]
    for path in stores[:2]:
        path.write_bytes(past)
    stayed, one, two = (Store.open(path) for path in stores)
    run = one.open_run("Rye")
    assert run is not None
    jar = JarSettings(name="Rye", empty_mm=run.empty_mm, geometry=run.geometry)
    now_s = one.running_s() + 600.0

    def watched(store: Store) -> Jars:
        settings = Settings(jars=(jar,), store=StoreSettings(path=store.path), notices=NoticeSettings(console=False))
        jars = Jars(settings, store, Display())
        jars.catch_up(now_s)
        return jars

    watched(stayed)
    moving.move(one, two, "Rye", watched(one).frozen("Rye"), now_s)
    assert [run.imported for run in two.runs_of("Rye")] == [True, False]
    fed_s = [cycle.fed_at_s for cycle in history.of_starter(stayed, "Rye")]
    for store in (stayed, two):
        reported.was_none(store, "Rye", "feeding", now_s, fed_s[-4])
        watched(store)
    assert known(two, "Rye") == known(stayed, "Rye")
    assert len(history.of_starter(two, "Rye")) == len(fed_s) - 1
    with pytest.raises(reported.CannotTakeBack, match="lies in a finished run"):
        reported.feeding_near(two, "Rye", fed_s[2])
    moving.move(two, one, "Rye", watched(two).frozen("Rye"), now_s)
    watched(one)
    assert known(one, "Rye") == known(stayed, "Rye")
    readings = [sum(store.count(run.id) for run in store.runs_of("Rye")) for store in (one, stayed)]
    assert readings[0] == readings[1]
    for store in (stayed, one, two):
        store.close()
