"""`jartide sheet`: which jars are to be fed in the next hours, in which order, with grams. Prints `core.plan.sheet`."""

from __future__ import annotations

import dataclasses
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import click

from monitor.cli.opening import config_option, settings_from
from monitor.core.assess.siblings import Unlike, unlike
from monitor.core.display.units import Display
from monitor.core.plan.sheet import Row, Sheet, SheetJar, sheet, usual_feeding
from monitor.host.time_zone import display
from monitor.runs import daemon_status, history
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.values import Cycle, JarState, Stage


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
    jars, odd = _known(settings, group)
    made = sheet(jars, now_s, hours)
    if as_json:
        body = dataclasses.asdict(made) | {"unlike": [dataclasses.asdict(one) for one in odd]}
        click.echo(json.dumps(body, ensure_ascii=False))
    else:
        click.echo("\n".join([*lines(made, show, now_s, hours), *(f"Have a look: {one.words}." for one in odd)]))
    sys.exit(0 if made.rows else 1)


def _known(settings: Settings, group: str | None) -> tuple[list[SheetJar], list[Unlike]]:
    """The configured jars as the daemon last knew them, and those that stand apart from the rest of their group."""
    wanted = [jar for jar in settings.jars if group is None or jar.group == group]
    try:
        with Store.join(settings.store.path) as store:
            status = daemon_status.read(store)
            cycles = {jar.name: history.of_starter(store, jar.name) for jar in wanted}
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    states = {state.jar: state for state in status.jars} if status is not None else {}
    groups = sorted({jar.group for jar in wanted if jar.group is not None})
    odd = [
        one for name in groups for one in unlike({jar.name: cycles[jar.name] for jar in wanted if jar.group == name})
    ]
    return [_jar(states.get(jar.name), jar, cycles[jar.name]) for jar in wanted], odd


def _jar(state: JarState | None, jar: JarSettings, cycles: Sequence[Cycle]) -> SheetJar:
    cycle = state.cycle if state else None
    span = state.forecast.fall_at if state and state.forecast else None
    return SheetJar(
        name=jar.name,
        stage=state.stage if state else Stage.UNKNOWN,
        fed_at_s=cycle.fed_at_s if cycle else None,
        fall_at_s=cycle.fall_at_s if cycle else None,
        expected_fall_s=span.likely_s if span else None,
        group=jar.group,
        usual=usual_feeding(cycles),
        cycle_h=jar.cycle_h,
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
