"""Turns the bytes of one message into something for the daemon's queue: what every source does, however they came.

`wire` reads the form; here the message gets its jar and its time and becomes a `Delivery`, or a `Rejected` with the
reason. Also here: the health of a source, which all sources report in the same words.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from dataclasses import replace

from monitor.core.display.refusals import Refusal
from monitor.host.clock import Moment
from monitor.settings import ReadField
from monitor.sources import general_form
from monitor.sources.boot_clock import BootClocks
from monitor.sources.wire import Message, Unreadable, parse
from monitor.values import DAY_S, Delivery, Reading, Rejected, SourceHealth

log = logging.getLogger(__name__)

Clock = Callable[[], float]

AHEAD_S = 120.0  # a device's clock may be this far ahead, as badly set clocks are; else the time of receipt counts
BEHIND_S = 7 * DAY_S  # and this far behind, as a reading may have waited; beyond that the clock was never set
FIRST_S = 1_577_836_800.0  # 2020-01-01: a retained message may be old, but not older than any device of this form
SHOWN_MAX = 80  # characters of a refused message that are kept to be shown
UNKNOWN_MAX = 50  # names of unknown jars that are told apart


class SourceStatus:
    """How a source is doing. `report` logs every change once; any thread may read `health`."""

    def __init__(self, name: str, wall: Clock = time.time, monotonic: Clock = time.monotonic) -> None:
        self._wall, self._monotonic = wall, monotonic
        self._since = self._now()
        self._heard: Moment | None = None
        self._health = SourceHealth(name=name, connected=False, trouble="not started", since_s=0.0, last_message_s=None)

    def message_came(self) -> None:
        """Note that something came."""
        self._heard = self._now()

    def report(self, *, connected: bool, trouble: str | None) -> None:
        """Set the state; `trouble` is one plain sentence, or None when all is well."""
        old = self._health
        if (old.connected, old.trouble) != (connected, trouble):
            self._since = self._now()
            self._health = replace(old, connected=connected, trouble=trouble)
            if trouble:
                log.warning("%s: %s", old.name, trouble)
            else:
                log.info("%s: %s", old.name, "connected" if connected else "stopped")

    def health(self) -> SourceHealth:
        """The state, since when, and when anything last came."""
        now, heard = self._now(), self._heard
        return replace(
            self._health,
            since_s=self._since.by(now.wall_s, now.monotonic_s),
            last_message_s=None if heard is None else heard.by(now.wall_s, now.monotonic_s),
        )

    def _now(self) -> Moment:
        return Moment(self._wall(), self._monotonic())


class Ingest:
    """Turns messages into deliveries for one source. `jar` is for messages that name none; `jars` are all that are
    watched here; messages for jars `elsewhere`, which another daemon watches, are ignored. `read` says where the
    quantities are in messages that are not of our own form; their local times are `offset_s` ahead of UTC."""

    def __init__(
        self,
        name: str,
        *,
        jars: frozenset[str],
        elsewhere: frozenset[str] = frozenset(),
        jar: str | None = None,
        bare_lines: bool = False,
        read: Mapping[str, ReadField] | None = None,
        offset_s: Callable[[float], float] = lambda _: 0.0,
        clocks: BootClocks | None = None,
        wall: Clock = time.time,
        monotonic: Clock = time.monotonic,
    ) -> None:
        self.name = name
        self._read = read
        self._offset_s = offset_s
        self._jars = jars
        self._elsewhere = elsewhere
        self._jar = jar
        self._bare_lines = bare_lines
        self._clocks = clocks or BootClocks()
        self._wall = wall
        self._monotonic = monotonic
        self._unknown: set[str] = set()
        self._wrong_clocks: dict[str, str] = {}  # jar -> sentence

    @property
    def clock_trouble(self) -> str | None:
        """One sentence while the latest time from some device cannot be right; else None."""
        return next(iter(self._wrong_clocks.values()), None)

    def take(
        self,
        payload: bytes,
        *,
        jar: str | None = None,
        again: bool = False,
        dup: bool = False,
        waited: bool = False,
        token: object = None,
    ) -> Delivery | Rejected | None:
        """The delivery in `payload`; None where it has nothing of what `read` looks for, and for a jar of another
        daemon's share. Never raises for anything that a device or a stranger can send.

        `jar` is the one that the topic names, which comes before the message's own. `waited` says that the broker may
        have held the message: if nothing in it says when it was measured, it is handed on as `again` and not `timed`.
        """
        if jar in self._elsewhere:
            return None
        try:
            if self._read:
                found = general_form.parse(payload, self._read, self._offset_s, self._wall())
                if found is None:
                    return None
                message = found
            else:
                message = parse(payload, bare_lines=self._bare_lines)
        except Unreadable as error:
            return self.refuse(error.key, payload, jar=jar if jar in self._jars else None, token=token)
        named = jar or message.jar or self._jar
        if named is None:
            return self.refuse(Refusal.NO_JAR, payload, token=token)
        if named in self._elsewhere:
            return None
        if named not in self._jars:
            return self.refuse(Refusal.UNKNOWN_JAR, self._unknown_name(named), token=token)
        received_s = self._wall()
        time_s, timed = self._measured(message, named, received_s, waited)
        return Delivery(
            source=self.name,
            received_s=received_s,
            reading=Reading(
                time_s=time_s,
                jar=named,
                distance_mm=message.distance_mm,
                echo_us=message.echo_us,
                temperature_c=message.temperature_c,
                air_c=message.air_c,
                humidity_pct=message.humidity_pct,
            ),
            boot=message.boot,
            seq=message.seq,
            timed=timed,
            again=again or (waited and not timed),
            dup=dup,
            token=token,
        )

    def refuse(self, reason: str, what: bytes | str, *, jar: str | None = None, token: object = None) -> Rejected:
        """A `Rejected` with a reason from `refusals` and the beginning of what came, made printable."""
        text = what if isinstance(what, str) else bytes(what[:SHOWN_MAX]).decode("utf-8", "backslashreplace")
        shown = text[:SHOWN_MAX]
        if not shown.isprintable():
            shown = "".join(c if c.isprintable() else repr(c)[1:-1] for c in shown)[:SHOWN_MAX]
        return Rejected(source=self.name, received_s=self._wall(), reason=reason, detail=shown, jar=jar, token=token)

    def _unknown_name(self, name: str) -> str:
        if name not in self._unknown and len(self._unknown) >= UNKNOWN_MAX:
            return "(more names)"
        self._unknown.add(name)
        return name

    def _measured(self, message: Message, jar: str, received_s: float, waited: bool) -> tuple[float, bool]:
        """(time_s, timed): the device's clock if it can be right, else its uptime, else the time of receipt."""
        if message.time_s is not None:
            behind_s = received_s - message.time_s
            if behind_s >= -AHEAD_S and (behind_s <= BEHIND_S or (waited and message.time_s >= FIRST_S)):
                self._wrong_clocks.pop(jar, None)
                return message.time_s, True
            side = "behind" if behind_s > 0 else "ahead"
            off = f"{_span(abs(behind_s))} {side}"
            words = f"the clock of the device at jar {jar} is {off}: its times are ignored; set its clock"
            self._wrong_clocks.setdefault(jar, words)
        if message.up_ms is not None:
            delay_s = self._clocks.delay_s(jar, message.boot, message.up_ms, self._monotonic(), waited=waited)
            if delay_s is not None:
                return received_s - delay_s, True
        return received_s, False


def _span(seconds: float) -> str:
    """A rough length of time: "3 min", "5 h", "20 days", "54 years"."""
    if seconds > 1e11:
        return "thousands of years"
    for size_s, unit in ((365.25 * 86400, "years"), (86400, "days"), (3600, "h")):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.0f} {unit}"
    return f"{seconds / 60:.0f} min"
