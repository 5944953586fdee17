"""All that is remembered of one jar, as one value that `vigil.step` owns and changes, and its way to JSON and back.

The parts are defined where they are used; nothing is decided here.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from monitor.core.detect.cycle import Ended, Open
from monitor.core.detect.snapshot import pack, restored
from monitor.core.detect.surface import Lid
from monitor.core.signal.bins import History, packed, unpacked
from monitor.core.signal.block import Minute
from monitor.core.signal.change_point import Scan, catch_up
from monitor.core.signal.noise import Noise
from monitor.core.signal.plausibility import Sieve
from monitor.core.signal.trend import Trend
from monitor.settings import JarSettings
from monitor.values import Carry, Json, Stage


@dataclass(slots=True)
class Watch:
    """What time alone decides: when anything was last heard, whether that is silence, and for how long it was cold."""

    last_row_s: float | None = None
    silent_since_s: float | None = None
    cold_since_s: float | None = None
    warm_since_s: float | None = None
    resting: bool = False
    rest_told: bool = False
    rest_since_s: float | None = None  # told, and the cycle that it began in had not rested before
    away_since_s: float | None = None
    away_told: bool = False


@dataclass(slots=True)
class Vigil:
    """Everything believed about one jar. Only `vigil.step` changes it; hand it on, do not look inside."""

    jar: JarSettings
    now_s: float = -1e18
    sieve: Sieve = field(default_factory=Sieve)
    minute: Minute = field(default_factory=Minute)
    lid: Lid = field(default_factory=Lid)
    noise: Noise = field(default_factory=Noise)
    trend: Trend = field(default_factory=Trend)
    history: History = field(default_factory=History)
    scan: Scan = field(default_factory=Scan)
    watch: Watch = field(default_factory=Watch)
    cycle: Open | None = None
    previous: Ended | None = None  # the cycle before, closed
    stage: str = Stage.UNKNOWN.value
    bottom_mm: float | None = None  # where the inside bottom is on the level scale; None: scale begins there
    empty_mm: float | None = None  # the empty distance in use (assumed when the jar's is unknown)
    learnt_bins: int = 0
    peak_tried_s: float | None = None  # when the peak's time was last fitted
    question: str | None = None
    carried: dict[str, Json] = field(default_factory=dict)  # the culture's own JSON
    hour: int = -1  # since the feeding, of the last forecast
    foreseen: dict[str, Json] = field(default_factory=dict)  # the last forecast, while it stands


_FIELDS = tuple(f.name for f in fields(Vigil) if f.name not in {"jar", "history", "scan"})
_ALWAYS = ("history", "now_s", "sieve", "noise", "watch", "cycle", "carried")  # without these nothing could go on


def freeze(vigil: Vigil) -> Carry:
    """The whole state as JSON, at most 64 kB, floats exact. What follows from the bins alone is left out."""
    return {"history": packed(vigil.history)} | {name: pack(getattr(vigil, name)) for name in _FIELDS}


def thaw(carry: Carry, jar: JarSettings) -> Vigil:
    """The state that `freeze` gave, behaving bit for bit the same from then on. What an older version did not remember
    yet keeps its default. Raises KeyError or TypeError when the carry is not one."""
    missing = [name for name in _ALWAYS if name not in carry]
    if missing:
        raise KeyError(f"not a carry: no {missing[0]}")
    vigil = Vigil(jar=jar, **restored(Vigil, {name: carry[name] for name in _FIELDS if name in carry}))
    vigil.history = unpacked(carry["history"])  # type: ignore[arg-type]
    catch_up(vigil.scan, vigil.history)
    return vigil
