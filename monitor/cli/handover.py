"""`jartide handover`: what happened since a given hour and what is due next, for whoever takes over."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import click

from monitor.cli import freshness
from monitor.cli.fitted import say
from monitor.cli.opening import config_option, json_option, moment, now_of, settings_from
from monitor.cli.sheet import lines, made_sheet
from monitor.cli.tell import opened_store
from monitor.core.display.units import Display
from monitor.host.time_zone import calendar, display
from monitor.review import handover as review
from monitor.review.handover import Happened

SHIFT_S = 8 * 3600.0  # a working shift


@click.command("handover")
@click.option("--since", metavar="TIME", help="Since when: 06:00 or RFC 3339.  [default: eight hours ago]")
@click.option("--hours", default=8.0, show_default=True, help="How far ahead.", type=click.FloatRange(0.0, 72.0))
@click.option("--group", help="Only the jars of this group.")
@json_option
@config_option
def handover(since: str | None, hours: float, group: str | None, as_json: bool, config: Path) -> None:
    """Show what has happened since TIME, who reported it, and what needs feeding in the next hours."""
    settings = settings_from(config)
    show, now_s = display(settings.display), now_of(settings)
    since_s = now_s - SHIFT_S if since is None else moment(since, calendar(settings.display.time_zone), now_s=now_s)
    made = made_sheet(settings, now_s, hours, group)
    old = freshness.say_if_old(settings, [jar for jar in settings.jars if group in (None, jar.group)], now_s)
    with opened_store(settings.store.path) as store:
        jars = [jar.name for jar in settings.jars if group is None or jar.group == group]
        happened = review.since(store, jars, since_s)
    if as_json:
        body = {
            "since_s": since_s,
            "happened": [dataclasses.asdict(one) for one in happened],
            "due": dataclasses.asdict(made.sheet),
            freshness.KEY: old,
        }
        click.echo(json.dumps(body, ensure_ascii=False))
        return
    click.echo(f"Since {show.clock(since_s, now_s)}:" if happened else f"Since {show.clock(since_s, now_s)}: nothing.")
    for one in happened:
        click.echo(f"  {_line(one, show, now_s)}")
    say("\n".join(["", *lines(made, show, now_s, hours), *(f"Have a look: {o.words}." for o in made.odd)]))


def _line(one: Happened, show: Display, now_s: float) -> str:
    who = f" ({one.by})" if one.by else ""
    return f"{show.clock(one.at_s, now_s)}  {one.jar}: {one.what}{who}"
