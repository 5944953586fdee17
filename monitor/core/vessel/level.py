"""Distance or echo, jar geometry and air -> level, volume and rise ratio. Formulas only; whether a reading is
believable is decided in `plausibility.py`, and how level moves in `trend.py` and `change_point.py`.
"""

from __future__ import annotations

from bisect import bisect_right
from math import exp, pi, sqrt

from monitor.settings import JarSettings
from monitor.values import Geometry, Reading, Straight, Tapered

PRESSURE_PA = 101_325.0  # weather moves the speed of sound by less than 0.01 %
CO2_AIR = 0.0004  # mole fraction in room air
# how far off a lid with the sensor in it is set back, one standard deviation: 1 or 2 mm (common practice, no source)
LID_SD_MM = 1.3

# How much carbon dioxide the headspace may hold (mole fraction): one standard deviation of what is not known, by how
# freely the lid lets gas out. Each 1 % slows sound by 0.31 % (ideal-gas mixture, 25 degC, saturated).
CO2_SPREAD = {"open": 0.01, "loose": 0.05, "tight": 0.15}
SLOWER_PER_CO2 = 0.31

# Cramer 1993, J. Acoust. Soc. Am. 93(5):2510-2516, eq. 15; valid 0-30 degC, 75-102 kPa
_A = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8, -2.93e-10,
    -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip


def speed_of_sound(air_c: float, humidity_pct: float | None = None) -> float:
    """Metres a second in room air at `air_c` degC: dry after ISO 9613-1 when no humidity is given, else Cramer 1993
    (humid air, 0-30 degC, within 0.1 m/s of the dry form at 0 %)."""
    kelvin = air_c + 273.15
    if humidity_pct is None:
        return 343.2 * sqrt(kelvin / 293.15)
    p = PRESSURE_PA
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * air_c * air_c
    saturated_pa = exp(1.2811805e-5 * kelvin * kelvin - 1.9509874e-2 * kelvin + 34.04926034 - 6353.6311 / kelvin)
    water = humidity_pct / 100.0 * enhancement * saturated_pa / p
    a, t, c = _A, air_c, CO2_AIR
    return (
        a[0] + a[1] * t + a[2] * t * t
        + (a[3] + a[4] * t + a[5] * t * t) * water
        + (a[6] + a[7] * t + a[8] * t * t) * p
        + (a[9] + a[10] * t + a[11] * t * t) * c
        + a[12] * water * water + a[13] * p * p + a[14] * c * c + a[15] * water * p * c
    )  # fmt: skip


def echo_to_mm(echo_us: float, air_c: float, humidity_pct: float | None = None) -> float:
    """Distance in mm of a surface whose echo returns after `echo_us` microseconds (there and back).

    >>> round(echo_to_mm(1000.0, air_c=20.0), 1)  # sound at 20 degC: 343.2 m/s
    171.6
    """
    return echo_us * speed_of_sound(air_c, humidity_pct) / 2000.0


def distance_of(reading: Reading, temperature_c: float | None) -> float | None:
    """The reading's distance in mm; an echo is turned into one at the air's temperature (or the jar's, or 22 degC:
    a kitchen, 1.7 % of the distance for each 10 degC off). None when the reading holds neither."""
    if reading.distance_mm is not None:
        return reading.distance_mm
    if reading.echo_us is None:
        return None
    air_c = reading.air_c if reading.air_c is not None else temperature_c
    return echo_to_mm(reading.echo_us, 22.0 if air_c is None else air_c, reading.humidity_pct)


def headspace_sd_mm(distance_mm: float, jar: JarSettings) -> float:
    """One standard deviation of the slow error that carbon dioxide in the headspace puts on an echo; 0 for optical."""
    return distance_mm * SLOWER_PER_CO2 * CO2_SPREAD[jar.venting] if jar.sensor == "ultrasonic" else 0.0


def area_volume(geometry: Geometry, level_mm: float) -> float | None:
    """Volume below `level_mm` in mm3 for a shaped jar; None for a straight wall without a diameter. Never negative."""
    h = max(0.0, level_mm)
    if isinstance(geometry, Straight):
        return None if geometry.diameter_mm is None else pi / 4 * geometry.diameter_mm**2 * h
    if isinstance(geometry, Tapered):
        r0 = geometry.bottom_diameter_mm / 2
        r = r0 + (geometry.top_diameter_mm / 2 - r0) * h / geometry.height_mm
        return pi * h / 3 * (r0 * r0 + r0 * r + r * r)
    points = ((0.0, 0.0), *geometry.points)
    i = min(max(1, bisect_right([p[0] for p in points], h)), len(points) - 1)
    (h0, v0), (h1, v1) = points[i - 1], points[i]
    return 1000.0 * (v0 + (v1 - v0) * (h - h0) / (h1 - h0))


def volume_ml(geometry: Geometry, level_mm: float) -> float | None:
    """Volume below `level_mm` in ml; None for a straight wall without a diameter. Above a table's last point its last
    slope goes on. A frustum is pi h / 3 (r0^2 + r0 r + r^2)."""
    volume = area_volume(geometry, level_mm)
    return None if volume is None else volume / 1000.0


def rise_ratio(geometry: Geometry, level_mm: float, start_mm: float) -> float | None:
    """Volume at `level_mm` over volume at the starting level; None when the starting level is not above the bottom.

    >>> rise_ratio(Straight(), 90.0, 45.0)
    2.0
    >>> widening = Tapered(bottom_diameter_mm=70.0, top_diameter_mm=90.0, height_mm=150.0)
    >>> round(rise_ratio(widening, 90.0, 45.0), 2)
    2.17
    """
    if start_mm <= 0.0:
        return None
    here, start = area_volume(geometry, level_mm), area_volume(geometry, start_mm)
    if here is None or start is None:
        return max(0.0, level_mm) / start_mm
    return here / start if start > 0.0 else None


def rise_ratio_sd(
    geometry: Geometry, level_mm: float, start_mm: float, sd_mm: float, start_sd_mm: float
) -> float | None:
    """One standard deviation of the rise ratio by first-order propagation of both levels' spreads."""
    mid = rise_ratio(geometry, level_mm, start_mm)
    up, other = rise_ratio(geometry, level_mm + 1.0, start_mm), rise_ratio(geometry, level_mm, start_mm + 1.0)
    if mid is None or up is None or other is None:
        return None
    return sqrt(((up - mid) * sd_mm) ** 2 + ((other - mid) * start_sd_mm) ** 2)
