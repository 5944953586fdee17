"""`jartide sheet`: which jars need feeding in the next hours, in which order, with grams. Prints `core.plan.sheet`."""

from __future__ import annotations

import dataclasses
import json
import sys
from pathlib import Path

import click

from monitor.cli import freshness
from monitor.cli.fitted import say
from monitor.cli.opening import config_option, json_option, now_of, refuse, settings_from
from monitor.core.assess import neighbours
from monitor.core.display.units import Display
from monitor.core.plan.sheet import Row, when_words
from monitor.host.time_zone import display
from monitor.review import feeding_sheet
from monitor.review.feeding_sheet import MadeSheet
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import Settings

NAME = 16  # characters of a jar's name: a longer one moves its line


@click.command("sheet")
@click.option("--hours", default=12.0, show_default=True, help="How far ahead.", type=click.FloatRange(0.0, 72.0))
@click.option("--group", help="Only the jars of this group.")
@json_option
@config_option
def sheet_command(hours: float, group: str | None, as_json: bool, config: Path) -> None:
    """List the jars to feed in the next hours, in order, with grams. Exits with 1 if none is due."""
    settings = settings_from(config)
    show = display(settings.display)
    now_s = now_of(settings)
    made = made_sheet(settings, now_s, hours, group)
    old = freshness.say_if_old(settings, [jar for jar in settings.jars if group in (None, jar.group)], now_s)
    if as_json:
        body = dataclasses.asdict(made.sheet)
        body[freshness.KEY] = old
        body["unlike"] = [dataclasses.asdict(one) for one in made.odd]
        body["drifting"] = [dataclasses.asdict(one) for one in made.drifts]
        click.echo(json.dumps(body, ensure_ascii=False))
    else:
        odd = [*(one.words for one in made.odd), *(neighbours.words(one, show) for one in made.drifts)]
        say("\n".join([*lines(made, show, now_s, hours), *(f"Have a look: {words}." for words in odd)]))
    sys.exit(0 if made.sheet.rows else 1)


def made_sheet(settings: Settings, now_s: float, hours: float, group: str | None) -> MadeSheet:
    """The sheet from the store; exits with 1 if that cannot be read, with 2 for an unknown group."""
    groups = sorted({jar.group for jar in settings.jars if jar.group is not None})
    if group is not None and group not in groups:
        refuse(f"--group: no jar is in {group}; there is {', '.join(groups) or 'no group'}")
    try:
        with Store.join(settings.store.path) as store:
            return feeding_sheet.of_store(store, settings, now_s, hours, group)
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(1)


def lines(whole: MadeSheet, show: Display, now_s: float, hours: float) -> list[str]:
    """The sheet as lines; a jar's line has at most 80 columns unless it has a reporter's name."""
    made = whole.sheet
    out = [when_words(made, hours, lambda at_s: show.clock(at_s, now_s))]
    if made.rows:
        wide = min(max(len(row.jar) for row in made.rows), NAME)
        out += [
            _row(place + 1, row, wide, show, now_s, whole.fed_by.get(row.jar)) for place, row in enumerate(made.rows)
        ]
        flours = [f"{show.weight(grams)} {kind or 'flour'}" for kind, grams in sorted(made.flour_g.items()) if grams]
        if flours:
            out.append(f"Weigh out: {', '.join(flours)}, {show.weight(made.water_g)} water.")
        if made.untold:
            out.append(f"Grams never given, not in the total: {', '.join(made.untold)}.")
    out += [
        f"  {one.jar}: {one.why}" + (f", about {show.about(one.due_s, now_s)}" if one.due_s is not None else "")
        for one in made.waiting
    ]
    return out


def _row(place: int, row: Row, wide: int, show: Display, now_s: float, by: str | None) -> str:
    when = f"since {show.clock(row.due_s, now_s)}" if row.now else f"about {show.about(row.due_s, now_s)}"
    grams = row.feeding.grams if row.feeding is not None else None
    feeding = " + ".join(show.weight(one) for one in grams) if grams else "grams not given"
    kind = f" {row.feeding.flour}" if row.feeding is not None and row.feeding.flour else ""
    also = "".join(f", {words}" for words in (row.ahead_words, f"last fed by {by}" if by else "") if words)
    return f"[ ] {place:2} {row.jar:{wide}}  {feeding}{kind}  due {when}{also}"
