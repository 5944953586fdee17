"""Everything remembered about one jar, as one value that `step.py` owns and changes, and its conversion to JSON and
back.

The parts are defined where they are used; nothing is decided here. Floats go through JSON unchanged, so that a restored
jar behaves exactly, bit for bit, as the original would have.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field, fields, is_dataclass
from enum import StrEnum
from typing import Any, get_args, get_type_hints

from monitor.core.detect.cycle import ClosedCycle, OpenCycle
from monitor.core.detect.surface import Surface
from monitor.core.detect.verdict import FallVerdict
from monitor.core.signal.bins import BinSeries, packed, unpacked
from monitor.core.signal.block import OpenBlock
from monitor.core.signal.change_point import ScanMaxima, catch_up
from monitor.core.signal.curve_filter import CurveFilter
from monitor.core.signal.learnt_curve import DECIMALS, LearntCurve, Placed
from monitor.core.signal.noise import Noise
from monitor.core.signal.plausibility import Plausibility
from monitor.core.signal.trend import Trend
from monitor.settings import JarSettings
from monitor.values import Carry, Feeding, Json, Stage, flat


@dataclass(slots=True)
class Timers:
    """For what time alone decides: when anything last came, whether that is silence, since when it has been cold."""

    last_row_s: float | None = None
    silent_since_s: float | None = None
    cold_since_s: float | None = None
    warm_since_s: float | None = None
    resting: bool = False
    rest_reported: bool = False  # a person reported the rest, and only a person ends it
    rest_since_s: float | None = None  # since when, if reported and if its cycle had not rested before
    away_since_s: float | None = None
    is_away: bool = False


@dataclass(slots=True)
class DetectorState:
    """Everything believed about one jar. Only `step` changes it; others pass it on and do not look inside (`jar_state`
    is for them)."""

    jar: JarSettings
    now_s: float = -1e18
    plausibility: Plausibility = field(default_factory=Plausibility)
    open_block: OpenBlock = field(default_factory=OpenBlock)
    surface: Surface = field(default_factory=Surface)
    noise: Noise = field(default_factory=Noise)
    trend: Trend = field(default_factory=Trend)
    series: BinSeries = field(default_factory=BinSeries)
    scan: ScanMaxima = field(default_factory=ScanMaxima)
    timers: Timers = field(default_factory=Timers)
    cycle: OpenCycle | None = None
    previous: ClosedCycle | None = None  # the cycle before
    stage: Stage = Stage.UNKNOWN
    bottom_mm: float | None = None  # where the inside bottom is on the level scale; None: at 0
    empty_mm: float | None = None  # the empty distance in use (assumed when the jar's is unknown)
    learnt_bins: int = 0
    peak_tried_s: float | None = None  # when the peak's time was last fitted
    question: str | None = None
    carried: dict[str, Json] = field(default_factory=dict)  # what was learnt of the starter, as the model's own JSON
    forecast_hour: int = -1  # the hour since the feeding in which the last forecast was made
    forecast: dict[str, Json] = field(default_factory=dict)  # the last forecast, as long as it holds
    learnt: LearntCurve = field(default_factory=LearntCurve)  # of earlier cycles in this jar
    curve_filter: CurveFilter | None = None  # compares the current cycle with `learnt`
    verdict: FallVerdict | None = None  # of the newest bin, for `replay --explain`; not part of a carry
    not_so: tuple[str, ...] = ()  # events that never happened, as a person says (`superseded.py`); the store keeps them


_FIELDS = tuple(f.name for f in fields(DetectorState) if f.name not in {"jar", "series", "scan", "verdict", "not_so"})
_BINS_KEY = "history"  # the series in a carry
_ALWAYS = (_BINS_KEY, "now_s", "plausibility", "noise", "timers", "cycle", "carried")  # no carry is without these
# names in snapshots of 0.1, wherever they stand in it
FORMER_NAMES = {
    "sieve": "plausibility",
    "minute": "open_block",
    "lid": "surface",
    "watch": "timers",
    "hour": "forecast_hour",
    "foreseen": "forecast",
    "rest_told": "rest_reported",
    "away_told": "is_away",
    "flat_told": "flat_decided",
}


def snapshot(state: DetectorState) -> Carry:
    """The whole state as JSON, at most 64 kB, floats exact. What can be recomputed from the bins is left out."""
    return {_BINS_KEY: packed(state.series)} | {name: _plain(getattr(state, name)) for name in _FIELDS}


def restore(carry: Carry, jar: JarSettings) -> DetectorState:
    """The state that `snapshot` was given, which behaves exactly the same from there on. What an older version did not
    remember yet keeps its default. Raises KeyError or TypeError for what is no carry."""
    carry = _renamed(carry)
    missing = [name for name in _ALWAYS if name not in carry]
    if missing:
        raise KeyError(f"not a carry: no {missing[0]}")
    state = DetectorState(jar=jar, **_values(DetectorState, {name: carry[name] for name in _FIELDS if name in carry}))
    packed_bins = carry[_BINS_KEY]
    if not isinstance(packed_bins, dict):
        raise TypeError("not a carry: its bins are no object")
    state.series = unpacked(packed_bins)
    catch_up(state.scan, state.series)
    return state


def _plain(value: Any) -> Json:
    """A state dataclass (or a plain value within one) as JSON; lists are copied, arrays become lists."""
    if isinstance(value, StrEnum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        return {name: _plain(part) for name, part in flat(value).items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, array):
        return [round(one, DECIMALS) for one in value] if value.typecode == "f" else value.tolist()
    plain: Json = value
    return plain


def _renamed(data: dict[str, Json]) -> dict[str, Json]:
    """The JSON of an older version under today's names; not within `carried`, whose names are its own."""
    return {
        FORMER_NAMES.get(name, name): _renamed(value) if isinstance(value, dict) and name != "carried" else value
        for name, value in data.items()
    }


def _values(kind: type, data: dict[str, Any]) -> dict[str, Any]:
    """The fields of `kind` that `data` holds, as values. A field that it lacks will keep its default (written by an
    older version); one that the class lacks is left out."""
    hints = get_type_hints(kind)
    made: dict[str, Any] = {}
    for f in fields(kind):
        hint = hints[f.name]
        if hint is Feeding:
            made[f.name] = Feeding(**_values(Feeding, data))
        if f.name not in data:
            continue
        value = data[f.name]
        inner = next((h for h in (hint, *get_args(hint)) if is_dataclass(h)), None)
        if isinstance(inner, type) and isinstance(value, dict):
            made[f.name] = inner(**_values(inner, value))
        elif isinstance(inner, type) and isinstance(value, list):
            made[f.name] = [inner(**_values(inner, one)) if isinstance(one, dict) else inner(*one) for one in value]
        elif hint is array:
            made[f.name] = array("f" if kind is Placed else "d", value)
        elif isinstance(value, list):
            made[f.name] = [list(v) if isinstance(v, list) else v for v in value]
        elif isinstance(hint, type) and issubclass(hint, StrEnum):
            made[f.name] = hint(value)
        else:
            made[f.name] = value
    return made
