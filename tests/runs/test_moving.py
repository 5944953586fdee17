"""A jar goes to another daemon's store: what is decided there is what would have been decided had it stayed."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
import time_machine

from monitor.runs import history, lots, moving, outbox, reported
from monitor.runs.database import Database
from monitor.runs.going_on import STORE_KEY
from monitor.runs.run_log import MOVED_FROM
from monitor.runs.store import RunReason, Store, StoreTrouble
from monitor.settings import Settings
from monitor.values import Delivery, Event, Fed, Noted, Noting, Reading, of_grams
from tests.page_house import CYCLE_S, Kitchen, over_a_fed_jar, settings_of
from tests.terminal import jartide

BEGIN_S = 1_795_600_000.0
FIRST_H, THEN_H = 33.0, 22.0  # it moves in the middle of its third cycle


class Steady(Kitchen):
    """Its sensors' noise hangs on jar and time alone, so that any two kitchens hear the same."""

    def _reading(self, jar: str, distance_mm: float) -> Delivery:
        noisy = round(distance_mm + Random(f"{jar} {self.now_s}").gauss(0.0, 0.6), 1)
        at = Reading(time_s=self.now_s, jar=jar, distance_mm=noisy, temperature_c=23.5)
        return Delivery(
            source="invented", received_s=self.now_s, reading=at, boot="b1", seq=int(self.now_s), timed=True
        )  # fmt: skip


