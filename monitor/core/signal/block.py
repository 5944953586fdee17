"""A minute's readings become one block: a robust mean, with how many readings are in it and how many showed no surface.

Between `plausibility.py` (single readings) and `surface.py` (what neighbouring blocks show). With slow sampling, a
block is a single reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field

MINUTE_S = 60.0  # what a block covers: a tick of the grid, in which dough moves by a fraction of a millimetre
LEAST_SPREAD_MM = 2.5  # what rounding to 1 mm and foam do within a minute, so that quiet sensors lose no readings
WILD_SDS = 4.0  # a value further from the median is no noise (once in 16,000)
NEXT_STEP = 1.2  # steps of a coarse sensor: the neighbouring one counts as the same surface


@dataclass(slots=True)
class OpenBlock:
    """The open minute: its number on the UTC grid, believable distances, and how many readings were no target."""

    number: int = -1
    distances_mm: list[float] = field(default_factory=list)
    times_s: float = 0.0  # sum
    bad_n: int = 0


@dataclass(slots=True)
class Block:
    """A closed minute: `distance_mm` is None when no reading in it was a surface."""

    time_s: float
    distance_mm: float | None
    n: int
    bad_n: int
    step_square: float  # sum of squared, clipped neighbour differences within the minute, mm2
    step_n: int


@dataclass(slots=True)
class LevelBlock:
    """A block as a level: the mean of `n` readings at `time_s`, in mm, the lid's offset taken out."""

    time_s: float
    level_mm: float
    n: float


@dataclass(slots=True)
class HeldBlock:
    """A block that may or may not belong to the surface, which is not known yet; `level_mm` is None where it shows
    none."""

    time_s: float
    level_mm: float | None
    n: float


def close(open_block: OpenBlock, noise_mm: float, rounds_to_mm: float = 0.0) -> Block:
    """Empty the open minute and return its block. Values further from the median than WILD_SDS standard deviations (or
    than LEAST_SPREAD_MM, or the next step of a coarse sensor, if that is more) count as no surface. Differences between
    neighbours, from which `noise.py` learns, are clipped at the same spread."""
    values = open_block.distances_mm
    n = len(values)
    spread = max(LEAST_SPREAD_MM, WILD_SDS * noise_mm, NEXT_STEP * rounds_to_mm)
    if n == 0:
        block = Block((open_block.number + 0.5) * MINUTE_S, None, 0, open_block.bad_n, 0.0, 0)
    elif n == 1:
        block = Block(open_block.times_s, values[0], 1, open_block.bad_n, 0.0, 0)
    else:
        ordered = sorted(values)
        middle = (ordered[(n - 1) // 2] + ordered[n // 2]) / 2.0
        low, high = middle - spread, middle + spread
        total, kept = 0.0, 0
        square, steps, before = 0.0, 0, None
        for v in values:
            if low <= v <= high:
                total += v
                kept += 1
                if before is not None:
                    square += min((v - before) ** 2, 2.0 * spread * spread)
                    steps += 1
                before = v
            else:
                before = None
        mean_mm = total / kept if kept else None  # None: two values disagree, and nobody knows which is the surface
        block = Block(open_block.times_s / n, mean_mm, kept, open_block.bad_n + n - kept, square, steps)
    open_block.distances_mm, open_block.times_s, open_block.bad_n, open_block.number = [], 0.0, 0, -1
    return block


def put(open_block: OpenBlock, number: int, time_s: float, distance_mm: float | None) -> None:
    """Put a reading into the open minute; a distance of None is "no target"."""
    open_block.number = number
    if distance_mm is None:
        open_block.bad_n += 1
    else:
        open_block.distances_mm.append(distance_mm)
        open_block.times_s += time_s


def end_s(open_block: OpenBlock) -> float:
    """When the open minute is over."""
    return (open_block.number + 1) * MINUTE_S
