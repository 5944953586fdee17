"""How old the readings are that a command's advice rests on: a line on standard error, and a key of its JSON."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict

import click

from monitor.host.time_zone import display
from monitor.review import old_readings
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import JarSettings, Settings
from monitor.values import Json

KEY = "old_readings"  # of every answer in JSON that judges a jar as it is now; [] where all are fresh


def say_if_old(settings: Settings, jars: Iterable[JarSettings], now_s: float) -> list[Json]:
    """Say on standard error whose readings are old; what goes under `KEY`. Nothing for a store that cannot be read,
    which the command itself reports."""
    if not settings.store.path.exists():
        return []
    try:
        with Store.join(settings.store.path) as store:
            old = old_readings.of_store(store, jars, now_s)
    except StoreTrouble:
        return []
    said = old_readings.words(old, display(settings.display), now_s)
    if said is not None:
        click.echo(said, err=True)
    return [asdict(one) for one in old]