def live(kitchen: Steady, hours: float) -> None:
    """Fed every twelve hours; each feeding is told half an hour later."""
    until_s = kitchen.now_s + 3600.0 * hours
    while kitchen.now_s < until_s - 1.0:
        fed_s = BEGIN_S + CYCLE_S * ((kitchen.now_s - BEGIN_S) // CYCLE_S)
        tell_s = fed_s + 1800.0
        end_s = min(until_s, tell_s if kitchen.now_s < tell_s else fed_s + CYCLE_S)
        kitchen.go_on((end_s - kitchen.now_s) / 3600.0, lambda _, at_s, fed_s=fed_s: over_a_fed_jar(at_s, fed_s))  # type: ignore[misc]
        if end_s == tell_s:
            for jar in kitchen.settings.jars:
                told = Fed(time_s=fed_s, jar=jar.name, feeding=of_grams((25, 100, 100)), by="Mia")
                kitchen.store.tell(told, kitchen.now_s)


def events(store: Store, jar: str) -> list[tuple[str, float, float]]:
    """All that was decided, each once: what the open cycle brought along stands in both runs."""
    every: list[Event] = [one for run in store.runs_of(jar) for one in store.events(run.id)]
    return sorted({(one.kind.value, one.happened_at_s, one.decided_at_s) for one in every}, key=lambda one: one[2])


def notices(store: Store, jar: str) -> list[tuple[str, int, float]]:
    """What was put out, each once for its cause."""
    kept = [one.notice for one in outbox.latest(store, 500) if one.notice.jar == jar]
    return sorted({(one.kind, one.repeat, one.due_s) for one in kept}, key=lambda one: one[2])


def house(folder: Path, *names: str) -> Settings:
    folder.mkdir()
    return settings_of(folder, names)


@pytest.fixture(scope="module")
def stayed(tmp_path_factory: pytest.TempPathFactory) -> Store:
    kitchen = Steady(house(tmp_path_factory.mktemp("m") / "stayed", "a"), BEGIN_S)
    live(kitchen, FIRST_H + THEN_H)
    return kitchen.store


def config(settings: Settings, *names: str) -> str:
    jars = "".join(f'[[jar]]\nname = "{name}"\nempty_mm = 180\nrim_mm = 120\nflour = "rye"\n' for name in names)
    (settings.store.path.parent / "jartide.toml").write_text(jars + '[display]\ntime_zone = "UTC"\n')
    return str(settings.store.path.parent / "jartide.toml")


def moved(from_config: str, to_config: str, at_s: float, code: int = 0) -> str:
    """What `jartide move a` says at a time."""
    with time_machine.travel(at_s, tick=False):
        done = jartide("move", "a", "--from", from_config, "--to", to_config)
    assert done.exit_code == code, done.output
    return done.output


def test_all_is_decided_as_if_it_had_stayed(stayed: Store, tmp_path: Path) -> None:
    before, after = house(tmp_path / "one", "a", "b"), house(tmp_path / "two", "c")
    first, other = Steady(before, BEGIN_S), Steady(after, BEGIN_S)
    live(first, FIRST_H)
    live(other, FIRST_H)
    first.store.tell(Noted(time_s=first.now_s, jar="a", what=Noting.SMELL, text="of pears", by="Jo"), first.now_s)
    lots.say(first.store, lots.Opened(flour="rye", lot="R1", from_s=BEGIN_S - 9.0))
    b_before = first.store.open_run("b")
    first.store.close()
    other.store.close()
    moved(config(before, "a", "b"), config(after, "c"), first.now_s)
    with Store.join(before.store.path) as left:
        assert left.open_run("a") is None
        assert left.open_run("b") == b_before
    both = settings_of(after.store.path.parent, ["c", "a"])
    second = Steady(both, first.now_s)
    live(second, THEN_H)
    store = second.store
    assert events(store, "a") == events(stayed, "a")
    mine, theirs = (history.of_starter(one, "a") for one in (store, stayed))
    assert [(one.fed_at_s, one.peak_at_s, one.fall_at_s) for one in mine] == [
        (one.fed_at_s, one.peak_at_s, one.fall_at_s) for one in theirs
    ]
    # every reading is there once: some in the run that came over, some in the one that goes on
    assert sum(store.count(run.id) for run in store.runs_of("a")) == sum(
        stayed.count(run.id) for run in stayed.runs_of("a")
    )
    assert store.runs_of("a")[-1].reason is RunReason.MOVED
    assert notices(store, "a") == notices(stayed, "a")
    assert [(one.text, one.by) for one in store.noted("a") if one.what is Noting.SMELL] == [("of pears", "Jo")]
    fed = lots.feedings(store, {"a": "rye"})["a"]
    assert [one.flour_lot for one in fed] == ["R1"] * 5
    assert reported.last_feeding(store, "a") is not None
    store.close()


@pytest.mark.fault("D24")
def test_a_move_that_fails_anywhere_is_undone_and_can_be_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two = house(tmp_path / "one", "a", "b"), house(tmp_path / "two", "c")
    for settings, hours in ((one, 2.0), (two, 1.0)):
        kitchen = Steady(settings, BEGIN_S)
        live(kitchen, hours)
        kitchen.store.tell(Noted(time_s=BEGIN_S, jar="a", what=Noting.SMELL, text="of pears", by="Jo"), BEGIN_S + 9.0)
        kitchen.store.close()
    now_s = BEGIN_S + 7200.0
    left, fails_at = [0], [0]
    for name in ("query", "write", "write_many"):
        monkeypatch.setattr(Database, name, _failing(getattr(Database, name), left))

    def tried(folder: Path, *, again: bool) -> tuple[str, list[list[tuple[object, ...]]]]:
        """How a move ends whose `fails_at`-th call of a store fails, and what is in both stores then."""
        if not again:
            folder.mkdir()
            for name, settings in (("s.db", one), ("t.db", two)):
                shutil.copy(settings.store.path, folder / name)
        with Store.open(folder / "s.db", now_s) as source, Store.open(folder / "t.db", now_s) as target:
            carry = next(body for _, body in source.carries("a", source.last_seq()))
            left[0] = 0 if again else fails_at[0]
            try:
                moving.move(source, target, "a", carry, now_s)
                said = "moved"
            except StoreTrouble as error:
                said = str(error)
            left[0] = 0
            return said, [_all_of(store) for store in (source, target)]

    said, whole = tried(tmp_path / "whole", again=False)
    assert said == "moved"
    untouched = []
    for settings in (one, two):
        with Store.join(settings.store.path) as store:
            untouched.append(_all_of(store))
    for fails_at[0] in range(1, 200):
        said, found = tried(tmp_path / str(fails_at[0]), again=False)
        if said == "moved":
            break
        assert found == untouched, fails_at
        assert tried(tmp_path / str(fails_at[0]), again=True) == ("moved", whole)
    assert fails_at[0] > 30
    # it stopped after the one store had all and before the other knew: as if there were no move, and it is tried again
    shutil.copy(one.store.path, tmp_path / "whole" / "s.db")
    with Store.open(tmp_path / "whole" / "s.db", now_s) as before, Store.join(tmp_path / "whole" / "t.db") as there:
        before.set_meta(STORE_KEY, there.live_runs("a")[-1].header[MOVED_FROM].split()[1])
    assert tried(tmp_path / "whole", again=True) == ("moved", whole)


def _failing(real: Callable[..., object], left: list[int]) -> Callable[..., object]:
    def called(self: Database, *given: object) -> object:
        left[0] -= 1
        if left[0] == 0:
            raise StoreTrouble("input/output error", lasting=False)
        return real(self, *given)

    return called


def _all_of(store: Store) -> list[tuple[object, ...]]:
    """Every row but what names a store, which is made anew for each."""
    tables = ("jar", "run", "item", "event", "cycle", "notice", "missing", "carry")
    drop = {"run": ("digest", "header")}
    rows: list[tuple[object, ...]] = []
    for table in tables:
        columns = [row[1] for row in store.query(f"PRAGMA table_info({table})") if row[1] not in drop.get(table, ())]
        rows += [(table, *row) for row in store.query(f"SELECT {', '.join(columns)} FROM {table} ORDER BY 1, 2")]
    return rows


def test_there_and_back_again_is_there_once(tmp_path: Path) -> None:
    one, two = house(tmp_path / "one", "a"), house(tmp_path / "two", "c")
    first = Steady(one, BEGIN_S)
    live(first, 14.0)
    readings = first.store.count(1)
    number = json.loads(first.store.meta("status") or "{}")["jars"][0]["cycle"]["number"]
    first.store.close()
    here, there = config(one, "a"), config(two, "c")
    moved(here, there, first.now_s)
    moved(there, here, first.now_s)
    again = Steady(one, first.now_s)
    live(again, 2.0)
    runs = again.store.runs_of("a")
    assert sum(again.store.count(run.id) for run in runs) == readings + 60
    state = json.loads(again.store.meta("status") or "{}")["jars"][0]
    assert state["cycle"]["number"] == number == 1  # the first was under way when the readings began
    again.store.close()


def test_a_jar_that_is_watched_there_is_not_written_over(tmp_path: Path) -> None:
    one, two = house(tmp_path / "one", "a"), house(tmp_path / "two", "a")
    for settings in (one, two):
        kitchen = Steady(settings, BEGIN_S)
        live(kitchen, 1.0)
        kitchen.store.close()
    said = moved(config(one, "a"), config(two, "a"), BEGIN_S + 3600.0, 1)
    assert "would be judged twice" in said
    with Store.join(one.store.path) as store:
        assert store.open_run("a") is not None  # it stays where it was
