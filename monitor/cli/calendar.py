"""`jartide calendar`: the secret addresses at which phones find what is expected of the jars and planned for them."""

from __future__ import annotations

import json
from pathlib import Path

import click

from monitor.cli.completion import jars as complete_jars
from monitor.cli.opening import config_option, jar_from, json_option, refuse, settings_from


@click.command()
@click.argument("jar", required=False, shell_complete=complete_jars)
@click.option("--revoke", is_flag=True, help="First give all calendars new addresses; the old ones stop working.")
@json_option
@config_option
def calendar(jar: str | None, revoke: bool, as_json: bool, config: Path) -> None:
    """Print the addresses to subscribe to in a calendar: of JAR, or of all jars together and each.

    They show when a jar will probably peak and need feeding, and the feedings of a planned bake. Anyone who has an
    address can look, so keep it secret; a new page password also changes all addresses.
    """
    from monitor.host.secret import SecretError
    from monitor.page import calendar_feed, server
    from monitor.runs.store import Store, StoreTrouble

    settings = settings_from(config)
    names = [jar_from(settings, jar).name] if jar else [one.name for one in settings.jars]
    if not settings.page.on:
        refuse("calendar: it is served by the page, which on = false in [page] turns off")
    try:
        with Store.join(settings.store.path) as store:
            nonce = calendar_feed.revoke(store) if revoke else calendar_feed.nonce(store)
        paths = calendar_feed.addresses(server.seal_of(settings), nonce, names)
    except (StoreTrouble, SecretError) as error:
        refuse(f"calendar: {error}")
    begins = (settings.page.address or server.address(settings)).rstrip("/")
    found = {name: f"{begins}/{path}" for name, path in paths.items() if name or not jar}
    if as_json:
        click.echo(json.dumps({"all": found.pop("", None), "jars": found}, ensure_ascii=False))
        return
    wide = max(len("every jar"), *map(len, found))
    for name, address in found.items():
        click.echo(f"{name or 'every jar':<{wide}}  {address}")
    if settings.page.address is None:
        click.echo("A phone needs an address that it can reach: set `address` in [page].")
