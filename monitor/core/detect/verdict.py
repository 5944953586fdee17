"""What is said at a closed bin about the start of the fall: values only, decided in `fall.py`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.core.signal.change_point import FALL_Z
from monitor.values import Json


class Gate(StrEnum):
    """What holds a fall back, in the order asked."""

    NO_RISE = "no_rise"  # no rise was seen in this cycle
    CLOSED = "closed"  # the cycle is over three days old
    NOT_LOWER = "not_lower"  # the level was never higher
    LOW_TOP = "low_top"  # the highest level is not far enough above the lowest for a rise
    SILENCE = "silence"  # it sank during a silence, and may have been fed in it
    FED_IN_SILENCE = "fed_in_silence"  # and the rise since shows that it was
    NOISE = "noise"  # the drop is within noise and wander
    HEADSPACE = "headspace"  # gas above the dough could feign as much to an echo
    SAG = "sag"  # it may be a sag on the way up
    STEPPING = "stepping"  # the latest blocks stand a step lower: hands, perhaps


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest bin's 25 min mean, with what it is measured against (mm): the lowest such mean of the cycle, its own
    spread, and the rise that counts as one. `at_s` is the middle of the mean."""

    level_mm: float
    foot_mm: float
    spread_mm: float
    needed_mm: float
    at_s: float


PAST_LIKELY = 0.5  # "at its peak" means that the top is more likely past than not
FITS_LEAST = 0.5  # the chance that this cycle is like the earlier ones: below it memory says nothing


@dataclass(frozen=True, slots=True)
class MemoryEvidence:
    """What earlier cycles say at a bin: how many there were, how likely this one is like them (`fits`), how likely its
    top is past and when it then was (`top_at_s`), how far the level should have sunk since, and the z to ask for."""

    cycles: int
    fits: float
    past: float
    top_at_s: float
    drop_mm: float
    needed_z: float

    @property
    def top_past(self) -> bool:
        """Whether the top is more likely past than not."""
        return self.fits >= FITS_LEAST and self.past >= PAST_LIKELY

    def evidence(self) -> dict[str, Json]:
        """For an event: what memory contributed."""
        return {
            "cycles": self.cycles,
            "fits": round(self.fits, 3),
            "top_past": round(self.past, 3),
            "drop_mm": round(self.drop_mm, 2),
            "needed_z": self.needed_z,
        }


@dataclass(frozen=True, slots=True)
class FallVerdict:
    """Whether the fall has begun: it has when no gate refused. The evidence is `z`, which must reach `needed_z`, with
    the drop in mm. `topped`: the readings alone show that the top is past. `rose_mm` (for FED_IN_SILENCE): since the
    silence."""

    refused_by: Gate | None
    decided_at_s: float
    z: float = 0.0
    needed_z: float = FALL_Z
    drop_mm: float = 0.0
    topped: bool = False
    rose_mm: float = 0.0
    memory: MemoryEvidence | None = None

    @property
    def holds(self) -> bool:
        """Whether the fall has begun."""
        return self.refused_by is None
