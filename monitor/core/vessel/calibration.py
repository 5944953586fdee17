"""What known fill levels say about a sensor and a jar: the empty distance, the scale, and whether it is linear at all.

Pure. `cli/calibrate.py` asks the person, gathers the readings and writes the config; here is only the arithmetic
(ordinary least squares, with the spread of each point known beforehand, so that four points are enough to judge by).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from monitor.core.vessel.geometry import table
from monitor.values import Geometry, Straight

RULER_MM = (
    1.0  # one standard deviation of a level read off a ruler held to a jar, or of a surface that is not quite flat
)
SURE = 3.0  # standard deviations from which on something is said: 1 in 370 by chance
SCALE_MATTERS = 0.02  # a scale that is off by less moves no decision: 2 mm on a rise of 100
BEND_MATTERS_MM = 2.0  # twice the ruler


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One fill: what is known of it (a level in mm or a volume in ml, 0 when empty) and what the sensor said."""

    known: float
    distance_mm: float
    sd_mm: float  # of that distance


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """distance = empty_mm - scale * level. `residuals_mm` is read minus fitted, in the order of the points."""

    empty_mm: float
    scale: float
    scale_sd: float
    residuals_mm: tuple[float, ...]
    bend_mm: float  # the most that a curve through the points departs from the line
    bend_sure: bool
    scattered: bool  # the points lie neither on a line nor on such a curve


@dataclass(frozen=True, slots=True, kw_only=True)
class JarFit:
    """What goes into the config, and what there is to say about it, a sentence each. Not to be used when `doubtful`."""

    empty_mm: float
    geometry: Geometry | None  # None: nothing was learnt about it
    residuals_mm: tuple[float, ...]
    remarks: tuple[str, ...]
    doubtful: bool = False


def point(known: float, distances_mm: Sequence[float]) -> Point:
    """The median of readings over one fill and its spread (1.4826 times the median deviation, over the root of their
    number, and a quarter more because a median scatters so much more than a mean). Raises ValueError without any."""
    if not distances_mm:
        raise ValueError("no reading")
    middle = median(distances_mm)
    spread_mm = 1.4826 * median(abs(distance - middle) for distance in distances_mm)
    return Point(known=known, distance_mm=middle, sd_mm=1.25 * spread_mm / math.sqrt(len(distances_mm)))


def fit_line(points: Sequence[Point]) -> LineFit:
    """Least squares on levels in mm, all points alike. One point (empty) gives the empty distance and a scale of 1.
    Raises ValueError when there is none, or when all are at one level."""
    if not points:
        raise ValueError("no reading over the empty jar")
    levels = [point.known for point in points]
    distances = [point.distance_mm for point in points]
    if len(points) == 1:
        return LineFit(
            empty_mm=distances[0] + levels[0],
            scale=1.0,
            scale_sd=math.inf,
            residuals_mm=(0.0,),
            bend_mm=0.0,
            bend_sure=False,
            scattered=False,
        )
    mean_level, mean_distance = sum(levels) / len(levels), sum(distances) / len(distances)
    around = [level - mean_level for level in levels]
    width = sum(x * x for x in around)
    if width == 0:
        raise ValueError("all fills are at one level")
    scale = -sum(x * (d - mean_distance) for x, d in zip(around, distances, strict=True)) / width
    residuals = [d - mean_distance + scale * x for x, d in zip(around, distances, strict=True)]
    sd_mm = math.hypot(RULER_MM, sum(point.sd_mm for point in points) / len(points))
    bend = _bend(around, residuals)
    curve_left = [r - b for r, b in zip(residuals, bend, strict=True)]
    free = len(points) - 3
    return LineFit(
        empty_mm=mean_distance + scale * mean_level,
        scale=scale,
        scale_sd=sd_mm / math.sqrt(width),
        residuals_mm=tuple(residuals),
        bend_mm=max(abs(b) for b in bend),
        bend_sure=math.sqrt(sum(b * b for b in bend)) > SURE * sd_mm,
        scattered=free > 0 and sum(r * r for r in curve_left) / sd_mm**2 > free + SURE * math.sqrt(2 * free),
    )


