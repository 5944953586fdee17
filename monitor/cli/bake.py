"""`jartide bake`: the feedings on the way to a bake, backwards from the hour of mixing. Parses, asks `core.plan.bake`,
prints as a list, as JSON or as a calendar file. What was asked for a jar is kept, to be planned anew as the jar goes.
"""

from __future__ import annotations

import json
import re
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import click

from monitor.cli.numbers import Within
from monitor.cli.opening import config_option, form_options, in_zone, refuse, settings_from
from monitor.cli.plan import Known, known_of, warmth_from
from monitor.core.display.local_time import WEEKDAYS, minute_of_day
from monitor.core.display.units import Display
from monitor.core.plan import phrases
from monitor.core.plan.bake import BakePlan, Recipe
from monitor.core.plan.bake import bake as plan_bake
from monitor.core.plan.chain import awake
from monitor.core.plan.plain import bake_json
from monitor.core.plan.ripeness import seed_of
from monitor.host.time_zone import calendar, display
from monitor.runs import kept_bake, rfc3339
from monitor.runs.store import Store, StoreTrouble

CHANGED_S = 900.0  # a feeding that moves by less is not worth a word


@click.command(short_help="Feedings backwards from the hour you mix.")
@click.option("--history", "history_path", type=click.Path(path_type=Path), help="Past cycles: a CYCLES.csv.")
@click.option("--jar", "jar_name", help="A jar of the config: its cycles, what is in it now, its temperature.")
@click.option("--at", "wanted", help='When you mix: "Saturday 09:00", "09:00" or "2026-03-07 09:00", local time.')
@click.option("--flour-g", type=Within(1.0, 1e5), help="Flour of the dough, g.")
@click.option("--levain-pct", type=Within(1.0, 100.0), help="Ripe starter, % of that flour.  [default: 20]")
@click.option("--hydration-pct", type=Within(30.0, 300.0), help="Of the levain.  [default: as last fed, else 100]")
@click.option("--temperature-c", type=Within(-10.0, 60.0), help="Expected temperature, degC.")
@click.option("--keep-g", type=Within(1.0, 1e4), help="To keep back for the next feeding, g.  [default: 20]")
@click.option("--standing-g", type=Within(0.1, 1e5), help="What is in the jar now, g.  [default: as it was fed]")
@form_options("ics")
@config_option
def bake(
    history_path: Path | None,
    jar_name: str | None,
    wanted: str | None,
    flour_g: float | None,
    levain_pct: float | None,
    hydration_pct: float | None,
    temperature_c: float | None,
    keep_g: float | None,
    standing_g: float | None,
    form: str,
    config: Path,
) -> None:
    """Plan a bake: what to feed when, so that the levain is ripe when you mix.

    For a jar the bake is kept: `jartide bake --jar JAR` alone plans it anew, as the jar has gone since. Exit code 0
    when the hour can be met, 1 when only another, 2 for a wrong call.
    """
    if (history_path is None) == (jar_name is None):
        refuse("bake: give either --history CYCLES.csv or --jar NAME")
    known = known_of(history_path, jar_name, config, temperature_c)
    show, zone = display(known.shown), calendar(known.shown.time_zone)
    now_s = datetime.now().timestamp()
    asked: dict[str, Any] = {
        "flour_g": flour_g, "levain_pct": levain_pct, "hydration_pct": hydration_pct, "keep_g": keep_g,
    }  # fmt: skip
    before: dict[str, Any] | None = None
    path = None if jar_name is None else settings_from(config).store.path
    if wanted is None:
        before = None if path is None else _kept(path, jar_name or "")
        if before is None:
            refuse('bake: say when you mix, like --at "Saturday 09:00"')
        asked = {key: before[key] if value is None else value for key, value in asked.items()}
        wanted_s = float(before["wanted_s"])
        if wanted_s <= now_s:
            refuse(f"bake: the bake that was planned for {jar_name} is past; plan another with --at")
    else:
        wanted_s = moment_to_come(wanted, now_s, zone)
    if asked["flour_g"] is None:
        refuse("bake: say how much flour the dough has, like --flour-g 900")
    made = _planned(known, asked, wanted_s, now_s, temperature_c, standing_g, show)
    if path is not None:
        _keep(path, jar_name or "", asked, wanted_s, made)
    if form == "json":
        click.echo(json.dumps(bake_json(made, lambda at_s: rfc3339.text(float(round(at_s)))), ensure_ascii=False))
    elif form == "ics":
        click.echo(_calendar(made, wanted_s, now_s, show), nl=False)
    else:
        click.echo(show.worded("\n".join([*_changes(made, before, show, now_s), *_lines(made, wanted_s, show, now_s)])))
    sys.exit(0 if made.met else 1)


def _planned(
    known: Known, asked: dict[str, Any], wanted_s: float, now_s: float, temperature_c: float | None,
    standing_g: float | None, show: Display,
) -> BakePlan:  # fmt: skip
    hydration = asked["hydration_pct"]
    limits = replace(known.limits, hydration=None if hydration is None else hydration / 100.0, standing_g=standing_g)
    recipe = Recipe(flour_g=asked["flour_g"], levain_pct=asked["levain_pct"] or 20.0)
    seed = seed_of(known.culture, known.open_cycle, now_s, temperature_c)
    try:
        return plan_bake(
            known.culture, seed, recipe, now_s=now_s, wanted_s=wanted_s,
            warmth_from=warmth_from(known.culture, temperature_c),
            awake_at=lambda at_s: awake(minute_of_day(at_s, show.offset_s)),
            clock=lambda at_s: show.clock(at_s, now_s), limits=limits,
            keep_g=None if asked["keep_g"] is None else round(asked["keep_g"]),
        )  # fmt: skip
    except ValueError as error:
        refuse(f"bake: {error}")


