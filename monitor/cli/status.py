"""`jartide status`: every jar's stage, level, rise ratio and time since feeding, and how the sensors are doing."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import click

from monitor.cli.opening import config_option, settings_from
from monitor.cli.telling_words import words
from monitor.core.assess import notebook
from monitor.core.display.units import Display, duration, sensor_troubles, times
from monitor.host import lock
from monitor.host.time_zone import display as display_for
from monitor.runs import daemon_status as kept
from monitor.runs import outbox, reported
from monitor.runs.store import Store, StoreTrouble
from monitor.values import DAY_S, Fed, Noted

OLD_S = 600.0  # a level moves by millimetres in this time
STALE_S = 180.0  # the daemon writes its state each minute; three missed ones are no accident


@click.command("status")
@config_option
@click.option("--json", "as_json", is_flag=True, help="The same as one JSON object.")
def status(config: Path, as_json: bool) -> None:
    """Show every jar's stage, level, rise and time since feeding. Exits with 1 when no daemon is watching."""
    settings = settings_from(config)
    path = settings.store.path
    pid = lock.holder(path) if path.exists() else None
    body, waiting, refused, told = _known(path)
    now_s = time.time()
    stale = body is not None and now_s - float(body["as_of_s"]) > STALE_S
    if as_json:
        about = {
            "watching": pid is not None,
            "pid": pid,
            "stale": stale,
            "notices_waiting": waiting,
            "refused": refused,
            "told_since": [{"jar": one.jar, "at_s": one.time_s, "what": words(one)} for one in told],
        }
        whole = {**about, **(body or {})}
        click.echo(json.dumps(whole, ensure_ascii=False))
        sys.exit(0 if pid is not None else 1)
    show = display_for(settings.display)
    if pid is None and lock.hidden(path):
        click.echo(f"Whether anybody is watching is not known: this user may not read {path}.lock.")
    elif pid is None:
        click.echo("Nobody is watching: start `jartide watch`, or its service; its log says why it ended.")
    meanwhile = [f"  told since: {one.jar}: {words(one)} ({show.clock(one.time_s, now_s)})" for one in told]
    if body is None:
        click.echo("\n".join(["Nothing is known yet.", *meanwhile]))
        sys.exit(0 if pid is not None else 1)
    if pid is not None and stale:
        since = show.clock(body["as_of_s"], now_s)
        click.echo(
            f"The daemon has written nothing since {since}: is the disk full? `jartide check` looks, its log says more."
        )
    if pid is None or stale:
        click.echo(f"What follows was true {show.clock(body['as_of_s'], now_s)}.")
        for line in meanwhile:
            click.echo(line)
    for state in body["jars"]:
        for line in _jar_lines(state, show, now_s):
            click.echo(line)
    for health in body["sources"]:
        since = show.clock(health["since_s"], now_s)
        heard = health["last_message_s"]
        last = f", last heard {show.clock(heard, now_s)}" if heard is not None else ", nothing heard yet"
        word = health["trouble"] or ("connected" if health["connected"] else "not connected")
        click.echo(f"source {health['name']}: {word} since {since}{last}")
    for sentence in body["troubles"]:
        click.echo(f"trouble: {sentence}")
    for row in refused:
        last = show.clock(row["last_s"], now_s)
        click.echo(
            f"refused: {row['count']} from {row['source']}: {row['reason']}, last {last}: {row['last_detail']!r}"
        )
    if waiting:
        click.echo(f"{waiting} notice{'s' if waiting > 1 else ''} waiting to be delivered")
    sys.exit(0 if pid is not None else 1)


def _known(path: Path) -> tuple[dict[str, Any] | None, int, list[dict[str, Any]], list[Fed | Noted]]:
    """The daemon's last state, how many notices wait, what was refused since yesterday, UTC, by reason, and what was
    told after that state."""
    if not path.exists():
        return None, 0, [], []
    since_day = time.strftime("%Y-%m-%d", time.gmtime(time.time() - DAY_S))
    try:
        with Store.join(path) as store:
            waiting = [one for one in outbox.latest(store, 200) if one.state is outbox.State.PENDING]
            counts = store.rejected_counts(since_day)
            body = kept.read(store)
            later = [one.item for one in reported.since(store, float(body["as_of_s"]) if body else 0.0)]
            for state in body["jars"] if body else []:
                state["mould_noted_s"] = notebook.mould_noted_s(store.noted(state["jar"], time.time()))
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(1)
    names = ("day", "source", "reason", "count", "last_s", "last_jar", "last_detail")
    return body, len(waiting), [dict(zip(names, row, strict=True)) for row in counts], later


def _jar_lines(state: dict[str, Any], show: Display, now_s: float) -> list[str]:
    level, cycle, mould_s = state["level"], state["cycle"], state["mould_noted_s"]
    parts = [f"{state['jar']}: {state['stage']}"]
    if level is not None and level["level_mm"] is not None:
        parts.append(f"level {show.length(level['level_mm'])}")
    if level is not None and level["rise_ratio"] is not None:
        parts.append(f"risen {times(level['rise_ratio'])}")
    if state["slope_mm_per_h"] is not None:
        parts.append(f"moving {show.speed(state['slope_mm_per_h'])}")
    if state["temperature_c"] is not None:
        parts.append(show.temperature(state["temperature_c"]))
    if cycle is not None and cycle["fed_at_s"]:
        known = cycle["told"] or cycle["number"] > 0  # watching may begin in the middle of a cycle
        what = "fed" if known else "first seen"
        parts.append(f"{what} {duration(now_s - cycle['fed_at_s'])} ago ({show.clock(cycle['fed_at_s'], now_s)})")
    heard = state["last_reading_s"]
    if heard is not None and now_s - heard > max(OLD_S, 3 * (state["sampling_s"] or 0.0)):
        parts[0] += f" (as of {show.clock(heard, now_s)})"
    lines = [", ".join(parts)]
    if mould_s is not None:
        lines.append(f"  mould or streaks were noted {show.clock(mould_s, now_s)}: throw all of it away, taste nothing")
        return lines
    lines += [f"  {trouble}" for trouble in sensor_troubles(state, lambda at_s: show.clock(at_s, now_s))]
    if heard is None:
        lines.append("  no reading yet: does the device send? `jartide check` listens")
    if state["question"]:
        lines.append(f"  to answer: {state['question']}")
    forecast = state["forecast"]
    for name, what in (("peak_at", "peak"), ("fall_at", "start of fall")):
        span = forecast and forecast[name]
        if span and span["latest_s"] < now_s:
            lines.append(f"  {what} was expected by {show.clock(span['latest_s'], now_s)}")
        elif span:
            lines.append(
                f"  {what} expected {show.clock(span['likely_s'], now_s)} (between"
                f" {show.clock(span['earliest_s'], now_s)} and {show.clock(span['latest_s'], now_s)})"
            )
    return lines
