"""Devices count what they send: (boot, number) shows which readings came twice and which never arrived.

A device whose `boot` stays the same over a restart begins its numbers again under a token that is already in use. As
soon as a number comes with other values than before, or measured at another time, what follows is stored under a token
of our own, so nothing is lost. A device that sleeps between readings may begin again at each.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.runs import items
from monitor.runs.database import Database
from monitor.values import MEASURED, Delivery, Rejected

DOUBLE = "came twice: was stored already"
BEGUN_AGAIN = "numbers begun again under the same boot token: taken all the same"
MISSED = "never came: numbers of the device are missing"
_AGAIN = "\x1f"  # between a device's token and our count of its restarts: no token of a message may hold it
_LAST_RESTARTS = 20  # the latest ones, in which a message that comes again is looked for: no broker holds it longer
_SAME_TIME_S = 60.0  # the same uptime gives the same time whenever it comes, except for what a clock drifts
_LIKE_LATELY = 1000  # the latest items, in which a message without number and time is looked for when it comes again


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """`count` readings of a jar that were numbered by their device and never came, between two that did."""

    jar: str
    count: int
    from_s: float
    to_s: float


@dataclass(slots=True)
class _Counting:
    """How far a jar's device has counted, and whether each number was one more than the previous one."""

    boot: str
    number: int
    received_s: float
    by_one: bool


class DeviceNumbers:
    """What is known about the numbers of each jar's device, over one database connection."""

    def __init__(self, database: Database) -> None:
        self._db = database
        self._counting: dict[int, _Counting] = {}
        self._undone = database.undone
        self._refused: Counter[str] = Counter()  # of the last batch, by source: they had numbers as well

    @contextlib.contextmanager
    def batch(self, rejected: Sequence[Rejected]) -> Iterator[Batch]:
        """For the deliveries of one transaction, with what was refused in between. What was learnt in a transaction
        that failed is learnt again."""
        if self._undone != self._db.undone:
            self._counting.clear()
            self._undone = self._db.undone
        refused = Counter[str]()
        for one in rejected:
            refused[one.source] += one.count
        unexplained = self._refused + refused
        yield Batch(self._db, self._counting, unexplained)
        self._refused = unexplained & refused

    def missing(self, since_s: float) -> list[Missing]:
        """See `Store.missing`."""
        rows = self._db.query(
            """SELECT jar.name, count, from_s, to_s FROM missing JOIN jar ON jar.id = missing.jar WHERE to_s > ?
                ORDER BY from_s""",
            (since_s,),
        )
        return [Missing(jar=jar, count=count, from_s=from_s, to_s=to_s) for jar, count, from_s, to_s in rows]


