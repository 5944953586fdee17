"""`jartide lot`: which lot of a flour is open (entered once for all jars), which lots are in a jar, and where a lot
went."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path

import click

from monitor.cli.completion import jars
from monitor.cli.opening import config_option, json_option, moment, now_of, put_json, refuse, settings_from
from monitor.cli.tell import at_option, by_option, label, opened_store
from monitor.core.assess import lots as tracing
from monitor.core.display.units import Display
from monitor.host.time_zone import calendar, display
from monitor.runs import lots

LEAST_PART = 0.001  # below a thousandth a lot is named without its part


@click.command("lot")
@config_option
@click.argument("flour", required=False)
@click.argument("number", metavar="[LOT]", required=False)
@click.option("--in", "jar", metavar="JAR", shell_complete=jars, help="Which lots are in JAR (at --at; default: now).")
@click.option("--got", metavar="LOT", help="Which jars got LOT (flour or seed), directly or by way of other jars.")
@by_option
@at_option
@json_option
def lot(
    config: Path, flour: str | None, number: str | None, jar: str | None, got: str | None, by: str | None,
    at: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Say that FLOUR is from LOT from now on, for every jar fed with it; without arguments, list the open lots.

    A feeding may name its own: `jartide fed JAR --flour-lot LOT --seed JAR|LOT`. With --in or --got, exits with 1 if
    nothing is known.
    """
    settings = settings_from(config)
    if (jar is not None) + (got is not None) + (flour is not None) > 1:
        refuse("give FLOUR and LOT, or --in JAR, or --got LOT: one at a time")
    if flour is not None and number is None:
        refuse(f"LOT: which lot of {flour}? For example: jartide lot {flour} L2603")
    now_s = now_of(settings)
    at_s = moment(at, calendar(settings.display.time_zone), now_s=now_s)
    show = display(settings.display)
    usual = {one.name: one.flour for one in settings.jars}
    with opened_store(settings.store.path) as store:
        if flour is not None and number is not None:
            said = lots.Opened(flour=flour.strip(), lot=label("LOT", number) or "", from_s=at_s, by=label("--by", by))
            lots.say(store, said)
            if as_json:
                put_json(asdict(said))
                return
            click.echo(f"{said.flour}: lot {said.lot} since {show.clock(at_s, now_s)}.")
            return
        if jar is None and got is None:
            _say_open(lots.opened(store), show, now_s, as_json)
            return
        fed = lots.feedings(store, usual)
    sys.exit(_in(fed, jar, at_s, as_json) if jar is not None else _got(fed, got or "", show, now_s, as_json))


def _say_open(known: dict[str, list[lots.Opened]], show: Display, now_s: float, as_json: bool) -> None:
    every = [one for some in known.values() for one in some]
    if as_json:
        put_json({"lots": [asdict(one) for one in every]})
        return
    if not every:
        click.echo("No lot entered yet: jartide lot FLOUR LOT")
    for one in every:
        who = f" ({one.by})" if one.by else ""
        click.echo(f"{one.flour}: lot {one.lot} since {show.clock(one.from_s, now_s)}{who}")


def _in(fed: dict[str, list[tracing.LotFeeding]], jar: str, at_s: float, as_json: bool) -> int:
    if jar not in fed:
        refuse(f"JAR: nothing is stored about {jar}; there is {', '.join(sorted(fed)) or 'no jar'}")
    parts = tracing.contents(fed, jar, at_s)
    if as_json:
        rows = [{"flour": flour, "lot": of, "part": round(part, 6)} for (flour, of), part in parts.items()]
        put_json({"jar": jar, "at_s": at_s, "parts": rows})
    else:
        click.echo(f"{jar}, of all the flour in it:")
        for (flour, of), part in parts.items():
            share = f"{part:6.1%}" if part >= LEAST_PART else "traces"
            what = "from before the first known feeding" if (flour, of) == tracing.BEFORE else flour or "flour"
            click.echo(f"  {share}  {what}" + (f", lot {of}" if of else "" if flour == "" else ", lot not given"))
    return 0 if any(of for _, of in parts) else 1


def _got(fed: dict[str, list[tracing.LotFeeding]], of: str, show: Display, now_s: float, as_json: bool) -> int:
    found = tracing.got(fed, of, now_s)
    if as_json:
        put_json({"lot": of, "jars": [asdict(one) for one in found]})
    elif not found:
        click.echo(f"No jar got lot {of}.")
    else:
        click.echo(f"Lot {of} went into {len(found)} jar{'s' if len(found) > 1 else ''}:")
        for one in found:
            first, last = show.clock(one.at_s[0], now_s), show.clock(one.at_s[-1], now_s)
            when = first if len(one.at_s) == 1 else f"{len(one.at_s)} feedings, {first} to {last}"
            way = f", by way of {one.by_way_of}" if one.by_way_of else ""
            part = f"{one.part:.1%}" if one.part >= LEAST_PART else "traces" if one.part else "none"
            click.echo(f"  {one.jar}: {when}{way}; now {part} of its flour")
    return 0 if found else 1
