"""One night of one jar for tests of everything around detection: an invented curve with an obvious rise and fall.

Not for judging the detector: tests/bench and tests/recordings are.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

from monitor.values import Delivery, Reading

START_S = 1_772_474_400.0  # 2026-03-02 18:00 UTC
EMPTY_MM = 180.0


def level_mm(hours: float) -> float:
    """Starting level 40 mm, doubled at 6 h, then sinking by about 4 mm an hour."""
    rise = 40.0 / (1.0 + math.exp(-1.3 * (hours - 3.2)))
    return 40.0 + rise - (4.0 * (hours - 6.5) if hours > 6.5 else 0.0)


def night(
    jar: str = "rye", *, hours: float = 12.0, every_s: float = 30.0, seed: int = 1, start_s: float = START_S
) -> Iterator[Delivery]:
    """Deliveries from 10 min before a feeding (an old, sunk starter, then the lid off for 4 min) to its fall."""
    chance = random.Random(seed)
    for k in range(int((hours + 1 / 6) * 3600 / every_s)):
        time_s = start_s + k * every_s
        since_h = (time_s - start_s - 600.0) / 3600.0
        if since_h < 0:
            distance = EMPTY_MM - 62.0
        elif since_h < 4 / 60:
            distance = 8190.0 if k % 2 else 320.0
        else:
            distance = EMPTY_MM - level_mm(since_h)
        yield Delivery(
            source="test",
            received_s=time_s,
            reading=Reading(
                time_s=time_s,
                jar=jar,
                distance_mm=float(round(distance + chance.gauss(0.0, 0.7))),
                temperature_c=round(24.0 + 0.5 * math.sin(since_h), 2),
            ),
            boot="b1",
            seq=k,
            timed=True,
        )
