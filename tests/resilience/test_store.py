"""A night in which one call of the store fails, and copies of a store taken at random moments of being written.

In CI one call of each kind (SQL statement) that a night makes fails, in the middle of the night;
`JARTIDE_FAILURES=1 pytest tests/resilience/test_store.py -n 0` lets every single one fail, each in a night of its own
(some half an hour), `JARTIDE_FAILURES=10` every tenth.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.core.detect.superseded import not_superseded
from monitor.runs.store import Store
from monitor.settings import NoticeSettings
from monitor.values import Event, EventKind, Fed, Feeding, Noted, Noting, Stage, TakenBack, of_grams
from tests.kitchen import SETTINGS as kitchen_settings
from tests.kitchen import Kitchen
from tests.night import START_S, night

EVERY_NTH = int(os.environ.get("JARTIDE_FAILURES", "0"))
THINGS = [replace(thing, token=number) for number, thing in enumerate(night(every_s=300.0, hours=9.0))]
END_S = THINGS[-1].received_s + 600.0
SETTINGS = replace(kitchen_settings, notices=NoticeSettings(daily_summary="20:00"))
TOLD = [
    Fed(time_s=START_S + 700, jar="rye", feeding=of_grams((25, 100, 100))),
    Noted(time_s=START_S + 3 * 3600, jar="rye", what=Noting.REMARK, text="warmer today"),
    Fed(time_s=START_S + 5 * 3600, jar="rye", feeding=Feeding(flour_g=30)),  # told by mistake ...
]


class Disk:
    """The store's connection; its n-th call fails as a broken disk does."""

    def __init__(self, db: sqlite3.Connection, fails_at: int = 0) -> None:
        self._db, self._fails_at = db, fails_at
        self.calls: list[str] = []

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        self._call(sql)
        return self._db.execute(sql, *values)

    def executemany(self, sql: str, *values: Any) -> sqlite3.Cursor:
        self._call(sql)
        return self._db.executemany(sql, *values)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._db, name)

    def _call(self, sql: str) -> None:
        self.calls.append(sql)
        if len(self.calls) == self._fails_at:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR
            raise error


def watched(folder: Path, fails_at: int = 0) -> tuple[list[str], dict[str, Any]]:
    """All calls of a night, and what is in the store after it."""
    path = folder / f"{fails_at}.db"
    kitchen = Kitchen(path, settings=SETTINGS)
    sound = kitchen.store.database._db
    disk = Disk(sound, fails_at)
    kitchen.store.database._db = disk  # type: ignore[assignment]
    told = list(TOLD)
    told_by_mistake: tuple[int, float] | None = None
    for thing in THINGS:
        if told and told[0].time_s < thing.received_s:  # by another process, and a slow one: it comes after a tick
            kitchen.to(thing.received_s - 70.0)
            with Store.join(path) as teller:
                seq = teller.tell(told.pop(0), thing.received_s - 200.0)
            if not told:
                told_by_mistake = seq, thing.received_s
        if told_by_mistake and thing.received_s > told_by_mistake[1] + 600.0:  # ... and taken back
            with Store.join(path) as teller:
                teller.tell(TakenBack(time_s=thing.received_s, jar="rye", seq=told_by_mistake[0]), thing.received_s)
            told_by_mistake = None
        kitchen.live([thing])
    kitchen.to(END_S)
    kitchen.daemon.flush()
    kitchen.store.database._db = sound
    left = {
        # a tick that the store fails at is left out, so a telling that comes behind it is decided a minute sooner
        "events": [replace(e, decided_at_s=0.0) if e.evidence.get("told") else e for e in kitchen.events()],
        "notices": sorted(kitchen.notices()),
        "readings": kitchen.store.query("SELECT device_seq, distance_mm FROM item WHERE told IS NULL ORDER BY seq"),
        "told": kitchen.store.told("rye"),
        "acknowledged": sorted(kitchen.source.acknowledged),  # type: ignore[type-var]
        "integrity": kitchen.store.query("PRAGMA integrity_check"),
    }
    kitchen.store.close()
    for file in folder.glob(f"{fails_at}.db*"):
        file.unlink()
    return disk.calls, left


