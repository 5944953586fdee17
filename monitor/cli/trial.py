"""`jartide trial NAME [JAR...]`: compares jars under one name. Keeps which jars take part, prints `assess.trial`."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from monitor.cli import completion
from monitor.cli.fitted import say
from monitor.cli.opening import config_option, form_options, jar_from, moment, now_of, refuse, settings_from
from monitor.core.assess.trial import FAIR, Summary, Trial, compare
from monitor.host.time_zone import calendar, display
from monitor.runs import trials
from monitor.runs.store import Store, StoreTrouble
from monitor.runs.trials import CannotTry, TrialRecord
from monitor.settings import Settings

MOST_SPREAD = 0.5  # of the logarithm: more is no "±" that one can read
TITLES = {
    "rise_ratio": "rise",
    "clock_h_to_peak": "h to peak",
    "equivalent_h_to_peak": "as at 24 °C",
    "clock_h_above_double": "h doubled",
    "equivalent_h_above_double": "as at 24 °C",
}


@click.command()
@click.argument("name", required=False)
@click.argument("jars", nargs=-1, shell_complete=completion.jars)
@click.option(
    "--since",
    help='Count cycles fed from this time on: 07:30, "2026-03-02 07:30" or RFC 3339.  [default: now, at the start]',
)
@click.option("--end", is_flag=True, help="End the trial: cycles fed from now on do not count.")
@click.option("--change", is_flag=True, help="From now on compare these JARs; what was counted so far stays.")
@click.option("--delete", is_flag=True, help="Forget the trial; its jars and cycles stay.")
@form_options()
@config_option
# branches: one thing to do with a trial after the other
def trial(
    name: str | None,
    jars: tuple[str, ...],
    since: str | None,
    end: bool,
    change: bool,
    delete: bool,
    form: str,
    config: Path,
) -> None:
    """Begin a trial of two JARs or more under NAME, or show how it stands. Exit code 1 while nothing is settled.

    Without NAME, lists all trials. Beginning the same one again only shows it, unless --since says from when its cycles
    count.
    """
    settings = settings_from(config)
    if name is None:
        _list(settings, form)
        return
    if end + change + delete > 1:
        refuse("trial: give one of --end, --change and --delete")
    zone, now_s = calendar(settings.display.time_zone), now_of(settings)
    names = tuple(jar_from(settings, jar).name for jar in dict.fromkeys(jars))
    if len(names) == 1 or (change and not names):
        refuse("trial: a trial needs two jars or more")
    try:
        with Store.join(settings.store.path) as store:
            before = trials.named(store, name)
            if before is None and (end or change or delete):
                refuse(f"trial: no trial is called {name!r}; `jartide trial` lists them")
            if delete:
                gone = trials.forget(store, name)
                if form == "json":
                    click.echo(json.dumps({**_record_json(gone), "deleted": True}, ensure_ascii=False))
                else:
                    click.echo(f"{name}: forgotten; its jars and their cycles stay.")
                return
            if names and before is not None and set(before.jars) != set(names) and not change:
                refuse(
                    f"trial: {name} is a trial of {', '.join(before.jars)} already; choose another name, or --change it"
                )
            kept = before
            if names and (before is None or since or change):
                since_s = moment(since, zone, now_s=now_s) if since else now_s if before is None else before.since_s
                until_s = math.inf if before is None else before.until_s
                kept = trials.keep(store, TrialRecord(name=name, jars=names, since_s=since_s, until_s=until_s))
            if kept is None:
                refuse(f"trial: no trial is called {name!r}; begin one with: jartide trial {name} JAR JAR")
            if end:
                kept = trials.end(store, name, now_s)
            counted = trials.cycles(store, replace(kept, since_s=moment(since, zone, now_s=now_s)) if since else kept)
    except CannotTry as error:
        refuse(f"trial: {error}")
    except StoreTrouble as error:
        refuse(str(error))
    made = compare(counted)
    if form == "json":
        click.echo(json.dumps(_as_json(name, made), ensure_ascii=False))
    else:
        begun = [FAIR] if before is None else []
        ended = ["It has ended."] if kept.ended else []
        say(display(settings.display).worded("\n".join([*_lines(name, made), *ended, *begun])))
    sys.exit(0 if any(one.differs for one in made.comparisons) else 1)


def _cell(one: Summary) -> str:
    """Mean and spread; where no percentage says how much it scatters, the range of one standard deviation."""
    if one.spread > MOST_SPREAD:
        return f"{one.mean / math.exp(one.spread):.1f} to {one.mean * math.exp(one.spread):.1f}"
    return f"{one.mean:.2f} ±{one.spread:.0%}"


def _list(settings: Settings, form: str) -> None:
    show = display(settings.display)
    try:
        with Store.join(settings.store.path) as store:
            begun = trials.every(store)
    except StoreTrouble as error:
        refuse(str(error))
    if form == "json":
        click.echo(json.dumps({"trials": [_record_json(one) for one in begun]}, ensure_ascii=False))
        return
    for one in begun:
        since = show.clock(one.since_s, now_of(settings))
        click.echo(f"{one.name}: {', '.join(one.jars)}, counted since {since}{', ended' if one.ended else ''}")
    if not begun:
        click.echo("No trial yet; begin one with: jartide trial NAME JAR JAR")


def _record_json(one: TrialRecord) -> dict[str, Any]:
    return {
        "trial": one.name, "jars": one.jars, "since_s": one.since_s, "until_s": one.until_s if one.ended else None,
    }  # fmt: skip


def _as_json(name: str, made: Trial) -> dict[str, Any]:
    jars = {jar: {m: dataclasses.asdict(s) for m, s in named.items()} for jar, named in made.jars.items()}
    comparisons = [dataclasses.asdict(one) for one in made.comparisons]
    return {
        "trial": name,
        "jars": jars,
        "comparisons": comparisons,
        "remarks": list(made.remarks),
        "verdict": made.verdict,
    }


def _lines(name: str, made: Trial) -> list[str]:
    lines = [made.verdict, *(f"  {remark}." for remark in made.remarks)]
    lines.append(f"Trial {name}: mean of each jar's cycles, with their spread")
    if any(named[m].spread > MOST_SPREAD for named in made.jars.values() for m in TITLES if m in named):
        lines.append('("0.9 to 8.5": where cycles differ so much, the range of two thirds of them)')
    lines.append(f"{'jar':12}{'cycles':>7}" + "".join(f"{title:>12}" for title in TITLES.values()))
    for jar, named in made.jars.items():
        cells = [_cell(named[m]) if m in named else "-" for m in TITLES]
        lines.append(f"{jar:12}{made.counted(jar):>7}" + "".join(f"{cell:>12}" for cell in cells))
    return [*lines, *(f"  {one.words}" for one in made.comparisons)]
