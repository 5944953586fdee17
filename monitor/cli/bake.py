"""`jartide bake`: the feedings on the way to a bake, planned backwards from the hour of mixing. Parses, asks
`core.plan.bake`, prints a list, JSON or a calendar file. A bake for a jar is kept and planned again as the jar
develops.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NoReturn

import click

from monitor.cli import freshness
from monitor.cli.fitted import say
from monitor.cli.moments import moment_to_come
from monitor.cli.numbers import Within
from monitor.cli.opening import config_option, form_options, jar_from, refuse, settings_from
from monitor.cli.plan import Known, known_of
from monitor.core.assess import vigour
from monitor.core.display.units import Display
from monitor.core.plan import phrases
from monitor.core.plan.bake_plan import BakePlan, meanwhile_words
from monitor.core.plan.plain import bake_json
from monitor.core.plan.ripeness import seed_of
from monitor.core.plan.waking import awake_by
from monitor.host.time_zone import calendar, display
from monitor.runs import bake_plans, kept_bake, rfc3339
from monitor.runs.kept_bake import Asked, KeptBake
from monitor.runs.store import Store, StoreTrouble

LATE_S = 1800.0  # this long after the hour of mixing still counts as in time


@click.command()
@click.option("--history", "history_path", type=click.Path(path_type=Path), help="Past cycles: a CYCLES.csv.")
@click.option("--jar", "jar_name", help="A jar of the config: its cycles, what is in it now, its temperature.")
@click.option("--at", "wanted", help='When you mix: "Saturday 09:00", "09:00" or "2026-03-07 09:00", local time.')
@click.option("--flour-g", type=Within(1.0, 1e5), help="Flour of the dough, g.")
@click.option("--levain-pct", type=Within(1.0, 100.0), help="Ripe starter, % of that flour.  [default: 20]")
@click.option("--hydration-pct", type=Within(30.0, 300.0), help="Of the levain.  [default: as last fed, else 100]")
@click.option("--temperature-c", type=Within(-10.0, 60.0), help="Expected temperature, degC.")
@click.option("--keep-g", type=Within(1.0, 1e4), help="To keep back for the next feeding, g.  [default: 20]")
@click.option("--standing-g", type=Within(0.1, 1e5), help="What is in the jar now, g.  [default: as it was fed]")
@click.option("--fridge", is_flag=True, help="Let it rest in the fridge until shortly before.")
@click.option("--over", is_flag=True, help="Cancel the bake planned for the jar.")
@form_options("ics")
@config_option
# branches: one check of the options after the other
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
    fridge: bool,
    over: bool,
    form: str,
    config: Path,
) -> None:
    """Plan a bake: what to feed when, so that the levain is ripe when you mix.

    For a jar the bake is kept: `jartide watch` tells when to feed and what has moved, `jartide bake --jar JAR` alone
    plans it again, as the jar has gone since. Exit code 0
    when the hour can be met, 1 when only another, 2 for a wrong call.
    """
    if (history_path is None) == (jar_name is None):
        refuse("bake: give either --history CYCLES.csv or --jar NAME")
    if over:
        if jar_name is None:
            refuse("bake: --over goes with --jar NAME")
        settings = settings_from(config)
        _keep(settings.store.path, jar_from(settings, jar_name).name, None)
        click.echo(f"{jar_name}: the bake is cancelled.")
        return
    known = known_of(history_path, jar_name, config, temperature_c)
    show, zone = display(known.shown), calendar(known.shown.time_zone)
    now_s = known.now_s
    path = None if jar_name is None else settings_from(config).store.path
    before = None if path is None or jar_name is None else _kept(path, jar_name)
    given: dict[str, Any] = {
        "flour_g": flour_g, "levain_pct": levain_pct, "hydration_pct": hydration_pct, "keep_g": keep_g,
        "temperature_c": temperature_c,
    }  # fmt: skip
    said = {key: value for key, value in given.items() if value is not None} | ({"fridge": True} if fridge else {})
    if wanted is None:
        if before is None:
            refuse('bake: say when you mix, like --at "Saturday 09:00"')
        asked = replace(before.asked, **said)
        if asked.wanted_s <= now_s:
            refuse(f"bake: the bake that was planned for {jar_name} is past; plan another with --at")
    else:
        before = None
        wanted_s = moment_to_come(wanted, now_s, zone)
        if flour_g is None:
            refuse("bake: say how much flour the dough has, like --flour-g 900")
        asked = Asked(wanted_s=wanted_s, **said)
    if before is not None and before.feedings and not bake_plans.still_to_come(before, known.open_cycle):
        _say_on_its_way(known, asked, now_s, show)
    try:
        awake_at = awake_by(show.offset_s, known.notices, now_s)
        about = known.culture, known.open_cycle, known.jar, asked, now_s, show, awake_at, standing_g
        made = bake_plans.planned(*about, places=known.limits.places)
    except ValueError as error:
        refuse(f"bake: {error}")
    if jar_name is not None:
        doubt = vigour.doubt(vigour.assess(known.cycles, known.notes, now_s, culture=known.culture))
        made = made if doubt is None else replace(made, cautions=(doubt, *made.cautions))
    changes = () if before is None else bake_plans.moved(
        bake_plans.still_to_come(before, known.open_cycle), made, now_s, show
    )  # fmt: skip
    if path is not None and jar_name is not None:
        _keep(path, jar_name, kept_bake.kept_of(asked, made, now_s, changes))
    wanted_s = asked.wanted_s
    if form == "json":
        body = bake_json(made, lambda at_s: rfc3339.text(float(round(at_s))))
        if jar_name is not None:
            body[freshness.KEY] = known.old
        click.echo(json.dumps(body, ensure_ascii=False))
    elif form == "ics":
        click.echo(_calendar(made, wanted_s, now_s, show), nl=False)
    else:
        say(show.worded("\n".join([*changes, *_lines(made, wanted_s, show, now_s)])))
    sys.exit(0 if made.met else 1)


def _kept(path: Path, jar: str) -> KeptBake | None:
    try:
        with Store.join(path) as store:
            return kept_bake.kept(store, jar)
    except StoreTrouble as error:
        refuse(str(error))


def _keep(path: Path, jar: str, bake: KeptBake | None) -> None:
    try:
        with Store.join(path) as store:
            if bake is None:
                kept_bake.drop(store, jar)
            else:
                kept_bake.keep(store, jar, bake)
    except StoreTrouble as error:
        refuse(str(error))


def _say_on_its_way(known: Known, asked: Asked, now_s: float, show: Display) -> NoReturn:
    """All its feedings are done: say when the jar will be ripe. Exit code 0 if that is in time."""
    assert known.open_cycle is not None
    seed = seed_of(known.culture, known.open_cycle, now_s, asked.temperature_c)
    fed = f"The levain was fed at {show.clock(known.open_cycle.fed_at_s, now_s)}"
    if seed.ripe_at is None:
        click.echo(f"{fed} and is ripe now.")
        sys.exit(0)
    likely = show.about(seed.ripe_at.likely_s, now_s)
    between = show.about_between(seed.ripe_at.earliest_s, seed.ripe_at.latest_s, now_s)
    late = seed.ripe_at.likely_s > asked.wanted_s + LATE_S
    when = f"that is after {show.clock(asked.wanted_s, now_s)}: a warmer place hurries it" if late else "in time"
    say(f"{fed} and is ripe about {likely} ({between}), {when}. Feed nothing more before.")
    sys.exit(1 if late else 0)


def _lines(made: BakePlan, wanted_s: float, show: Display, now_s: float) -> list[str]:
    lines = [f"To mix {show.stamp(wanted_s)}:"]
    lines += _feedings(made, show, now_s)
    between = show.about_between(made.ready.earliest_s, made.ready.latest_s, now_s)
    lines.append(
        f"  about {show.about(made.ready.likely_s, now_s)}: ripe ({between}); take {made.take_g} g for the "
        f"dough, keep {made.keep_g} g back"
    )
    lines += [made.because, *(f"Instead: {one}." for one in made.instead), *(f"Or {one}." for one in made.by_day)]
    if made.discard_g:
        lines.append(f"Left over in all: {made.discard_g} g (what it makes: jartide guide discard).")
    lines += [f"  - {caution}" for caution in made.cautions]
    if made.meanwhile is not None:
        lines += ["Or with a rest in the fridge (--fridge):"]
        lines += [
            f"  {meanwhile_words(made, lambda at_s: show.about(at_s, now_s))}",
            *_feedings(made.meanwhile, show, now_s),
        ]
    return lines


def _feedings(made: BakePlan, show: Display, now_s: float) -> list[str]:
    """The feedings as lines, with the rest in the fridge if there is one."""
    lines = []
    for one in made.feedings:
        if made.rest is not None and one.at_s == made.rest.until_s:
            lines.append(f"  {show.stamp(made.rest.from_s)} to {show.stamp(one.at_s)}: in the fridge, lid loose")
        place, night = phrases.degrees(one.place_c), " (at night)" if one.at_night else ""
        lines.append(f"  {show.stamp(one.at_s)}{night}: {phrases.weigh(one.feeding)}, at {place}; from {one.source}")
        if one.discard_g:
            lines.append(f"    {one.discard_g} g are left over")
    return lines


def _calendar(made: BakePlan, wanted_s: float, now_s: float, show: Display) -> str:
    """The feedings and the mixing as a calendar file (RFC 5545), each with a reminder at its time."""
    from icalendar import Alarm, Calendar, Event

    whole = Calendar()
    whole.add("prodid", "-//jartide//bake//EN")
    whole.add("version", "2.0")
    entries = [(one.at_s, f"Feed: {phrases.weigh(one.feeding)}", f"From {one.source}.") for one in made.feedings]
    if made.rest is not None and not made.rest.already:
        words = "Once it has begun to rise, lid loose."
        entries.append((made.rest.from_s, "Into the fridge with the starter", words))
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