class Batch:
    """The deliveries of one transaction."""

    def __init__(self, database: Database, counting: dict[int, _Counting], refused: Counter[str]) -> None:
        self._db, self._counting, self._refused = database, counting, refused
        self._said: dict[tuple[str, str], Rejected] = {}

    def said(self) -> list[Rejected]:
        """What else is counted, beside what was refused."""
        return list(self._said.values())

    def insert(self, delivery: Delivery, seq: int, run: int, jar: int, received_s: float) -> bool:
        """Insert one delivery as item `seq`; False when it was already there. Raises IntegrityError for a value beyond
        the store's limits."""
        row = items.row_of(delivery, seq, run, jar, received_s)
        if not items.numbered(delivery):
            if self._came_lately(delivery, jar, seq) or self._db.execute(items.INSERT, row).rowcount != 1:
                self._say(delivery, DOUBLE)
                return False
            return True
        boot, number = str(row[-2]).replace(_AGAIN, "?"), int(row[-1])
        token = self._token(jar, boot)
        double = delivery.dup and token != boot and self._is_stored(delivery, jar, boot, number)
        while not double and self._db.execute(items.INSERT, (*row[:-2], token, number)).rowcount != 1:
            double = self._is_stored(delivery, jar, boot, number)
            if not double:
                self._say(delivery, BEGUN_AGAIN)
                token = _restarted(boot, _restarts(token) + 1)
        if double:
            self._say(delivery, DOUBLE)
            return False
        self._count(delivery, jar, token, number)
        return True

    def _token(self, jar: int, boot: str) -> str:
        """The token that is stored for a device's boot token: the same, until its numbers began again."""
        known = self._counting.get(jar)
        if known is not None and known.boot.partition(_AGAIN)[0] == boot:
            return known.boot
        return self._newest(jar, boot)

    def _newest(self, jar: int, boot: str) -> str:
        sql = "SELECT boot FROM item WHERE jar = ? AND boot > ? AND boot < ? ORDER BY boot DESC LIMIT 1"
        rows = self._db.query(sql, (jar, f"{boot}{_AGAIN}", f"{boot}{chr(ord(_AGAIN) + 1)}"))
        return str(rows[0][0]) if rows else boot

    def _is_stored(self, delivery: Delivery, jar: int, boot: str, number: int) -> bool:
        """Whether this very reading is stored under its number, whichever restart it belongs to."""
        newest = _restarts(self._token(jar, boot))
        tokens = [boot, *(_restarted(boot, n) for n in range(max(newest - _LAST_RESTARTS, 0) + 1, newest + 1))]
        sql = f"SELECT timed, time_s, {', '.join(MEASURED)} FROM item WHERE jar = ? AND boot = ? AND device_seq = ?"
        return any(_is_same(delivery, row) for token in tokens for row in self._db.query(sql, (jar, token, number)))

    def _came_lately(self, delivery: Delivery, jar: int, seq: int) -> bool:
        """Whether a message without number and time, which the broker says it sent before, equals one that came
        lately."""
        if not (delivery.dup and items.unknown_time(delivery)):
            return False
        like = " AND ".join(f"{name} IS ?" for name in MEASURED)
        sql = f"SELECT 1 FROM item WHERE seq > ? AND jar = ? AND boot IS NULL AND timed = 0 AND told IS NULL AND {like}"
        return bool(self._db.query(sql, (max(seq - _LIKE_LATELY, 0), jar, *items.measured(delivery.reading))))

    def _count(self, delivery: Delivery, jar: int, token: str, number: int) -> None:
        """Follow the device's numbers, now that a new one is stored."""
        known = self._counting.get(jar)
        if known is None or known.boot != token:
            known = self._before(jar, token, number)
        now_s = delivery.reading.time_s if delivery.timed else delivery.received_s
        if known is None:
            self._counting[jar] = _Counting(token, number, now_s, by_one=False)
            return
        step = number - known.number
        if step <= 0:
            self._came_late(jar, token, number)
            return
        if step == 1:
            by_one = True
        else:
            by_one = known.by_one
            if by_one:
                self._miss(delivery, jar, known, number, now_s)
        self._counting[jar] = _Counting(token, number, now_s, by_one)

    def _before(self, jar: int, token: str, number: int) -> _Counting | None:
        """How far the device had counted when the daemon started."""
        sql = """SELECT device_seq, coalesce(time_s, received_s) FROM item
            WHERE jar = ? AND boot = ? AND device_seq <> ? ORDER BY device_seq DESC LIMIT 2"""
        rows = self._db.query(sql, (jar, token, number))
        if not rows:
            return None
        by_one = len(rows) == 2 and rows[0][0] - rows[1][0] == 1
        return _Counting(token, rows[0][0], rows[0][1], by_one)

    def _miss(self, delivery: Delivery, jar: int, known: _Counting, number: int, now_s: float) -> None:
        count = number - known.number - 1
        refused = min(count, self._refused[delivery.source])
        self._refused[delivery.source] -= refused
        count -= refused
        if not count:
            return
        self._db.execute(
            """INSERT INTO missing (jar, boot, after_number, before_number, count, from_s, to_s)
                VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING""",
            (jar, known.boot, known.number, number, count, min(known.received_s, now_s), now_s),
        )
        self._say(delivery, MISSED, count)

    def _came_late(self, jar: int, token: str, number: int) -> None:
        """A missing reading has come after all."""
        which = "WHERE jar = ? AND boot = ? AND after_number < ? AND before_number > ?"
        place = (jar, token, number, number)
        self._db.execute(f"DELETE FROM missing {which} AND count = 1", place)
        self._db.execute(f"UPDATE missing SET count = count - 1 {which}", place)

    def _say(self, delivery: Delivery, reason: str, count: int = 1) -> None:
        before = self._said.get((delivery.source, reason))
        self._said[delivery.source, reason] = Rejected(
            source=delivery.source,
            received_s=delivery.received_s,
            reason=reason,
            detail=f"boot {delivery.boot}, number {delivery.seq}" if items.numbered(delivery) else "",
            jar=delivery.reading.jar,
            count=count + (0 if before is None else before.count),
        )


def _is_same(delivery: Delivery, row: tuple[Any, ...]) -> bool:
    """Whether a row (timed, time, values) is this very reading. What a broker says that it may have sent before is
    known by its values: the clock may have been set meanwhile."""
    timed, time_s, *values = row
    if tuple(values) != items.measured(delivery.reading):
        return False
    dated = timed and delivery.timed and not delivery.again
    return not dated or abs(time_s - delivery.reading.time_s) <= _SAME_TIME_S


def _restarted(boot: str, times: int) -> str:
    """What stands for a device's token after so many restarts; the newest sorts last."""
    return f"{boot}{_AGAIN}{times:09d}"


def _restarts(token: str) -> int:
    """How often a device's numbers began again under its token, given the newest token of our own."""
    return int(token.partition(_AGAIN)[2] or 0)