def by_levels(points: Sequence[Point]) -> JarFit:
    """From levels in mm above the inside bottom. Raises ValueError as `fit_line` does."""
    line = fit_line(points)
    remarks: list[str] = []
    if len(points) == 2:
        remarks.append("Two fills give a line that nothing can check: add one or two levels in between.")
    off = line.scale - 1.0
    if abs(off) > max(SCALE_MATTERS, SURE * line.scale_sd):
        more = "more" if off > 0 else "less"
        remarks.append(
            f"The scale is off: a rise of 100 mm is read as {100 * line.scale:.0f} mm, {abs(off):.0%} {more}. In a "
            "straight jar this does not affect the rise ratio; in any other, calibrate with weighed water (ml)."
        )
    bent = line.bend_sure and line.bend_mm > BEND_MATTERS_MM
    if bent:
        remarks.append(
            f"The sensor is not linear: its readings depart from a line by {line.bend_mm:.1f} mm. Does it see the "
            "jar's wall, or is a level outside its range? If you use weighed water (ml), the jar's table allows for "
            "the bend."
        )
    if line.scattered:
        worst = max(range(len(points)), key=lambda n: abs(line.residuals_mm[n]))
        where = f"at {points[worst].known:g} mm" if points[worst].known else "over the empty jar"
        glass = "" if points[worst].known else " Does it see through the bottom? Put a sheet of paper in."
        remarks.append(
            f"The fills do not fit together: {where} it reads {line.residuals_mm[worst]:+.1f} mm off the line. Measure "
            f"that again.{glass}"
        )
    return JarFit(
        empty_mm=line.empty_mm,
        geometry=None,
        residuals_mm=line.residuals_mm,
        remarks=tuple(remarks),
        doubtful=bent or line.scattered,
    )


def by_volumes(points: Sequence[Point]) -> JarFit:
    """From volumes in ml (weighed water); residuals go by rising volume. The heights are the sensor's own, so its scale
    and its bend cancel out.

    A straight wall is chosen when volume is proportional to height within the spread, else a table of the points.
    Raises ValueError without a reading over the empty jar, and when a fuller jar does not read nearer.
    """
    ordered = sorted(points, key=lambda point: point.known)
    if len(ordered) < 2 or ordered[0].known != 0:
        raise ValueError("volumes need a reading over the empty jar (0 ml) and at least one fill")
    empty = ordered[0]
    heights = [empty.distance_mm - point.distance_mm for point in ordered]
    for (lower, upper), point in zip(pairwise(heights), ordered[1:], strict=True):
        if upper <= lower:
            raise ValueError(f"at {point.known:g} ml the sensor reads no nearer than with less water: measure it again")
    volumes = [point.known for point in ordered]
    section = sum(v * h for v, h in zip(volumes, heights, strict=True)) / sum(h * h for h in heights)  # ml per mm
    residuals = [volume / section - height for volume, height in zip(volumes, heights, strict=True)]
    sd_mm = math.hypot(RULER_MM, math.hypot(empty.sd_mm, max(point.sd_mm for point in ordered)))
    remarks: list[str] = []
    if len(ordered) == 2:
        remarks.append("One fill cannot tell a straight wall from a tapered one: add two or three more.")
    straight = max(abs(residual) for residual in residuals) <= SURE * sd_mm
    geometry: Geometry
    if straight:
        geometry = Straight(diameter_mm=round(math.sqrt(4000 * section / math.pi), 1))
    else:
        remarks.append("The wall is not straight: the volumes are written into the config as a table.")
        geometry = table([(round(height, 1), volume) for height, volume in zip(heights, volumes, strict=True)])
    kept = tuple(residuals) if straight else (0.0,) * len(ordered)
    return JarFit(empty_mm=empty.distance_mm, geometry=geometry, residuals_mm=kept, remarks=tuple(remarks))


def _bend(around: Sequence[float], residuals: Sequence[float]) -> list[float]:
    """How far the best parabola departs from the best line, at each point: the part of x squared that no line
    explains, scaled to the residuals by least squares."""
    count = len(around)
    squares = [x * x for x in around]
    mean_square = sum(squares) / count
    slope = sum(x * s for x, s in zip(around, squares, strict=True)) / mean_square / count
    curve = [s - mean_square - slope * x for x, s in zip(around, squares, strict=True)]
    size = sum(c * c for c in curve)
    if count < 4 or size < 1e-9 * mean_square**2:  # three points always lie on a parabola
        return [0.0] * count
    factor = sum(c * r for c, r in zip(curve, residuals, strict=True)) / size
    return [factor * c for c in curve]
