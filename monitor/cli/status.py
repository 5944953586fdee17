"""`jartide status`: every jar's stage, level, rise ratio and time since feeding, and how the sensors are doing."""

from __future__ import annotations

import json
import shlex
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from monitor.cli.opening import ascii_only, config_option, json_option, now_of, settings_from
from monitor.cli.status_lines import (
    FEED,
    FULL_TIMES,
    Curve,
    JarRow,
    headline,
    in_order,
    jar_lines,
    urgency,
    wrapped,
)
from monitor.cli.telling_words import words
from monitor.core.assess.thrown_away import condemned
from monitor.core.display import refusals
from monitor.core.display.units import Display
from monitor.host import lock
from monitor.host.time_zone import display as display_for
from monitor.page import curves as page_curves
from monitor.runs import daemon_status, outbox, reported
from monitor.runs.daemon_status import Status
from monitor.runs.device_numbers import DOUBLE, MISSED
from monitor.runs.store import Store, StoreTrouble
from monitor.runs.stretch import readings_of
from monitor.settings import Settings
from monitor.values import DAY_S, Fed, JarState, Json, Noted, TakenBack, flat

CURVE_S = 36 * 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the store says: the daemon's last status and its jars, how many notices wait, what was refused since
    yesterday (UTC), by reason, and what was reported after that status."""

    status: Status | None = None
    jars: tuple[JarRow, ...] = ()
    notices_waiting: int = 0
    refused: tuple[dict[str, Any], ...] = ()
    told_since: tuple[Fed | Noted | TakenBack, ...] = ()


@click.command("status")
@config_option
@json_option
# branches: one sentence after the other, in the order printed
def status(config: Path, as_json: bool) -> None:
    """Show every jar's stage, level, rise and time since feeding. Exits with 1 if no daemon is watching."""
    settings = settings_from(config)
    path = settings.store.path
    pid = lock.holder(path) if path.exists() else None
    now_s = now_of(settings)
    known = _known(path, settings, now_s)
    said = known.status
    stale = said is not None and now_s - said.as_of_s > daemon_status.STALE_S
    if as_json:
        about = {"watching": pid is not None, "pid": pid, "config": str(config.resolve()), "stale": stale}
        click.echo(json.dumps({**about, **_json(known)}, default=flat, ensure_ascii=False))
        sys.exit(0 if pid is not None else 1)
    show = display_for(settings.display)
    if said is not None:
        click.echo(headline(known.jars, show, now_s))
    if pid is None and lock.hidden(path):
        _say(f"Is `jartide watch` running? This user may not read {path}.lock.")
    elif pid is None:
        _say("Nobody is watching: start `jartide watch`, or its service; its log says why it ended.")
    if said is None:
        click.echo("Nothing is known yet.")
    elif pid is not None and stale:
        since = show.clock(said.as_of_s, now_s)
        _say(
            f"The daemon has written nothing since {since}: is the disk full? `jartide check` tests it; the log says "
            "more."
        )
    if said is not None and (pid is None or stale):
        _say(f"The following was true at {show.clock(said.as_of_s, now_s)}.")
    if said is None or pid is None or stale:
        for one in known.told_since:
            _say(f"reported since: {one.jar}: {words(one)} ({show.clock(one.time_s, now_s)})", "  ")
    if said is not None:
        _show(said, known, show, now_s)
        click.echo(f"config: {config}")
    sys.exit(0 if pid is not None else 1)


def _json(known: Known) -> dict[str, Json]:
    """The daemon's last status as it keeps it, with the time of a note by which a jar has to be thrown away, and what
    the store adds."""
    told: list[Json] = [{"jar": one.jar, "at_s": one.time_s, "what": words(one)} for one in known.told_since]
    out: dict[str, Json] = {
        "notices_waiting": known.notices_waiting,
        "refused": list(known.refused),
        "told_since": told,
    }
    if known.status is not None:
        out |= flat(known.status)
        out["jars"] = [
            {**flat(row.state), "mould_noted_s": None if row.bin_note is None else row.bin_note.time_s}
            for row in known.jars
        ]
    return out