@pytest.mark.fault("D14")
@pytest.mark.fault("D2")
@pytest.mark.timeout(7200 if EVERY_NTH else 600)
def test_a_night_gets_over_the_failure_of_any_one_call(tmp_path: Path) -> None:
    calls, whole = watched(tmp_path)
    assert whole["integrity"] == [("ok",)]
    assert whole["acknowledged"] == list(range(len(THINGS)))
    places: dict[str, list[int]] = defaultdict(list)
    for number, sql in enumerate(calls, 1):
        places[" ".join(sql.split())].append(number)
    wanted = [found[len(found) // 2] for found in places.values()]
    if EVERY_NTH:
        wanted = list(range(1, len(calls) + 1, EVERY_NTH))
    began_s, wrong = time.monotonic(), []
    for number in wanted:
        try:
            _, left = watched(tmp_path, number)
            for what, expected in whole.items():
                if left[what] != expected:
                    wrong.append((number, calls[number - 1], what))
        except Exception as error:
            wrong.append((number, calls[number - 1], repr(error)))
    print(f"{len(calls)} calls in a night, {len(places)} kinds; {len(wanted)} made to fail, {len(wrong)} not got over")
    print(f"in {time.monotonic() - began_s:.0f} s")
    assert not wrong, "\n".join(map(str, wrong[:50]))


WRITER = """
import sys
from pathlib import Path
from monitor.runs.store import Store
from tests.resilience.test_store import PER_COMMIT, write
store = Store.open(Path(sys.argv[1]))
store.query(f"PRAGMA wal_autocheckpoint = {sys.argv[2]}")
for number in range(100_000):
    write(store, number)
    print((number + 1) * PER_COMMIT, flush=True)
"""
PER_COMMIT = 10
MOMENTS = 12


def write(store: Store, number: int) -> None:
    """One group: readings and an event, all of it or nothing."""
    first = number * PER_COMMIT
    with store.writing():
        store.ensure_run(SETTINGS.jars[0], START_S)
        store.add([replace(THINGS[0], seq=first + k, received_s=START_S + first + k) for k in range(PER_COMMIT)])
        store.add_events("rye", first + PER_COMMIT, [event_at(START_S + number)])


def event_at(time_s: float) -> Event:
    return Event(kind=EventKind.LID_OFF, jar="rye", happened_at_s=time_s, decided_at_s=time_s)


def whole_groups(path: Path) -> int | None:
    """How many readings are there, all of them in whole groups from the first on; None when the file was set aside."""
    with Store.open(path, START_S) as store:
        if store.set_aside is not None:
            assert store.damage
            assert store.set_aside.exists()
            return None
        assert store.query("PRAGMA integrity_check") == [("ok",)]
        numbers = [number for (number,) in store.query("SELECT device_seq FROM item ORDER BY seq")]
        assert numbers == list(range(len(numbers)))
        assert store.query("SELECT count(*) FROM event") == [(len(numbers) // PER_COMMIT,)]
        write(store, len(numbers) // PER_COMMIT)  # and it goes on
        return len(numbers)


@pytest.mark.fault("D5")
@pytest.mark.parametrize("pages", [0, 8], ids=["everything in the log", "the log is taken over all the time"])
def test_copies_at_random_moments_and_cut_anywhere_are_a_whole_prefix_or_set_aside(tmp_path: Path, pages: int) -> None:
    """As SQLite's documents have it (wal.html, howtocorrupt.html): the log is on the disk before the database takes it
    over, so while nothing was taken over the log may end anywhere; and a file that is cut is never taken for whole."""
    chance = random.Random(pages)
    command = [sys.executable, "-c", WRITER, str(tmp_path / "s.db"), str(pages)]
    writer = subprocess.Popen(command, cwd=Path(__file__).parents[2], stdout=subprocess.PIPE, text=True)
    assert writer.stdout is not None
    seen = []
    try:
        for moment in range(MOMENTS):
            for _ in range(chance.randrange(1, 25)):
                acknowledged = int(writer.stdout.readline())
            time.sleep(chance.uniform(0.0, 0.02))  # the moment itself is the matter, not waiting for anything
            writer.send_signal(signal.SIGSTOP)
            os.waitid(os.P_PID, writer.pid, os.WSTOPPED | os.WNOWAIT)
            folders = [tmp_path / f"{kind}{moment}" for kind in ("copy", "log", "database")]
            for folder in folders:
                folder.mkdir()
                for ending in ("", "-wal"):
                    shutil.copyfile(tmp_path / f"s.db{ending}", folder / f"s.db{ending}")
            writer.send_signal(signal.SIGCONT)
            found = whole_groups(folders[0] / "s.db")
            assert found is not None
            assert found >= acknowledged
            if pages == 0:
                log = folders[1] / "s.db-wal"
                os.truncate(log, chance.randrange(log.stat().st_size + 1))
                left = whole_groups(folders[1] / "s.db")
                seen.append(left)
                assert left is None or left <= found
            database = folders[2] / "s.db"
            (folders[2] / "s.db-wal").unlink()
            os.truncate(database, chance.randrange(database.stat().st_size + 1))
            left = whole_groups(folders[2] / "s.db")
            assert left is None or left <= found
    finally:
        writer.kill()
        writer.wait()
    if pages == 0:
        assert len({left for left in seen if left}) > MOMENTS / 2


@pytest.mark.fault("D17")
@pytest.mark.parametrize(
    "spoil",
    [
        lambda body: "{}",
        lambda body: "[1, 2]",
        lambda body: body[: len(body) // 2],
        lambda body: json.dumps(json.loads(body) | {"history": 7}),
        lambda body: json.dumps(json.loads(body) | {"carried": {"flour": "rye"}}),
        lambda body: json.dumps({"version": 7, **dict.fromkeys(json.loads(body))}),
    ],
    ids=["empty", "a list", "cut", "another form", "learnt by another version", "nothing in it"],
)
def test_a_carry_that_cannot_be_read_costs_nothing_but_time(
    tmp_path: Path, spoil: Callable[[str], str], caplog: pytest.LogCaptureFixture
) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(THINGS, until_s=END_S)
    kitchen.daemon.flush()
    carries = kitchen.store.query("SELECT jar, seq, body FROM carry")
    assert carries
    for jar, seq, body in carries:
        kitchen.store.write("UPDATE carry SET body = ? WHERE jar = ? AND seq = ?", (spoil(body), jar, seq))
    events, notices = kitchen.events(), kitchen.notices()
    kitchen.store.close()
    again = Kitchen(tmp_path / "s.db", END_S)
    assert "rye: what was kept of it cannot be read" in caplog.text
    assert again.events() == events
    assert again.notices() == notices
    assert again.state().stage is Stage.FALLING
    assert again.state().cycle == kitchen.state().cycle


@pytest.mark.fault("D17")
def test_a_damaged_carry_is_passed_over_for_the_one_before_it(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(THINGS, until_s=END_S)
    kitchen.daemon.flush()
    events, notices = kitchen.events(), kitchen.notices()
    last, _ = next(kitchen.store.carries("rye", kitchen.store.last_seq()))
    kitchen.store.write("INSERT INTO carry SELECT jar, seq + 1, time_s, '{' FROM carry WHERE seq = ?", (last,))
    kitchen.store.close()
    again = Kitchen(tmp_path / "s.db", END_S)
    assert "rye: what was kept of it cannot be read" in caplog.text
    assert "judged again" not in caplog.text
    assert again.events() == events
    assert again.notices() == notices
    assert again.state().cycle == kitchen.state().cycle


@pytest.mark.fault("D17")
def test_a_carry_of_a_version_that_remembered_less_or_more_is_gone_on_from(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(THINGS, until_s=END_S)
    kitchen.daemon.flush()
    events, notices = kitchen.events(), kitchen.notices()
    for jar, seq, body in kitchen.store.query("SELECT jar, seq, body FROM carry"):
        other = json.loads(body) | {"what_a_later_one_knows": [1.5]}
        del other["peak_tried_s"]
        values = (json.dumps(other), jar, seq)
        kitchen.store.write("UPDATE carry SET body = ? WHERE jar = ? AND seq = ?", values)
    kitchen.store.close()
    again = Kitchen(tmp_path / "s.db", END_S)
    assert "cannot be read" not in caplog.text
    assert again.notices() == notices
    falls = [event for event in not_superseded(again.events()) if event.kind is EventKind.FALL_BEGAN]
    assert falls == [event for event in events if event.kind is EventKind.FALL_BEGAN]


@pytest.mark.fault("D17")
@pytest.mark.parametrize("readable", [False, True])
def test_what_another_version_decided_otherwise_is_replaced_and_told_once(tmp_path: Path, readable: bool) -> None:
    """As if the version before had dated all it saw 4 min later and had seen one more feeding at the beginning, which
    numbers each cycle one higher."""
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(THINGS, until_s=END_S)
    kitchen.daemon.flush()
    right, notices = kitchen.events(), kitchen.notices()
    assert notices.count("feed_now") >= 1
    store = kitchen.store
    begins = store.query("SELECT min(seq) FROM carry")[0][0] if readable else 0
    store.write("UPDATE event SET happened_s = happened_s + 240 WHERE seq > ?", (begins,))
    if readable:
        store.write("DELETE FROM carry WHERE seq > ?", (begins,))
    else:
        store.write("UPDATE carry SET body = '{}'")
        store.write("UPDATE notice SET cycle = cycle + 1")
        for run, number, body in store.query("SELECT run, number, body FROM cycle ORDER BY number DESC"):
            higher = json.dumps(json.loads(body) | {"number": number + 1})
            store.write(
                "UPDATE cycle SET number = ?, body = ? WHERE run = ? AND number = ?", (number + 1, higher, run, number)
            )
    store.close()
    again = Kitchen(tmp_path / "s.db", END_S)
    again.to(END_S + 120)
    stand = not_superseded(again.events())
    assert sorted((e.kind, e.happened_at_s) for e in stand) == sorted((e.kind, e.happened_at_s) for e in right)
    assert again.notices() == notices
    assert again.state().cycle == kitchen.state().cycle
    run = again.store.open_run("rye")
    assert run is not None
    assert [cycle.number for cycle in again.store.cycles(run.id)] == [0, 1]
