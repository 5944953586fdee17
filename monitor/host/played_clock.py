"""The clock of a played night, shared between the one who plays it (`jartide demo`, `jartide simulate --clock FILE`)
and those who watch it (`jartide watch --clock FILE`, commands about its store): all then agree with the readings.

A night that is sped up ends at the real time, so this clock begins in the past, runs fast, and after that is the
ordinary clock. The file exists as long as the night is played.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from monitor.host import named_file
from monitor.host.clock import Clock


class NoPlayedClock(ValueError):
    """The file is not such a clock; the text says so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedClock:
    """At the real time `began_s` it showed `shown_s` (Unix seconds both), and runs `speed` times as fast until it has
    caught up with the real one. At a speed of 0 it stands."""

    began_s: float
    shown_s: float
    speed: float

    def at(self, real_s: float) -> float:
        """What it shows at a real time."""
        if self.speed == 0.0:
            return self.shown_s
        return min(self.shown_s + (real_s - self.began_s) * self.speed, real_s) if self.speed > 1.0 else real_s

    @property
    def ends_s(self) -> float:
        """When it has caught up; at once where it is no faster, and never while it stands."""
        if self.speed == 0.0:
            return math.inf
        if self.speed <= 1.0:
            return self.began_s
        return self.began_s + (self.began_s - self.shown_s) / (self.speed - 1.0)

    def clock(self, real: Callable[[], float] = time.time) -> Clock:
        """This clock for the daemon."""

        def now_s() -> float:
            return self.at(real())

        return Clock(wall=now_s, monotonic=now_s, speed=self.speed)


def write(path: Path, clock: PlayedClock) -> None:
    """Write the clock to a file, for others. Raises OSError."""
    part = path.with_name(f".{path.name}.part")
    part.write_text(json.dumps(asdict(clock)) + "\n", encoding="utf-8")
    part.replace(path)


def beside(store: Path) -> Path:
    """The file in which a daemon that watches a played night leaves its clock, for commands about its store."""
    return store.with_name(f"{store.name}.clock")


def now_s(store: Path, real_s: float) -> float:
    """What time it is for the daemon of this store: the real time where no night is played."""
    try:
        played = read(beside(store), real_s)
    except (NoPlayedClock, OSError):
        return real_s
    return real_s if played is None else played.at(real_s)


def read(path: Path, real_s: float) -> PlayedClock | None:
    """The clock of the night that is being played; None where there is none. Raises NoPlayedClock and OSError."""
    if path.is_fifo():  # nobody who asks for the time may have to wait
        raise NoPlayedClock("is a pipe, not a clock written by `jartide simulate --clock`")
    try:
        said = json.loads(named_file.text_of(path))
        clock = PlayedClock(**{key: float(value) for key, value in said.items()})
    except FileNotFoundError:
        return None
    except (ValueError, TypeError, AttributeError):
        raise NoPlayedClock("not a clock written by `jartide simulate --clock`") from None
    if not all(math.isfinite(value) for value in (clock.began_s, clock.shown_s, clock.speed)):
        raise NoPlayedClock("not a clock written by `jartide simulate --clock`")
    played_out = clock.speed > 1.0 and clock.ends_s < real_s  # left behind by a player that was killed
    return None if played_out else clock