def _show(said: Status, known: Known, show: Display, now_s: float) -> None:
    plain, rows = ascii_only(), in_order(known.jars)
    for row in rows:
        click.echo()
        for line in jar_lines(row, show, now_s, plain=plain):
            click.echo(line)
    click.echo()
    if any(row.state.level and row.state.level.rise_ratio is not None for row in rows):
        _say(f"The bar shows the rise, {FULL_TIMES:g} times when full; the curve has up to one character per hour.")
    hungry = next((row.state.jar for row in rows if urgency(row) == FEED), None)
    if hungry is not None:
        _say(f"Fed it? jartide fed {shlex.quote(hungry)}")
    for health in said.sources:
        since, heard_s = show.clock(health.since_s, now_s), health.last_message_s
        last = ", nothing heard yet" if heard_s is None else f", last heard {show.clock(heard_s, now_s)}"
        word = health.trouble or ("connected" if health.connected else "not connected")
        _say(f"source {health.name}: {word} since {since}{last}")
    for sentence in said.troubles:
        _say(f"trouble: {sentence}")
    for row_of in known.refused:
        _say(_not_taken(row_of, show.clock(row_of["last_s"], now_s)))
    if known.notices_waiting:
        click.echo(f"{known.notices_waiting} notice{'s' if known.notices_waiting > 1 else ''} waiting to be delivered")


def _not_taken(row: dict[str, Any], last: str) -> str:
    """What was not taken from a source since yesterday, or never came from it."""
    count, source, reason = row["count"], row["source"], row["reason"]
    what = f"{count} message{'' if count == 1 else 's'} from {source}"
    if reason == MISSED:
        return f"missing: {what} never came, by the numbers that the device gives them; the last at {last}"
    if reason == DOUBLE:
        return f"doubled: {what} came twice and counted once; the last at {last}"
    detail = f": {row['last_detail']}" if row["last_detail"] else ""
    return f"refused: {what}: {reason}; the last at {last}{detail}"


def _say(sentence: str, indent: str = "") -> None:
    for line in wrapped(sentence, indent):
        click.echo(line)


def _known(path: Path, settings: Settings, now_s: float) -> Known:
    if not path.exists():
        return Known()
    since_day = time.strftime("%Y-%m-%d", time.gmtime(now_s - DAY_S))
    names = ("day", "source", "reason", "count", "last_s", "last_jar", "last_detail")
    try:
        with Store.join(path) as store:
            waiting = [one for one in outbox.latest(store, 200) if one.state is outbox.State.PENDING]
            said = daemon_status.read(store)
            return Known(
                status=said,
                jars=() if said is None else tuple(_row(store, state, settings, now_s) for state in said.jars),
                notices_waiting=len(waiting),
                refused=tuple(
                    {**dict(zip(names, row, strict=True)), "reason": refusals.words(row[2])}
                    for row in store.rejected_counts(since_day)
                ),
                told_since=tuple(one.item for one in reported.since(store, said.as_of_s if said else 0.0)),
            )
    except StoreTrouble as error:
        click.echo(str(error), err=True)
        sys.exit(1)


def _row(store: Store, state: JarState, settings: Settings, now_s: float) -> JarRow:
    return JarRow(state, condemned(store.noted(state.jar, now_s)), _curve(store, state, settings))


def _curve(store: Store, state: JarState, settings: Settings) -> Curve:
    """The levels since the last feeding, a day and a half of them at most; () if there is nothing to draw."""
    run, until_s = store.open_run(state.jar), state.last_reading_s
    if run is None or state.cycle is None or until_s is None:
        return ()
    from_s = max(state.cycle.fed_at_s, until_s - CURVE_S)
    empty_mm = next((jar.empty_mm for jar in settings.jars if jar.name == state.jar), None)
    curve = page_curves.Curve(from_s, empty_mm)
    for reading in readings_of(store, run, from_s, until_s):
        curve.add(reading)
    return [(point[0], point[1]) for point in curve.points()]
