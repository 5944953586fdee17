"""`jartide stagger`: plans for the jars of one group, fed now, spread over oven times or so that two hands manage."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from pathlib import Path

import click

from monitor.cli import freshness
from monitor.cli.fitted import say
from monitor.cli.numbers import Within
from monitor.cli.opening import config_option, in_zone, json_option, now_of, refuse, settings_from
from monitor.cli.tell import opened_store
from monitor.core.display.units import Display
from monitor.core.plan.plain import plan_json
from monitor.core.plan.stagger import APART_MIN, Staggered
from monitor.host.time_zone import calendar, display
from monitor.review import staggering


@click.command("stagger")
@click.argument("group")
@click.option("--ready", multiple=True, metavar="TIME", help="An oven time: 05:00, or 2026-03-07 05:00. Repeatable.")
@click.option("--apart-min", type=Within(1.0, 120.0), default=APART_MIN, show_default=True,
              help="Without --ready: minutes between one jar's turn and the next.")  # fmt: skip
@click.option("--temperature-c", type=Within(0.0, 45.0), help="Temperature where they are, degC.  [default: as lately]")
@json_option
@config_option
def stagger(
    group: str, ready: tuple[str, ...], apart_min: float, temperature_c: float | None, as_json: bool, config: Path
) -> None:
    """Plan a feeding for each jar of GROUP, now or later, so that about the same number peaks at each --ready hour, or
    so that they begin to fall one after another. Exits with 1 if an hour cannot be met."""
    settings = settings_from(config)
    jars = [jar for jar in settings.jars if jar.group == group]
    if not jars:
        groups = sorted({jar.group for jar in settings.jars if jar.group})
        refuse(f"GROUP: no jar is in {group}; there is {', '.join(groups) or 'no group'}")
    now_s, zone, show = now_of(settings), calendar(settings.display.time_zone), display(settings.display)
    ready_s = [_next(one, zone, now_s) for one in ready]
    try:
        with opened_store(settings.store.path) as store:
            made = staggering.of_store(store, jars, now_s, ready_s, apart_min, temperature_c, settings.place)
    except ValueError as error:
        refuse(f"stagger: {error}")
    old = freshness.say_if_old(settings, jars, now_s)
    if as_json:
        rows = [
            {
                "jar": one.jar,
                "feed_in_h": round(one.feed_in_h, 3),
                "target_h": round(one.target_h, 3),
                **plan_json(one.plan),
            }
            for one in made
        ]
        click.echo(json.dumps({"group": group, "at_s": now_s, "jars": rows, freshness.KEY: old}, ensure_ascii=False))
    else:
        say("\n".join(lines(made, show, now_s, peak=bool(ready))))
    sys.exit(0 if made and all(one.plan.met for one in made) else 1)


def lines(made: Sequence[Staggered], show: Display, now_s: float, *, peak: bool) -> list[str]:
    """A line per jar, what to weigh out in all, and what could not be met."""
    if not made:
        return ["There is no jar to plan for."]
    out = []
    for one in made:
        plan, at = one.plan, show.clock(now_s + 3600.0 * one.target_h, now_s)
        hours = plan.hours_to_peak if peak else plan.hours_to_fall
        likely = show.clock(now_s + 3600.0 * (one.feed_in_h + hours[1]), now_s)
        feed = f"feed {show.clock(now_s + 3600.0 * one.feed_in_h, now_s)}" if one.feed_in_h else "feed now"
        grams = " + ".join(show.weight(g) for g in plan.feeding.grams or ())
        missed = "" if plan.met else f"  not met: about {likely}"
        out.append(f"{one.jar:16} {feed}: {grams}, {'peak' if peak else 'due'} {at}{missed}")
    flour_g = sum(one.plan.grams[1] for one in made)
    water_g = sum(one.plan.grams[2] for one in made)
    out.append(f"Weigh out: {show.weight(flour_g)} flour, {show.weight(water_g)} water.")
    missed_some = next((one for one in made if one.plan.met is False), None)
    if missed_some is not None:
        out.append(show.worded(f"{missed_some.jar}: {missed_some.plan.because}"))
        out += [show.worded(f"  or {one.do}") for one in missed_some.plan.instead[:2]]
    return out


def _next(text: str, zone: tzinfo, now_s: float) -> float:
    """The next such hour, or a moment typed in full."""
    now = datetime.fromtimestamp(now_s, zone)
    try:
        if re.fullmatch(r"\d{1,2}:\d{2}", text):
            read = datetime.strptime(text, "%H:%M")
            at = now.replace(hour=read.hour, minute=read.minute, second=0, microsecond=0)
            return (at if at.timestamp() > now_s else at + timedelta(days=1)).timestamp()
        at_s = in_zone(datetime.fromisoformat(text), zone)
    except ValueError:
        refuse(f"--ready: {text}; write 05:00, or 2026-03-07 05:00")
    if at_s <= now_s:
        refuse(f"--ready: {text} is over")
    return at_s
