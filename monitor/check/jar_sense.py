"""Does what a jar's sensor sends agree with what the config says about the jar? Pure: readings in, findings out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

from monitor.check import Finding
from monitor.core.detect.timeouts import silent_after_s
from monitor.core.display.units import Display, duration
from monitor.core.signal.plausibility import FARTHEST_MM, NEAREST_MM, believable_temperature
from monitor.core.vessel.level import CO2_SPREAD, SLOWER_PER_CO2, distance_of
from monitor.settings import JarSettings
from monitor.values import Reading, VolumeTable

BELOW_BOTTOM_MM = 5.0  # an empty jar may be read this much deeper than it was calibrated: noise, and the lid's seat
SCATTER_MM = 5.0  # the noisiest of the described sensors has 3 mm (ST DS11555, table 13, at the distances of jars)
WARMEST_C, LOOKS_LIKE_F = (
    45.0,
    120.0,
)  # no starter is kept warmer than the first; a warm kitchen in degF is below the second
MM_AND_C = Display()
VENTING = {
    "open": "venting = open means that at most a cloth covers it",
    "loose": "venting = loose means that the lid lies on loosely",
    "tight": "venting = tight means that the lid holds gas back; never seal a fermenting jar",
}


def judge(
    jar: JarSettings,
    readings: Sequence[Reading],
    *,
    show: Display = MM_AND_C,
    sources_well: bool = True,
    silent_s: float | None = None,
    sampling_s: float | None = None,
) -> Iterator[Finding]:
    """Findings about one jar from the readings that arrived for it, oldest first; there may be none. `silent_s` is the
    age of the daemon's last reading, `sampling_s` their usual interval. Readings are worded in the household's units,
    keys of the config in their own."""
    temperature_c = _temperature_c(readings)
    distances = [mm for reading in readings if (mm := distance_of(reading, temperature_c)) is not None]
    seen = [mm for mm in distances if NEAREST_MM <= mm <= FARTHEST_MM]
    if not readings:
        if silent_s is not None and silent_s <= silent_after_s(sampling_s, jar):
            words = f"nothing arrived just now, but {duration(silent_s)} ago it did: listen longer (--listen-s)"
            yield Finding(jar.name, "note", words)
            return
        last = "" if silent_s is None else f", the last time {duration(silent_s)} ago"
        why = ": does its device send exactly this name?" if sources_well else "; see the sources above"
        yield Finding(jar.name, "wrong", f"nothing arrived for this jar{last}{why}")
        return
    if not distances:
        yield Finding(jar.name, "wrong", "no distance arrived, only temperatures: is the distance sensor wired?")
    elif not seen:
        code = f"{distances[-1]:g}"
        yield Finding(
            jar.name, "wrong", f"the sensor sees nothing (it says {code}): is the jar under it and its window clean?"
        )
    else:
        yield from _level(jar, median(seen), show)
        yield from _rounding(jar, seen)
        if max(seen) - min(seen) > 2 * SCATTER_MM:
            yield Finding(
                jar.name,
                "note",
                f"distances scatter from {show.length(min(seen))} to {show.length(max(seen))}: does the sensor see the "
                "jar's wall, is its window wet, was the jar moved just now?",
            )
    yield from _temperature(jar, readings, show)
    yield from _sound(jar, readings, median(seen) if seen else 100.0)


def _rounding(jar: JarSettings, seen: Sequence[float]) -> Iterator[Finding]:
    """Whether all distances are whole or half centimetres; with at least two different ones, as a still jar shows
    nothing."""
    if len(set(seen)) < 2:
        return
    for step_mm in (10.0, 5.0):
        if all(distance_mm % step_mm == 0.0 for distance_mm in seen):
            yield Finding(
                jar.name,
                "note",
                f"every distance is a multiple of {step_mm:g} mm: its sensor or its firmware rounds, so a fall is seen "
                "late. Have it send millimetres, with decimals if it has them (firmware_notes/ says how)",
            )
            return


def _level(jar: JarSettings, distance_mm: float, show: Display) -> Iterator[Finding]:
    if jar.empty_mm is None:
        yield Finding(
            jar.name,
            "note",
            f"the surface is {show.length(distance_mm)} away; without empty_mm there is no level and no rise ratio: "
            f"`jartide calibrate --jar {jar.name}`",
        )
        return
    level_mm = jar.empty_mm - distance_mm
    away = f"the surface is {show.length(distance_mm)} away"
    again = f"was the sensor or the jar changed? `jartide calibrate --jar {jar.name}`"
    if level_mm < -BELOW_BOTTOM_MM:
        yield Finding(
            jar.name,
            "wrong",
            f"{away}, which is {show.length(-level_mm)} below the jar's bottom (empty_mm = {jar.empty_mm:g}): {again}",
        )
    elif jar.rim_mm is not None and level_mm > jar.rim_mm:
        yield Finding(
            jar.name,
            "wrong",
            f"{away}, so it is {show.length(level_mm)} high, above the rim (rim_mm = {jar.rim_mm:g}): {again}",
        )
    elif isinstance(jar.geometry, VolumeTable) and level_mm > jar.geometry.points[-1][0]:
        yield Finding(
            jar.name,
            "note",
            f"{away}, so it is {show.length(level_mm)} high, above the last point of the jar's table "
            f"({jar.geometry.points[-1][0]:g} mm): volumes above it are guessed",
        )
    else:
        standing = "the jar is empty" if level_mm < BELOW_BOTTOM_MM else f"it is {show.length(level_mm)} high"
        yield Finding(jar.name, "ok", f"{away}: {standing}")


def _temperature(jar: JarSettings, readings: Sequence[Reading], show: Display) -> Iterator[Finding]:
    given = [reading.temperature_c for reading in readings if reading.temperature_c is not None]
    if not given:
        yield Finding(
            jar.name, "note", "no temperature arrived: peaks are still detected, but forecasts and plans will be vague"
        )
        return
    latest = given[-1]
    if WARMEST_C < latest <= LOOKS_LIKE_F and latest != 85.0:
        yield Finding(jar.name, "wrong", f"the temperature is {latest:g}: is that degF? Devices must send degC")
    elif believable_temperature(latest) is None:
        yield Finding(
            jar.name,
            "wrong",
            f"the temperature is {latest:g}, which a failing probe sends: check its wires and resistor",
        )
    else:
        yield Finding(jar.name, "ok", f"the temperature is {show.temperature(latest)}")


def _sound(jar: JarSettings, readings: Sequence[Reading], distance_mm: float) -> Iterator[Finding]:
    echoes = any(reading.echo_us is not None for reading in readings)
    if echoes and jar.sensor == "optical":
        yield Finding(
            jar.name, "wrong", 'its device sends echoes, but the config says optical: write sensor = "ultrasonic"'
        )
    if jar.sensor != "ultrasonic":
        return
    spread_mm = distance_mm * SLOWER_PER_CO2 * CO2_SPREAD[jar.venting]
    yield Finding(
        jar.name,
        "note",
        "the starter's own carbon dioxide slows sound: with 20 % of it under the lid, 100 mm reads as 106 mm, which "
        f"looks like a fall. {VENTING[jar.venting]}: an error of {spread_mm:.1f} mm at {distance_mm:.0f} mm is allowed "
        "for, and a fall is recognised later. Optical sensors are not affected",
    )
    if not echoes and any(reading.distance_mm is not None for reading in readings):
        yield Finding(
            jar.name,
            "note",
            "its device works out the distance itself; if it sent echo_us, the temperature would be allowed for",
        )


def _temperature_c(readings: Sequence[Reading]) -> float | None:
    found = [c for reading in readings if (c := believable_temperature(reading.temperature_c)) is not None]
    return found[-1] if found else None
