"""`jartide calibrate`: walks a person through the empty jar and known fills, says what the sensor makes of them, and
writes the jar's part of the config. The arithmetic is in `vessel.calibration`, the edit in `toml_lines`."""

from __future__ import annotations

import csv
import io
import logging
import re
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.numbers import Within
from monitor.cli.opening import config_option, jar_from, json_option, put_json, refuse, settings_from
from monitor.config import edit
from monitor.config.toml_lines import toml_text
from monitor.core.signal.plausibility import FARTHEST_MM, NEAREST_MM, believable_temperature
from monitor.core.vessel.calibration import JarFit, Point, by_levels, by_volumes, point
from monitor.core.vessel.geometry import problem_with
from monitor.core.vessel.level import distance_of
from monitor.host import named_file
from monitor.runs.store import StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.values import Reading

if TYPE_CHECKING:
    from monitor.check.listen import Listener

READINGS = 5  # per level: two stray readings do not move the median of five
WAIT_S = 300.0  # enough for these at one reading each 30 s, with some lost
UNITS = {
    "mm": ("mm", 1.0),
    "cm": ("mm", 10.0),
    "in": ("mm", 25.4),
    "ml": ("ml", 1.0),
    "g": ("ml", 1.0),
    "": ("mm", 1.0),
}

INTRODUCTION = """\
You need the clean, empty jar under its sensor, and water; a kitchen scale is best (1 g of water is 1 ml).
Put the lid with the sensor on as it will always sit, for every fill too: its position is part of the measurement.
An optical sensor looks through glass and clear water: lay a sheet of white paper on the empty jar's bottom, and a disc
of it on the water, or stir in a spoonful of milk.
"""


@click.command()
@config_option
@click.option("--jar", "name", help="Which jar, if the config has several.")
@click.option("--from", "source", type=click.Path(path_type=Path), help="Read known fills from a CSV file instead.")
@click.option("--readings", type=click.IntRange(3, 200), default=READINGS, show_default=True, help="Readings per fill.")
@click.option(
    "--wait-s",
    type=Within(1, 3600),
    default=WAIT_S,
    show_default=True,
    help="Longest wait for them.",
)
@click.option("--write", is_flag=True, help="Write the result into the config file; a copy of the old one is kept.")
@json_option
def calibrate(
    config: Path, name: str | None, source: Path | None, readings: int, wait_s: float, write: bool, as_json: bool
) -> None:  # fmt: skip
    """Find a jar's empty distance and shape from known fills.

    The CSV file of --from has the columns known_mm (height of the fill above the inside bottom) or known_ml, and
    distance_mm: one line per reading, with known 0 for the empty jar. Exits with 1 if the fills do not agree.
    """
    if as_json and source is None:
        refuse("--json: goes with --from; without it, this asks for one fill after the other")
    settings = settings_from(config)
    if name is None:
        if len(settings.jars) != 1:
            refuse(f"--jar: say which; the jars are {', '.join(jar.name for jar in settings.jars)}")
        name = settings.jars[0].name
    jar = jar_from(settings, name)
    unit, fills = _from_csv(source) if source is not None else _by_hand(settings, jar, readings, wait_s)
    fills.sort(key=lambda fill: fill.known)
    try:
        fit = by_volumes(fills) if unit == "ml" else by_levels(fills)
    except ValueError as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    if not as_json:
        _report(unit, fills, fit)
    if fit.geometry is not None and (wrong := problem_with(fit.geometry)):
        click.echo(f"No jar is like that: {wrong}. Were the volumes in ml?", err=True)
        sys.exit(1)
    values: dict[str, object] = {"empty_mm": round(fit.empty_mm, 1)}
    if fit.geometry is not None:
        values["geometry"] = edit.geometry_value(fit.geometry)
    kept = _write(config, name, values) if write and not fit.doubtful else None
    if as_json:
        rows = [
            {f"known_{unit}": fill.known, "distance_mm": fill.distance_mm, "off_mm": residual}
            for fill, residual in zip(fills, fit.residuals_mm, strict=True)
        ]
        about = {"doubtful": fit.doubtful, "remarks": fit.remarks, "written_to": None if kept is None else str(config)}
        put_json({"jar": name, **values, "fills": rows, **about})
        sys.exit(1 if fit.doubtful else 0)
    click.echo(f'\n[[jar]]\nname = "{name}"')
    for key, value in values.items():
        click.echo(f"{key} = {toml_text(value)}")
    if fit.doubtful:
        click.echo("\nDo not use this: see above." + (" Nothing was written." if write else ""), err=True)
        sys.exit(1)
    if kept is not None:
        click.echo(f"\nWritten to {config}; the old file is {kept}. Restart `jartide watch` to use it.")
    else:
        click.echo(f"\nPut this into {config}, or run with --write.")


# --- the fills -----------------------------------------------------------------------------------------------------