def moment_to_come(text: str, now_s: float, zone: tzinfo) -> float:
    """A time to come as people say it, as Unix seconds: "09:00" is the next such time, "Saturday 09:00" that of the
    next such day, else a date and time. Exits with 2 for anything else and for the past."""
    now = datetime.fromtimestamp(now_s, zone)
    found = re.fullmatch(r"\s*(?:([A-Za-z]+)\s+)?(\d{1,2}):(\d{2})\s*", text)
    if found is not None and int(found[2]) < 24 and int(found[3]) < 60:
        at = now.replace(hour=int(found[2]), minute=int(found[3]), second=0, microsecond=0, fold=0)
        said = (found[1] or "").lower()
        days = [day for day, name in enumerate(WEEKDAYS) if len(said) >= 3 and name.lower().startswith(said)]
        if said in ("", "today", "tomorrow"):
            at += timedelta(days=1 if said == "tomorrow" or (said == "" and at.timestamp() <= now_s) else 0)
        elif days:
            at += timedelta(days=(days[0] - at.weekday()) % 7)
            at += timedelta(days=7 if at.timestamp() <= now_s else 0)
        else:
            refuse(f'--at {text!r}: write a day like "Saturday 09:00", or "2026-03-07 09:00"')
        when_s = at.timestamp()
    else:
        try:
            when_s = in_zone(datetime.fromisoformat(text), zone)
        except ValueError:
            refuse(f'--at {text!r}: write a time like "Saturday 09:00", or "2026-03-07 09:00"')
    if when_s <= now_s:
        refuse(f"--at {text!r} is past; it must be a time to come")
    return when_s


def _kept(path: Path, jar: str) -> dict[str, Any] | None:
    try:
        with Store.join(path) as store:
            return kept_bake.kept(store, jar)
    except StoreTrouble as error:
        refuse(str(error))


def _keep(path: Path, jar: str, asked: dict[str, Any], wanted_s: float, made: BakePlan) -> None:
    feedings = [(one.at_s, phrases.weigh(one.feeding)) for one in made.feedings]
    try:
        with Store.join(path) as store:
            kept_bake.keep(store, jar, asked, wanted_s, feedings)
    except StoreTrouble as error:
        refuse(str(error))


def _changes(made: BakePlan, before: dict[str, Any] | None, show: Display, now_s: float) -> list[str]:
    """What has moved since it was planned last, feeding by feeding, counted from the last."""
    if before is None:
        return []
    out: list[str] = []
    to_come = [at_s for at_s in before.get("fed_at_s", []) if at_s > now_s - CHANGED_S]
    for was_s, one in zip(reversed(to_come), reversed(made.feedings), strict=False):
        if abs(one.at_s - was_s) >= CHANGED_S:
            was, now = show.clock(was_s, now_s), show.clock(one.at_s, now_s)
            out.insert(0, f"The feeding planned for {was} is now at {now}.")
    return out


def _lines(made: BakePlan, wanted_s: float, show: Display, now_s: float) -> list[str]:
    lines = [f"To mix at {show.clock(wanted_s, now_s)}:"]
    for one in made.feedings:
        place = phrases.degrees(one.place_c)
        lines.append(f"  {show.clock(one.at_s, now_s)}: {phrases.weigh(one.feeding)}, at {place}; from {one.source}")
        if one.discard_g:
            lines.append(f"    {one.discard_g} g of it are left over")
    low, likely, high = (
        show.clock(at_s, now_s) for at_s in (made.ready.earliest_s, made.ready.likely_s, made.ready.latest_s)
    )
    lines.append(f"  {likely}: ripe ({low} to {high}); take {made.take_g} g for the dough, keep {made.keep_g} g back")
    lines += [made.because, *(f"Instead: {one}." for one in made.instead)]
    if made.discard_g:
        lines.append(f"Left over in all: {made.discard_g} g (what it makes: jartide guide discard).")
    return [*lines, *(f"  - {caution}" for caution in made.cautions)]


def _calendar(made: BakePlan, wanted_s: float, now_s: float, show: Display) -> str:
    """The feedings and the mixing as a calendar file (RFC 5545), each with a reminder at its time."""
    from icalendar import Alarm, Calendar, Event

    whole = Calendar()
    whole.add("prodid", "-//jartide//bake//EN")
    whole.add("version", "2.0")
    entries = [(one.at_s, f"Feed: {phrases.weigh(one.feeding)}", f"From {one.source}.") for one in made.feedings]
    entries.append((wanted_s, f"Mix the dough: take {made.take_g} g of levain", " ".join(made.cautions)))
    for number, (at_s, title, text) in enumerate(entries):
        event = Event()
        event.add("uid", f"{round(wanted_s)}-{number}@jartide")
        event.add("dtstamp", datetime.fromtimestamp(now_s, UTC))
        event.add("dtstart", datetime.fromtimestamp(at_s, UTC))
        event.add("dtend", datetime.fromtimestamp(at_s + 900.0, UTC))
        event.add("summary", show.worded(title))
        event.add("description", show.worded(text))
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", show.worded(title))
        alarm.add("trigger", timedelta())
        event.add_component(alarm)
        whole.add_component(event)
    written: bytes = whole.to_ical()
    return written.decode()
