"""What time it is, and whether the clock was set or the machine slept meanwhile. Only the daemon looks."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

STEP_S = 5.0  # network time slews by at most 0.5 ms a second; more than this between two looks is a step
SLEPT_S = 150.0  # a tick comes each minute, so two were missed: nobody listened, whatever the sensors sent


def since_boot_s() -> float:
    """Seconds since the machine started, with the time for which it was suspended: closing a laptop is no step of the
    clock."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """What time it is: `wall` in Unix seconds, `monotonic` in seconds since the machine started, never set. Tests and
    the demo bring their own."""

    wall: Callable[[], float] = field(default=time.time)
    monotonic: Callable[[], float] = field(default=since_boot_s)
    speed: float = 1.0  # seconds of these clocks in a real second


@dataclass(frozen=True, slots=True)
class Moment:
    """When something began, by the wall clock and by a monotonic one: "since" stays right when the clock is set."""

    wall_s: float
    monotonic_s: float

    def by(self, wall_s: float, monotonic_s: float) -> float:
        """When it began by the wall clock as that is now, which may have been set since then."""
        step_s = (wall_s - monotonic_s) - (self.wall_s - self.monotonic_s)
        return self.wall_s + step_s if abs(step_s) > STEP_S else self.wall_s


class ClockWatch:
    """Compares wall clock and monotonic clock when asked to; reports a step of more than 5 s, and a look that comes far
    too late.

    `stepped(offset_s, now_s)` is called with the new minus the old wall time and the new time, `slept(now_s)` when
    nobody has looked for SLEPT_S. With a monotonic clock that stands still while the machine is suspended, that time
    counts as a step forward.
    """

    def __init__(
        self,
        stepped: Callable[[float, float], None],
        clock: Clock | None = None,
        slept: Callable[[float], None] = lambda now_s: None,
    ) -> None:
        self._stepped, self._slept = stepped, slept
        self._clock = clock or Clock()
        self._looked_s = self._clock.monotonic()
        self._offset_s = self._clock.wall() - self._looked_s

    def look(self) -> float | None:
        """One look: the step since the last look in seconds, or None. Slow drift is ignored."""
        now_s, monotonic_s = self._clock.wall(), self._clock.monotonic()
        offset_s = now_s - monotonic_s
        step_s, self._offset_s = offset_s - self._offset_s, offset_s
        late_s, self._looked_s = monotonic_s - self._looked_s, monotonic_s
        stepped = abs(step_s) > STEP_S * self._clock.speed  # time passes between the two looks of this one
        if stepped:
            self._stepped(step_s, now_s)
        if late_s > SLEPT_S * self._clock.speed:
            self._slept(now_s)
        return step_s if stepped else None
