"""`jartide check`: tests everything that a night depends on, prints what it finds, exits with 1 if any of it is wrong.
Works beside a running daemon and without one."""

from __future__ import annotations

import json
import logging
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.check import Finding
from monitor.cli.numbers import Within
from monitor.cli.opening import config_option, json_option, settings_from

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.values import JarState

LISTEN_S = 40.0  # a Wi-Fi board set up by our notes sends every 30 s
MARKS = {"ok": ("ok   ", "green"), "note": ("note ", "yellow"), "wrong": ("WRONG", "red")}


@click.command()
@config_option
@click.option("--send-test", is_flag=True, help="Send a test message to each notification address.")
@json_option
@click.option(
    "--listen-s",
    type=Within(1, 3600),
    default=LISTEN_S,
    show_default=True,
    help="Wait at most this long for readings, seconds.",
)
def check(config: Path, send_test: bool, as_json: bool, listen_s: float) -> None:
    """Test the config, store, clock, ports, brokers, jars and notices. Exits with 1 if something is wrong."""
    settings = settings_from(config)
    logging.getLogger("monitor").addHandler(logging.NullHandler())  # the findings say what the sources would log
    found: list[Finding] = []
    for finding in _findings(settings, config, send_test=send_test, listen_s=listen_s):
        found.append(finding)
        if not as_json:
            _show(finding)
    wrong = sum(finding.state == "wrong" for finding in found)
    if as_json:
        click.echo(json.dumps({"ok": wrong == 0, "findings": [asdict(one) for one in found]}, ensure_ascii=False))
    elif wrong:
        click.echo(f"{wrong} thing{'s are' if wrong > 1 else ' is'} wrong: see above.")
    else:
        click.echo("Nothing is wrong.")
    sys.exit(1 if wrong else 0)


def _findings(settings: Settings, config: Path, *, send_test: bool, listen_s: float) -> Iterator[Finding]:
    """All findings, each as soon as it is known."""
    from monitor.check import ground, jar_sense, listen, sources
    from monitor.host.time_zone import display
    from monitor.runs.store import StoreTrouble
    from monitor.settings import SOURCES

    show = display(settings.display)
    jars = ", ".join(jar.name for jar in settings.jars)
    tables = ", ".join(f"{len(getattr(settings, name))} [[{name}]]" for name in SOURCES)
    yield Finding("config", "ok", f"{config}: {jars}; {tables}")
    yield from ground.store(settings)
    yield from ground.clock(settings)
    yield from ground.secrets(settings)
    yield from ground.notices(settings, send_test=send_test)
    yield from ground.mirror(settings)
    try:
        with listen.listening(settings) as listener:
            began_s = time.monotonic()
            if settings.any_source:
                click.echo(f"listening for up to {listen_s:g} s ...", err=True)
                listen.wait(listener, lambda received: sources.enough(settings, received), listen_s)
            judged = list(sources.judge(settings, listener, time.monotonic() - began_s))
            yield from judged
            if settings.mqtt:
                from monitor.check import broker_queue

                yield from broker_queue.judge(settings)
            well = all(finding.state != "wrong" for finding in judged)
            known, now_s = _known(settings), time.time()
            for jar in settings.jars:
                readings, last = listener.received().readings.get(jar.name, []), known.get(jar.name)
                last_s = last.last_reading_s if last else None
                yield from jar_sense.judge(
                    jar,
                    readings,
                    show=show,
                    sources_well=well,
                    silent_s=None if last_s is None else max(now_s - last_s, 0.0),
                    sampling_s=last.sampling_s if last else None,
                )
    except StoreTrouble as error:
        yield Finding("store", "wrong", str(error))


def _known(settings: Settings) -> dict[str, JarState]:
    """What the daemon last knew of each jar; empty if no daemon has run yet."""
    from monitor.runs import daemon_status
    from monitor.runs.store import Store

    if not settings.store.path.exists():
        return {}
    with Store.join(settings.store.path) as store:
        status = daemon_status.read(store)
    return {state.jar: state for state in status.jars} if status else {}


def _show(finding: Finding) -> None:
    mark, colour = MARKS[finding.state]
    click.echo(f"{click.style(mark, fg=colour)} {finding.what}: {finding.says}")
