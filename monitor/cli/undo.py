"""`jartide undo`: takes back a mistaken entry, or denies an event that never happened, with or without a running
daemon."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli.completion import jars
from monitor.cli.opening import config_option, jar_from, json_option, moment, now_of, put_json, refuse, settings_from
from monitor.cli.tell import Kept, opened_store, said_if_not, watching
from monitor.cli.telling_words import as_json as told_json
from monitor.cli.telling_words import words
from monitor.host.time_zone import calendar, display
from monitor.runs import reported
from monitor.values import TakenBack


@click.command()
@config_option
@click.argument("jar", shell_complete=jars)
@click.argument("what", required=False, type=click.Choice(list(reported.SEEN)))
@click.option("--at", metavar="TIME", help="If there are several, the one nearest this time. Default: the latest.")
@json_option
def undo(config: Path, jar: str, what: str | None, at: str | None, as_json: bool) -> None:
    """Take back the last entry about JAR, by command or on the page, if it was a mistake.

    With WHAT, say that an event never happened: `jartide undo rye feeding` (an entry for it goes too), and likewise
    lid, away or rest.

    Everything is judged as if it had never been; the record keeps both. Used again without WHAT, it takes back the
    entry before that. Exit code 1 if there is nothing to take back.
    """
    settings = settings_from(config)
    jar_from(settings, jar)
    if at is not None and what is None:
        refuse(f"--at: also say what did not happen: jartide undo {jar} feeding --at {at}")
    now_s = now_of(settings)
    clock = display(settings.display).clock
    with opened_store(settings.store.path) as store, said_if_not(jar):
        if what is None:
            back = reported.take_back(store, jar, now_s)
            item = back.item
            if as_json:
                denied = {"jar": jar, "what": "taken_back", "at_s": item.time_s}
                was = denied if isinstance(item, TakenBack) else told_json(item)
                put_json({"jar": jar, "taken_back": was, "seq": back.seq, "watching": watching(settings.store.path)})
                return
            click.echo(f"{jar}: taken back: {words(item)} (entered for {clock(item.time_s, now_s)}).")
            return
        near_s = None if at is None else moment(at, calendar(settings.display.time_zone), now_s=now_s)
        none = reported.was_none(store, jar, what, now_s, near_s)
    kept = Kept(seq=none.seq, watching=watching(settings.store.path))
    if as_json:
        put_json({"jar": jar, "never_happened": what, **kept.json})
        return
    click.echo(f"{jar}: noted: {words(none.item)}.{kept.counts}")
