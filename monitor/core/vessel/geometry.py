"""The shape of a jar as text and back, and whether it can be a jar at all.

Pure. `monitor.config.reader` and the run-file header come in through here; `level.py` turns a geometry and a level
into a volume. Nothing here knows about sensors.
"""

from __future__ import annotations

import math
from itertools import pairwise

from monitor.values import Geometry, Straight, Tapered, VolumeTable

# Inner diameters of what people keep a starter in, from a spice jar to a bakery's tub. Outside of this a number is in
# the wrong unit (cm, inches) or not a diameter.
DIAMETER_MM = (20.0, 600.0)
# Heights of the same vessels, inside.
HEIGHT_MM = (20.0, 1000.0)
# Cross-section in ml per mm of height (1 ml/mm = 1000 mm2) that goes with those diameters: a table outside of it is in
# litres, in cm, or has its columns swapped.
SECTION_ML_PER_MM = tuple(math.pi / 4 * d * d / 1000 for d in DIAMETER_MM)

FORMS = "`straight`, `straight 85`, `tapered 70 90 140` or `table 40:200 80:420`"


def format_geometry(geometry: Geometry) -> str:
    """One line for a run file's header: `straight 85` (inner diameter, mm), `tapered 70 90 140` (diameters at the
    bottom and at the height, mm; the height, mm) or `table 40:200 80:420` (height, mm : volume, ml)."""
    match geometry:
        case Straight(diameter_mm=None):
            return "straight"
        case Straight(diameter_mm=float() | int() as diameter_mm):
            return f"straight {_plain(diameter_mm)}"
        case Tapered():
            sizes = (geometry.bottom_diameter_mm, geometry.top_diameter_mm, geometry.height_mm)
            return "tapered " + " ".join(_plain(size) for size in sizes)
        case VolumeTable():
            return "table " + " ".join(f"{_plain(height)}:{_plain(volume)}" for height, volume in geometry.points)
    raise TypeError(f"not a geometry: {geometry!r}")


def parse_geometry(text: str) -> Geometry:
    """What `format_geometry` wrote. Raises ValueError, saying what would be right, for anything else and for a shape
    that cannot be a jar's (see `problem_with`)."""
    shape, *rest = text.split() or [""]
    try:
        match shape, len(rest):
            case "straight", 0:
                geometry: Geometry = Straight()
            case "straight", 1:
                geometry = Straight(diameter_mm=float(rest[0]))
            case "tapered", 3:
                bottom, top, height = (float(size) for size in rest)
                geometry = Tapered(bottom_diameter_mm=bottom, top_diameter_mm=top, height_mm=height)
            case "table", count if count > 0:
                geometry = table([(float(height), float(volume)) for height, volume in (p.split(":") for p in rest)])
            case _:
                raise ValueError(shape)
    except ValueError:
        raise ValueError(f"not a geometry: {text!r}; write {FORMS}") from None
    if wrong := problem_with(geometry):
        raise ValueError(f"geometry {text!r}: {wrong}")
    return geometry


def table(points: list[tuple[float, float]]) -> VolumeTable:
    """A volume table from (height_mm, volume_ml) points; (0, 0), which every table has, may be among them or not."""
    return VolumeTable(points=tuple(points[1:] if points and points[0] == (0, 0) else points))


def problem_with(geometry: Geometry) -> str | None:
    """What makes this shape impossible for a jar, as one clause, or None when nothing does."""
    match geometry:
        case Straight(diameter_mm=None):
            return None
        case Straight(diameter_mm=float() | int() as diameter_mm):
            return _outside("diameter_mm", diameter_mm, DIAMETER_MM, "mm")
        case Tapered():
            return (
                _outside("bottom_diameter_mm", geometry.bottom_diameter_mm, DIAMETER_MM, "mm")
                or _outside("top_diameter_mm", geometry.top_diameter_mm, DIAMETER_MM, "mm")
                or _outside("height_mm", geometry.height_mm, HEIGHT_MM, "mm")
            )
        case VolumeTable():
            return _problem_with_table(((0.0, 0.0), *geometry.points))
    raise TypeError(f"not a geometry: {geometry!r}")


def _problem_with_table(points: tuple[tuple[float, float], ...]) -> str | None:
    if len(points) < 2:
        return "points needs at least one [height_mm, volume_ml] above the inside bottom"
    for (low_mm, low_ml), (high_mm, high_ml) in pairwise(points):
        if not (math.isfinite(high_mm) and math.isfinite(high_ml) and high_mm > low_mm and high_ml > low_ml):
            return (
                f"points must rise in both columns, but [{_plain(high_mm)}, {_plain(high_ml)}] "
                f"follows [{_plain(low_mm)}, {_plain(low_ml)}]"
            )
        section = (high_ml - low_ml) / (high_mm - low_mm)
        if not SECTION_ML_PER_MM[0] <= section <= SECTION_ML_PER_MM[1]:
            across_mm = math.sqrt(section * 1000 * 4 / math.pi)
            return (
                f"between {_plain(low_mm)} and {_plain(high_mm)} mm the points make the jar {across_mm:.3g} mm wide; "
                "points are [height in mm, volume in ml]"
            )
    return _outside("the highest point", points[-1][0], HEIGHT_MM, "mm")


def _outside(name: str, value: float, allowed: tuple[float, float], unit: str) -> str | None:
    low, high = allowed
    return None if low <= value <= high else f"{name} = {_plain(value)} must be {low:g} to {high:g} {unit}"


def _plain(number: float) -> str:
    """The shortest text that reads back as the same number, without a needless `.0`."""
    return repr(float(number)).removesuffix(".0")
