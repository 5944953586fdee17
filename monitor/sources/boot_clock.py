"""When was it measured? A device without a clock counts milliseconds since its power-up (`up_ms`), and the broker may
hold its messages for hours. This module learns when each power-up was, and from that how long each message took.

It works on the daemon's monotonic clock, so a stepped wall clock changes nothing here. `ingest` turns the delay into a
time; the daemon may keep `snapshot()` over a restart, so that messages that waited meanwhile get the right time.

Method: a message that arrives at `at_s` with uptime `up_s` was not sent later than it came, so the power-up was at or
before `at_s - up_s`; the smallest such difference is the best estimate (minimum-delay filter, as in NTP's clock filter,
RFC 5905 section 10). A device's clock may be slow (ceramic resonators are off by up to 0.5 %), so while messages come
at the pace at which they were measured, the estimate may creep up by `DRIFT_RATIO` of the time that passed; in a burst
of held-back messages it stays.

A boot token that stays the same over a restart says nothing of it, and every reading would be dated back to the first
power-up. So an uptime that went down is a new power-up where there was time for one since the last message, and so is
a delay that stays the same over message after message.
"""

from __future__ import annotations

from dataclasses import dataclass
from threading import Lock

from monitor.values import DAY_S, Json

DRIFT_RATIO = 0.02  # four times a ceramic resonator's tolerance; costs 0.2 s a reading at 10 s if a message is late
WRAP_S = 2**32 / 1000  # millis() of a 32 bit counter starts again after 49.7 days
DELAY_MAX_S = 7 * DAY_S  # no broker or device is expected to hold a reading longer: the uptime was nonsense
ASLEEP_S = 0.5  # a board that sleeps between readings is at about the same uptime at each; none measures as often
HELD_S = 600.0  # what is held longer than this comes in a burst once it can; no line delays each message by as much
STEADY_RATIO = 0.1  # of the time between two messages: they came as far apart as they were measured
STEADY_TIMES = 5  # a backlog that is sent at about that pace by chance does not keep to it
BOOTS_MAX = 256  # power-ups remembered; a device that sleeps deeply between readings makes a new one each time


@dataclass(slots=True)
class _Boot:
    at_s: float  # monotonic time at uptime zero, never too early by more than the drift
    last_up_s: float
    last_came_s: float
    sure: bool  # some message of it came without waiting
    steady: int = 0  # messages in succession with the same long delay


class BootClocks:
    """The power-ups of all devices, by jar and boot token; safe to use from several sources' threads."""

    def __init__(self, saved: Json = None, *, wall_s: float = 0.0, at_s: float = 0.0) -> None:
        """`saved` is an earlier `snapshot()`; `wall_s` and `at_s` are the two clocks now."""
        self._lock = Lock()
        self._boots: dict[tuple[str, str], _Boot] = {}
        for row in saved if isinstance(saved, list) else []:
            match row:
                case [str(jar), str(boot), int() | float() as power_up_s, int() | float() as up_s]:
                    self._boots[jar, boot] = _Boot(power_up_s - wall_s + at_s, up_s, float("-inf"), True)

    def delay_s(self, jar: str, boot: str | None, up_ms: float, at_s: float, *, waited: bool) -> float | None:
        """Seconds from measuring to `at_s`, where the message came in; None while that cannot be known.

        `waited`: the broker may have held it back, so a power-up that was never heard of cannot be dated by it.
        Without a boot token an uptime that goes down is a new power-up.
        """
        up_s = up_ms / 1000
        with self._lock:
            known = self._boots.pop((jar, boot or ""), None)
            if known and up_s < WRAP_S:
                up_s += max(0, round((known.last_up_s - up_s) / WRAP_S)) * WRAP_S
            if known and boot is None and up_s < known.last_up_s:
                known = None
            if known and not waited and _began_again(known, up_s, at_s):
                known = None
            if known and at_s - up_s - known.at_s > DELAY_MAX_S:
                known = None
            if known is None:
                known = _Boot(at_s - up_s, up_s, at_s, not waited)
            else:
                _learn(known, up_s, at_s, waited)
            self._boots[jar, boot or ""] = known  # newest last
            if len(self._boots) > BOOTS_MAX:
                del self._boots[next(iter(self._boots))]
            return max(0.0, at_s - up_s - known.at_s) if known.sure else None

    def snapshot(self, *, wall_s: float, at_s: float) -> Json:
        """What to keep over a restart: `[jar, boot, Unix seconds of the power-up, uptime in seconds]` each."""
        with self._lock:
            return [
                [jar, boot, known.at_s + wall_s - at_s, known.last_up_s]
                for (jar, boot), known in self._boots.items()
                if known.sure
            ]


def _began_again(known: _Boot, up_s: float, at_s: float) -> bool:
    """Whether the device was switched on again since its last message; one that came twice has the same uptime."""
    earlier = up_s < known.last_up_s + ASLEEP_S and up_s != known.last_up_s
    return earlier and up_s <= at_s - known.last_came_s


def _learn(known: _Boot, up_s: float, at_s: float, waited: bool) -> None:
    measured_apart_s, came_apart_s = up_s - known.last_up_s, at_s - known.last_came_s
    at_pace = measured_apart_s > 0 and 0.5 * measured_apart_s <= came_apart_s <= 2 * measured_apart_s
    delay_s = at_s - up_s - known.at_s
    same = at_pace and not waited and abs(came_apart_s - measured_apart_s) <= STEADY_RATIO * measured_apart_s
    known.steady = known.steady + 1 if same and delay_s > HELD_S else 0
    if delay_s < 0 or known.steady == STEADY_TIMES:
        known.at_s = at_s - up_s
    elif at_pace:
        known.at_s += min(delay_s, DRIFT_RATIO * measured_apart_s)
    known.sure = known.sure or at_pace or not waited
    known.last_up_s = up_s
    known.last_came_s = at_s