def _by_hand(settings: Settings, jar: JarSettings, count: int, wait_s: float) -> tuple[str, list[Point]]:
    """Ask for one fill after another and gather readings over each."""
    from monitor.check.listen import listening

    logging.getLogger("monitor").addHandler(logging.NullHandler())  # what a source would log is printed here instead
    if not settings.any_source:
        refuse("there is no [[serial]] and no [[mqtt]] in the config: no reading can arrive")
    click.echo(INTRODUCTION)
    if jar.sensor == "ultrasonic":
        click.echo("An ultrasonic sensor needs fresh air in the jar: no starter, none of its gas.\n")
    try:
        with listening(settings) as listener:
            if listener.daemon is not None:
                click.echo("A daemon is watching: these fills become part of its record of the jar.\n")
            click.prompt("When the jar is empty and the lid is on, press Enter", default="", show_default=False)
            fills = [point(0.0, _gather(listener, jar, count, wait_s))]
            unit = ""
            while True:
                text = click.prompt(
                    "Next fill, like 250 ml or 40 mm (just Enter: no more)", default="", show_default=False
                ).strip()
                if not text:
                    return unit or "mm", fills
                try:
                    known, of = _known(text)
                except ValueError as error:
                    click.echo(str(error))
                    continue
                if unit and of != unit:
                    click.echo(f"One kind only: the others were in {unit}")
                    continue
                unit = of
                fills.append(point(known, _gather(listener, jar, count, wait_s)))
    except StoreTrouble as error:
        refuse(str(error))


def _gather(listener: Listener, jar: JarSettings, count: int, wait_s: float) -> list[float]:
    """Distances of readings that begin after now; the first may have been measured before and is left out."""
    from monitor.check.listen import wait

    begun = len(_distances(listener.received().readings.get(jar.name, ())))
    click.echo(f"  waiting for {count} readings ...")

    def enough(_: object) -> bool:
        return len(_distances(listener.received().readings.get(jar.name, ()))) > begun + count

    there = wait(listener, enough, wait_s)
    found = _distances(listener.received().readings.get(jar.name, ()))[begun + 1 :]
    if not there and len(found) < 3:
        troubles = [f"{one.name}: {one.trouble}" for one in listener.received().health if one.trouble]
        click.echo(f"Only {len(found)} readings of {jar.name} came within {wait_s:.0f} s.", err=True)
        for trouble in troubles or ["`jartide check` looks for the reason"]:
            click.echo(trouble, err=True)
        sys.exit(1)
    click.echo("  " + "  ".join(f"{distance:.1f}" for distance in found) + " mm")
    return found


def _distances(readings: Iterable[Reading]) -> list[float]:
    found: list[float] = []
    temperature_c: float | None = None
    for reading in readings:
        temperature_c = believable_temperature(reading.temperature_c) or temperature_c
        distance_mm = distance_of(reading, temperature_c)
        if distance_mm is not None and NEAREST_MM <= distance_mm <= FARTHEST_MM:
            found.append(distance_mm)
    return found


def _known(text: str) -> tuple[float, str]:
    """(number, "mm" or "ml") of a fill as typed. Raises ValueError."""
    match = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*([a-z]*)", text.strip().lower())
    if match is None or match[2] not in UNITS:
        raise ValueError(f"{text}: write a height such as 40 mm, or a volume such as 250 ml")
    unit, factor = UNITS[match[2]]
    known = float(match[1].replace(",", ".")) * factor
    if known <= 0:
        raise ValueError("0 is the empty jar, which has been measured already")
    return known, unit


def _from_csv(path: Path) -> tuple[str, list[Point]]:
    try:
        lines = io.StringIO(named_file.text_of(path), newline="")
        table = csv.DictReader(line for line in lines if not line.startswith("#"))
        columns = set(table.fieldnames or ())
        units = [unit for unit in ("mm", "ml") if f"known_{unit}" in columns]
        if "distance_mm" not in columns or len(units) != 1:
            refuse(f"{path}: its columns must be known_mm or known_ml, and distance_mm")
        fills: dict[float, list[float]] = {}
        for number, row in enumerate(table, start=2):
            try:
                known, distance = float(row[f"known_{units[0]}"]), float(row["distance_mm"])
                if not (0 <= known < 1e5 and NEAREST_MM <= distance <= FARTHEST_MM):
                    raise ValueError
            except (TypeError, ValueError):
                refuse(f"{path}, row {number}: needs two numbers, the distance {NEAREST_MM:g} to {FARTHEST_MM:g} mm")
            fills.setdefault(known, []).append(distance)
    except (OSError, UnicodeDecodeError) as error:
        refuse(f"{path}: cannot be read: {getattr(error, 'strerror', None) or 'not UTF-8'}")
    except csv.Error as error:
        refuse(f"{path}: is not a CSV file: {error}")
    if 0 not in fills:
        refuse(f"{path}: has no reading over the empty jar (known_{units[0]} = 0)")
    return units[0], [point(known, distances) for known, distances in sorted(fills.items())]


# --- what comes out ------------------------------------------------------------------------------------------------


def _report(unit: str, fills: Sequence[Point], fit: JarFit) -> None:
    click.echo("\n   known     reads  off the fit")
    for fill, residual in zip(fills, fit.residuals_mm, strict=True):
        click.echo(f"{fill.known:5g} {unit}  {fill.distance_mm:6.1f} mm  {residual:+6.1f} mm")
    for remark in fit.remarks:
        click.echo(f"\n{remark}")


def _write(config: Path, jar: str, values: dict[str, object]) -> Path:
    """Put the values into the jar's table of the file; returns where the old file is. Exits with 2 when it cannot."""
    try:
        text = edit.read(config)
        return edit.save(config, edit.changed(text, edit.jar_table(text, jar), values))
    except edit.CannotEdit as error:
        refuse(f"{config}: not changed: {error}; add the lines above by hand")
