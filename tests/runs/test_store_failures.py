"""What is committed stays, once and in order, through failing calls, kills and cut power."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.runs import outbox
from monitor.runs.store import Store, StoreTrouble
from monitor.sinks.recorder import Recorder
from monitor.values import (
    Arrival,
    Cycle,
    Fed,
    Rejected,
)
from tests.runs.stored import RYE, T, content, delivery, event, notice
from tests.servers import wait_until


class FailsAt:
    """The store's connection, whose n-th call fails as a broken disk does."""

    def __init__(self, db: sqlite3.Connection, n: int) -> None:
        self.db = db
        self.left = n

    def execute(self, *args: Any) -> sqlite3.Cursor:
        self.left -= 1
        if self.left == 0:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR
            raise error
        return self.db.execute(*args)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.db, name)


def scenario(store: Store) -> None:
    store.ensure_run(RYE, T)
    store.add([delivery(n) for n in range(3)], [Rejected(source="mqtt", received_s=T, reason="no JSON")])
    with store.writing():
        store.add_events("rye", 3, [event(0), event(1)])
        outbox.put(store, [notice(), notice(repeat=1)], T)
        store.put_cycle(Cycle(jar="rye", number=1, fed_at_s=T))
        store.save_carry("rye", 3, T, {"n": 3})


@pytest.mark.fault("D14")
def test_a_failure_of_any_call_leaves_all_or_nothing_and_is_got_over(tmp_path: Path) -> None:
    with Store.open(tmp_path / "whole.db") as whole:
        scenario(whole)
        expected = content(whole)
    n = 0
    while True:
        n += 1
        with Store.open(tmp_path / f"{n}.db") as store:
            real = store.database._db
            store.database._db = FailsAt(real, n)  # type: ignore[assignment]
            failed = False
            try:
                scenario(store)
            except StoreTrouble as trouble:
                failed = not trouble.lasting
                if not failed:
                    raise
            store.database._db = real
            found = content(store)
            assert found["item"] in ([], expected["item"])
            decided = ("event", "notice", "cycle", "carry")
            assert [found[t] for t in decided] in ([[]] * 4, [expected[t] for t in decided])
            scenario(store)  # as after a restart: everything again
            assert content(store) == expected
        if not failed:
            break
    assert n > 25


def write_for_ever(path: Path, n: int, say: int) -> None:
    """What the killed process does: commit a batch, then acknowledge it by saying how many rows there are."""
    store = Store.open(path)
    while True:
        size = 1 + n * 7919 % 23
        assert None not in store.add([delivery(k, boot="a", seq=k) for k in range(n, n + size)])
        n += size
        os.write(say, b"%d\n" % n)


@pytest.mark.fault("D4")
def test_nothing_acknowledged_is_lost_by_kill_9(tmp_path: Path) -> None:
    chance = random.Random(1)
    path = tmp_path / "jartide.db"
    acknowledged = 0
    for _ in range(20):
        heard, say = os.pipe()
        writer = os.fork()
        if writer == 0:
            try:
                write_for_ever(path, acknowledged, say)
            finally:
                os._exit(1)
        os.close(say)
        with open(heard, "rb") as lines:
            for _ in range(chance.randrange(1, 30)):
                acknowledged = int(lines.readline())
            os.kill(writer, signal.SIGKILL)
            os.waitpid(writer, 0)
            for line in lines:  # what it still said before it died
                acknowledged = int(line)
        with Store.open(path) as store:
            assert store.set_aside is None
            seqs = [n for (n,) in store.query("SELECT device_seq FROM item ORDER BY seq")]
            assert seqs == list(range(len(seqs)))
            assert len(seqs) >= acknowledged
            acknowledged = len(seqs)  # a commit that was not yet spoken of counts too
    assert acknowledged > 500


@pytest.mark.fault("D5")
def test_cut_power_leaves_a_whole_prefix(tmp_path: Path) -> None:
    """A log that ends anywhere, or whose end holds rubbish, gives the commits before that place and no part of one."""
    chance = random.Random(2)
    with Store.open(tmp_path / "jartide.db") as store:
        store.ensure_run(RYE, T)
        for n in range(40):
            with store.writing():
                store.add([delivery(10 * n + k) for k in range(10)])
                store.add_events("rye", 10 * n + 10, [event(n)])
        db = (tmp_path / "jartide.db").read_bytes()
        wal = (tmp_path / "jartide.db-wal").read_bytes()
    counts = set()
    for n in range(40):
        place = tmp_path / f"cut{n}"
        place.mkdir()
        length = chance.randrange(len(wal) // 4, len(wal))
        (place / "jartide.db").write_bytes(db)
        (place / "jartide.db-wal").write_bytes(wal[:length] + (b"" if n % 2 else chance.randbytes(5000)))
        with Store.open(place / "jartide.db") as store:
            if store.set_aside is not None:
                continue  # cut before the tables were there
            items = len(list(store.arrivals(None, 0)))
            assert items % 10 == 0
            assert store.query("SELECT count(*) FROM event") == [(items // 10,)]
            counts.add(items)
            assert store.add([delivery(1000)])[0] is not None
    assert len(counts) > 10


TELLER = """
import sys
from monitor.runs.store import Store
from monitor.values import Fed
store = Store.join(sys.argv[1])
for n in range(50):
    store.tell(Fed(time_s=1e9 + n, jar="rye"), 1e9 + n)
"""


def test_a_teller_and_the_daemon_write_at_the_same_time(store: Store) -> None:
    group = Recorder(store, 0)
    root = Path(__file__).parents[2]
    tellers = [subprocess.Popen([sys.executable, "-c", TELLER, str(store.path)], cwd=root) for _ in range(2)]
    arrivals: list[Arrival] = []
    sent = 0

    def work() -> bool:
        nonlocal sent
        running = any(teller.poll() is None for teller in tellers)
        for _ in range(7):
            group.take(delivery(sent), 0.0)
            sent += 1
        arrivals.extend(group.commit(0.0).arrivals)
        assert group.trouble is None
        return not running

    wait_until(work, "the end of the tellers", within_s=30)
    assert [teller.returncode for teller in tellers] == [0, 0]
    assert [a.seq for a in arrivals] == list(range(1, sent + 101))
    assert sum(isinstance(a.item, Fed) for a in arrivals) == 100
    assert arrivals == list(store.arrivals(None, 0))
