"""A sensor calibrated on the page: what it reads over known fills, and the jar that fits them (`core.vessel`)."""

from __future__ import annotations

import math

from monitor.config.edit import geometry_value
from monitor.core.vessel.calibration import JarFit, by_levels, by_volumes, point
from monitor.core.vessel.geometry import problem_with
from monitor.core.vessel.level import distance_of
from monitor.runs.report_body import Refused, table_of
from monitor.runs.store import Store
from monitor.runs.stretch import readings_of
from monitor.values import Json

MOST_READINGS = 60
MOST_FILLS = 40
BACK_S = 3600.0  # further back nobody has just poured anything in


def distances(store: Store, jar: str, since_s: float, now_s: float) -> Json:
    """What the sensor of a jar has read since a time, mm, the latest last. Raises StoreTrouble."""
    run = store.open_run(jar)
    found: list[Json] = []
    warm_c: float | None = None
    if run is not None:
        for reading in readings_of(store, run, max(since_s, now_s - BACK_S), now_s + BACK_S):
            warm_c = reading.temperature_c if reading.temperature_c is not None else warm_c
            distance_mm = distance_of(reading, warm_c)
            if distance_mm is not None:
                found.append([reading.time_s, round(distance_mm, 2)])
    return {"jar": jar, "readings": found[-MOST_READINGS:]}


def fit(body: object) -> Json:
    """The empty distance and the shape of a jar from known fills: [[known, [distances_mm]]], the empty jar at 0.
    Raises Refused."""
    given = table_of(body, ("unit", "fills"))
    unit, fills = given.get("unit"), given.get("fills")
    if unit not in ("mm", "ml") or not isinstance(fills, list) or not 1 <= len(fills) <= MOST_FILLS:
        raise Refused(f"unit: mm or ml; fills: 1 to {MOST_FILLS} of [known, [distances in mm]]")
    points = []
    for one in fills:
        if not isinstance(one, list) or len(one) != 2:
            raise Refused("fills: each is [known, [distances in mm]]")
        known, read = one
        if not _is_number(known) or not isinstance(read, list) or not read or not all(map(_is_number, read)):
            raise Refused("fills: each is [known, [distances in mm]]")
        points.append(point(float(known), [float(mm) for mm in read]))
    points.sort(key=lambda one: one.known)
    if points[0].known != 0.0:
        raise Refused("fills: the empty jar, at 0, is missing", 409)
    try:
        return _fitted(by_volumes(points) if unit == "ml" else by_levels(points))
    except (ValueError, OverflowError) as error:
        raise Refused(str(error), 409) from None


def _fitted(made: JarFit) -> Json:
    wrong = None if made.geometry is None else problem_with(made.geometry)
    return {
        "empty_mm": round(made.empty_mm, 1),
        "geometry": None if made.geometry is None or wrong else geometry_value(made.geometry),
        "residuals_mm": [round(mm, 2) for mm in made.residuals_mm],
        "remarks": [*made.remarks, *([f"No jar is like that: {wrong}. Were the volumes in ml?"] if wrong else [])],
        "doubtful": made.doubtful or wrong is not None,
    }


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and 0 <= value < 1e5
