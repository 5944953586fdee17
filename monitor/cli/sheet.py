"""`jartide sheet`: which jars are to be fed in the next hours, in which order, with grams. Prints `core.plan.sheet`."""

from __future__ import annotations

import dataclasses
import json
import sys
import time
from pathlib import Path
from typing import Any

import click

from monitor.cli.opening import config_option, settings_from
from monitor.core.display.units import Display
from monitor.core.plan.sheet import Row, Sheet, SheetJar, sheet, usual_feeding
from monitor.host.time_zone import display
from monitor.runs import daemon_status, history
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import Settings
from monitor.values import Stage


@click.command("sheet")
@click.option("--hours", default=12.0, show_default=True, help="How far ahead.", type=click.FloatRange(0.0, 72.0))
@click.option("--group", help="Only the jars of this group.")
@click.option("--json", "as_json", is_flag=True, help="The same as one JSON object.")
@config_option
def sheet_command(hours: float, group: str | None, as_json: bool, config: Path) -> None:
    """List the jars to feed in the next hours, in order, with grams. Exits with 1 when none is due."""
    settings = settings_from(config)
    show = display(settings.display)
    now_s = time.time()
    made = sheet(_jars(settings, group), now_s, hours)
    if as_json:
        click.echo(json.dumps(dataclasses.asdict(made), ensure_ascii=False))
    else:
        click.echo("\n".join(lines(made, show, now_s, hours)))
    sys.exit(0 if made.rows else 1)


def _jars(settings: Settings, group: str | None) -> list[SheetJar]:
    """The configured jars as the daemon last knew them."""
    try:
        with Store.join(settings.store.path) as store:
            body = daemon_status.read(store)
            known: dict[str, dict[str, Any]] = {one["jar"]: one for one in (body or {}).get("jars", [])}
            return [
                _jar(known.get(jar.name), jar.name, jar.group, jar.cycle_h, store)
                for jar in settings.jars
                if group is None or jar.group == group
            ]
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(1)


def _jar(state: dict[str, Any] | None, name: str, group: str | None, cycle_h: float, store: Store) -> SheetJar:
    cycle = (state or {}).get("cycle") or {}
    span = ((state or {}).get("forecast") or {}).get("fall_at") or {}
    return SheetJar(
        name=name,
        stage=Stage((state or {}).get("stage", Stage.UNKNOWN)),
        fed_at_s=cycle.get("fed_at_s"),
        fall_at_s=cycle.get("fall_at_s"),
        expected_fall_s=span.get("likely_s"),
        group=group,
        usual=usual_feeding(history.of_starter(store, name)),
        cycle_h=cycle_h,
    )


def lines(made: Sheet, show: Display, now_s: float, hours: float) -> list[str]:
    """The sheet as lines of at most 80 columns."""
    if not made.rows:
        out = [f"Nothing is due within {hours:g} h."]
    else:
        assert made.begin_by_s is not None
        assert made.done_by_s is not None
        count = len(made.rows)
        out = [
            f"{count} jar{'s' if count > 1 else ''} to feed within {hours:g} h. Begin by "
            f"{show.clock(made.begin_by_s, now_s)}, be done by {show.clock(made.done_by_s, now_s)}.",
            *(_row(place + 1, row, show, now_s) for place, row in enumerate(made.rows)),
        ]
        flours = [f"{show.weight(grams)} {kind or 'flour'}" for kind, grams in sorted(made.flour_g.items()) if grams]
        if flours:
            out.append(f"Weigh out: {', '.join(flours)}, {show.weight(made.water_g)} water.")
        if made.untold:
            out.append(f"Grams never told, not in the sum: {', '.join(made.untold)}.")
    out += [
        f"  {one.jar}: {one.why}" + (f", about {show.clock(one.due_s, now_s)}" if one.due_s is not None else "")
        for one in made.waiting
    ]
    return out


def _row(place: int, row: Row, show: Display, now_s: float) -> str:
    when = f"since {show.clock(row.due_s, now_s)}" if row.now else f"about {show.clock(row.due_s, now_s)}"
    grams = row.feeding.grams if row.feeding is not None else None
    feeding = " + ".join(show.weight(one) for one in grams) if grams else "grams not told"
    kind = f" {row.feeding.flour}" if row.feeding is not None and row.feeding.flour else ""
    return f"[ ] {place:2} {row.jar:16} {feeding}{kind}  due {when}"
