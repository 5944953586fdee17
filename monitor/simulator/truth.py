"""What really happened in the jar: feedings, doings, true peaks and starts of fall, faults, and the chemistry now and
then. Nothing here comes from the sensor, so a detector can be judged by it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from monitor.simulator.random_numbers import Floats
from monitor.values import Json

SUNK_MM, WELL_SUNK_MM = 1.0, 5.0  # a fall that can be seen at all, and one that nobody overlooks
TOP_MM = 0.05  # the start of fall is the last time that the surface stood this near to its highest
ROSE_RATIO = 1.05  # volume over volume after feeding from which a rise has begun
CHEMISTRY_EVERY_S = 1800.0


@dataclass(slots=True, kw_only=True)
class TrueCycle:
    """One feeding and what came of it; times in Unix seconds, None for what did not come before the next feeding.

    The start of fall is the last time at the top before the surface sank by 1 mm; stirring or taking some begins a new
    rise, so only what came after counts. From `top_from_s` to `sunk_1mm_at_s` the surface was within 1 mm of its peak.
    """

    fed_at_s: float
    before_mm: float  # the surface just before it
    start_mm: float
    start_ml: float
    flour: str
    starter_g: float | None
    flour_g: float
    water_g: float
    rise_began_at_s: float | None = None
    peak_at_s: float | None = None
    peak_mm: float = 0.0
    peak_ratio: float = 1.0
    fall_began_at_s: float | None = None
    top_from_s: float | None = None
    sunk_1mm_at_s: float | None = None
    sunk_5mm_at_s: float | None = None
    _top_until_s: float = 0.0
    _climb: deque[tuple[float, float]] = field(default_factory=deque)  # (time, mm) of the last 1 mm below the peak


@dataclass(slots=True)
class JarTruth:
    """All that is true of one jar. `chemistry` stays empty unless it is wanted (a season is to take no memory)."""

    jar: str
    keep_chemistry: bool = True
    cycles: list[TrueCycle] = field(default_factory=list)
    doings: list[dict[str, Json]] = field(default_factory=list)
    faults: list[dict[str, Json]] = field(default_factory=list)
    chemistry: list[dict[str, Json]] = field(default_factory=list)
    _next_chemistry_s: float = 0.0

    def fed(self, cycle: TrueCycle) -> None:
        """A feeding begins a cycle."""
        self.cycles.append(cycle)

    def disturbed(self) -> None:
        """Stirred, or some taken: what rises from here on is a new rise of the same cycle."""
        if self.cycles:
            cycle = self.cycles[-1]
            cycle.peak_at_s = cycle.top_from_s = cycle.fall_began_at_s = cycle.sunk_1mm_at_s = cycle.sunk_5mm_at_s = (
                None
            )
            cycle.peak_mm, cycle.peak_ratio = 0.0, 1.0
            cycle._climb.clear()

    def saw(self, time_s: Floats, level_mm: Floats, volume_ml: Floats) -> None:
        """The true surface from minute to minute, in order."""
        if not self.cycles:
            return
        cycle = self.cycles[-1]
        for at_s, mm, ml in zip(time_s.tolist(), level_mm.tolist(), volume_ml.tolist(), strict=True):
            ratio = ml / cycle.start_ml
            if cycle.rise_began_at_s is None and ratio > ROSE_RATIO:
                cycle.rise_began_at_s = at_s
            if cycle.rise_began_at_s is None:
                continue
            if mm > cycle.peak_mm:
                cycle.peak_at_s, cycle.peak_mm, cycle.peak_ratio = at_s, mm, ratio
                cycle.fall_began_at_s = cycle.sunk_1mm_at_s = cycle.sunk_5mm_at_s = None
                cycle._climb.append((at_s, mm))
                while cycle._climb[0][1] < mm - SUNK_MM:
                    cycle._climb.popleft()
                cycle.top_from_s = cycle._climb[0][0]
            if mm >= cycle.peak_mm - TOP_MM:
                cycle._top_until_s = at_s
            elif cycle.fall_began_at_s is None and mm <= cycle.peak_mm - SUNK_MM:
                cycle.fall_began_at_s, cycle.sunk_1mm_at_s = cycle._top_until_s, at_s
            if cycle.sunk_5mm_at_s is None and mm <= cycle.peak_mm - WELL_SUNK_MM:
                cycle.sunk_5mm_at_s = at_s

    def wants_chemistry(self, at_s: float) -> bool:
        """Is it time for a row of the chemistry?"""
        if not self.keep_chemistry or at_s < self._next_chemistry_s:
            return False
        self._next_chemistry_s = at_s + CHEMISTRY_EVERY_S
        return True
