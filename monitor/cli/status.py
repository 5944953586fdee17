"""`jartide status`: every jar's stage, level, rise ratio and time since feeding, and how the sensors are doing."""

from __future__ import annotations

import json
import shlex
import sys
import time
from pathlib import Path
from typing import Any

import click

from monitor.cli.opening import ascii_only, config_option, settings_from
from monitor.cli.status_lines import FEED, FULL_TIMES, Curve, headline, in_order, jar_lines, stands, wrapped
from monitor.cli.telling_words import words
from monitor.core.assess import notebook
from monitor.core.display.units import Display
from monitor.host import lock
from monitor.host.time_zone import display as display_for
from monitor.page import curves as page_curves
from monitor.runs import daemon_status as kept
from monitor.runs import outbox, reported
from monitor.runs.store import Store, StoreTrouble
from monitor.runs.stretch import readings_of
from monitor.settings import Settings
from monitor.values import DAY_S, Fed, Noted

CURVE_S = 36 * 3600.0
STALE_S = 180.0  # the daemon writes its state each minute; three missed ones are no accident


@click.command("status", short_help="Every jar at a glance.")
@config_option
@click.option("--json", "as_json", is_flag=True, help="The same as one JSON object.")
def status(config: Path, as_json: bool) -> None:
    """Show every jar's stage, level, rise and time since feeding. Exits with 1 when no daemon is watching."""
    settings = settings_from(config)
    path = settings.store.path
    pid = lock.holder(path) if path.exists() else None
    body, waiting, refused, told, curves = _known(path, settings)
    now_s = time.time()
    stale = body is not None and now_s - float(body["as_of_s"]) > STALE_S
    if as_json:
        about = {
            "watching": pid is not None,
            "pid": pid,
            "config": str(config.resolve()),
            "stale": stale,
            "notices_waiting": waiting,
            "refused": refused,
            "told_since": [{"jar": one.jar, "at_s": one.time_s, "what": words(one)} for one in told],
        }
        whole = {**about, **(body or {})}
        click.echo(json.dumps(whole, ensure_ascii=False))
        sys.exit(0 if pid is not None else 1)
    show, plain = display_for(settings.display), ascii_only()
    if body is not None:
        click.echo(headline(body["jars"], show, now_s))
    if pid is None and lock.hidden(path):
        _say(f"Whether anybody is watching is not known: this user may not read {path}.lock.")
    elif pid is None:
        _say("Nobody is watching: start `jartide watch`, or its service; its log says why it ended.")
    meanwhile = [f"told since: {one.jar}: {words(one)} ({show.clock(one.time_s, now_s)})" for one in told]
    if body is None:
        click.echo("Nothing is known yet.")
    elif pid is not None and stale:
        since = show.clock(body["as_of_s"], now_s)
        _say(
            f"The daemon has written nothing since {since}: is the disk full? `jartide check` looks, its log says more."
        )
    if body is not None and (pid is None or stale):
        _say(f"What follows was true {show.clock(body['as_of_s'], now_s)}.")
    if body is None or pid is None or stale:
        for line in meanwhile:
            _say(line, "  ")
    if body is not None:
        _show(body, curves, waiting, refused, show, now_s, plain, config)
    sys.exit(0 if pid is not None else 1)


def _show(
    body: dict[str, Any], curves: dict[str, Curve], waiting: int, refused: list[dict[str, Any]], show: Display,
    now_s: float, plain: bool, config: Path,
) -> None:  # fmt: skip
    for state in in_order(body["jars"]):
        click.echo()
        for line in jar_lines(state, curves.get(state["jar"], ()), show, now_s, plain=plain):
            click.echo(line)
    click.echo()
    if any(state["level"] and state["level"]["rise_ratio"] is not None for state in body["jars"]):
        _say(f"The bar is the rise, {FULL_TIMES:g} times when full; the curve has up to a character an hour.")
    hungry = next((state["jar"] for state in in_order(body["jars"]) if stands(state) == FEED), None)
    if hungry is not None:
        _say(f"Fed it? jartide fed {shlex.quote(hungry)}")
    for health in body["sources"]:
        since, heard = show.clock(health["since_s"], now_s), health["last_message_s"]
        last = f", last heard {show.clock(heard, now_s)}" if heard is not None else ", nothing heard yet"
        word = health["trouble"] or ("connected" if health["connected"] else "not connected")
        _say(f"source {health['name']}: {word} since {since}{last}")
    for sentence in body["troubles"]:
        _say(f"trouble: {sentence}")
    for row in refused:
        last = show.clock(row["last_s"], now_s)
        _say(f"refused: {row['count']} from {row['source']}: {row['reason']}, last {last}: {row['last_detail']}")
    if waiting:
        click.echo(f"{waiting} notice{'s' if waiting > 1 else ''} waiting to be delivered")
    click.echo(f"config: {config}")


def _say(sentence: str, indent: str = "") -> None:
    for line in wrapped(sentence, indent):
        click.echo(line)


def _known(
    path: Path, settings: Settings
) -> tuple[dict[str, Any] | None, int, list[dict[str, Any]], list[Fed | Noted], dict[str, Curve]]:
    """The daemon's last state, how many notices wait, what was refused since yesterday, UTC, by reason, what was
    told after that state, and the curve of each jar's open cycle."""
    curves: dict[str, Curve] = {}
    if not path.exists():
        return None, 0, [], [], curves
    since_day = time.strftime("%Y-%m-%d", time.gmtime(time.time() - DAY_S))
    try:
        with Store.join(path) as store:
            waiting = [one for one in outbox.latest(store, 200) if one.state is outbox.State.PENDING]
            counts = store.rejected_counts(since_day)
            body = kept.body(store)
            later = [one.item for one in reported.since(store, float(body["as_of_s"]) if body else 0.0)]
            for state in body["jars"] if body else []:
                state["mould_noted_s"] = notebook.mould_noted_s(store.noted(state["jar"], time.time()))
                curves[state["jar"]] = _curve(store, state, settings)
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    names = ("day", "source", "reason", "count", "last_s", "last_jar", "last_detail")
    return body, len(waiting), [dict(zip(names, row, strict=True)) for row in counts], later, curves


def _curve(store: Store, state: dict[str, Any], settings: Settings) -> Curve:
    """The levels since the last feeding, a day and a half of them at most; () where there is nothing to draw."""
    run = store.open_run(state["jar"])
    if run is None or state["cycle"] is None or state["last_reading_s"] is None:
        return ()
    until_s = state["last_reading_s"]
    from_s = max(state["cycle"]["fed_at_s"], until_s - CURVE_S)
    empty_mm = next((jar.empty_mm for jar in settings.jars if jar.name == state["jar"]), None)
    curve = page_curves.Curve(from_s, empty_mm)
    for reading in readings_of(store, run, from_s, until_s):
        curve.add(reading)
    return [(point[0], point[1]) for point in curve.points()]
