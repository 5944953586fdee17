"""`jartide find`: listens to a broker for a minute, shows which topics look like a jar's distance and temperature, and
prints the tables for them or, with --write, adds them to the config."""

from __future__ import annotations

import sys
import threading
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.numbers import Within
from monitor.cli.opening import config_option, json_option, put_json, refuse, settings_from
from monitor.settings import MqttSettings, Settings

if TYPE_CHECKING:
    from monitor.check.find import Quantity

LISTEN_S = 60.0  # common firmware sends its readings once a minute
TOPICS_MAX = 5000
PAYLOAD_MAX = 8192
CONNECTION = (
    "host", "port", "protocol", "tls", "ca_file", "client_cert_file", "client_key_file", "user", "password_env",
    "password_file", "client_id",
)  # fmt: skip


@click.command()
@config_option
@click.option("--host", help="A broker that is not in the config yet.")
@click.option("--port", type=click.IntRange(1, 65535), help="Its port.")
@click.option("--jar", "jar", help="The jar, if a topic does not name it.")
@click.option("--write", is_flag=True, help="Add the tables to the config.")
@click.option(
    "--listen-s", type=Within(1, 3600), default=LISTEN_S, show_default=True, help="Listen this long, seconds."
)
@json_option
def find(
    config: Path, host: str | None, port: int | None, jar: str | None, write: bool, listen_s: float, as_json: bool
) -> None:  # fmt: skip
    """Find the topics of devices you already have. Exits with 1 if there are none."""
    from monitor.check.find import candidates, tables
    from monitor.sources import mqtt_link

    settings = settings_from(config)
    names = [one.name for one in settings.jars]
    if jar is not None and jar not in names:
        refuse(f"--jar {jar}: there is no such jar; there is {', '.join(names)}")
    brokers = (
        [MqttSettings(host=host, port=port)] if host else list({one.connection: one for one in settings.mqtt}.values())
    )
    if not brokers:
        refuse(f"{config}: there is no [[mqtt]] yet: name the broker with --host")
    text = ""
    found: list[tuple[MqttSettings, Quantity]] = []
    for broker in brokers:
        own = [mqtt_link.topic_pattern(one.topic) for one in settings.mqtt if one.connection == broker.connection]
        click.echo(f"listening to {broker.host} for {listen_s:g} s ...", err=True)
        try:
            quantities = candidates(listen(broker, listen_s), own)
        except Unheard as error:
            refuse(str(error))
        found += [(broker, one) for one in quantities]
        if not as_json:
            _show(quantities)
        text += "".join(
            _table(config, settings, broker, topic, read, jar) for topic, read in tables(quantities).items()
        )
    any_distance = any(one.kind == "distance" for _, one in found)
    if any_distance and write:
        if 'jar = "?"' in text:
            refuse("which jar is it? Say so with --jar")
        _write(config, text)
    if as_json:
        rows = [{"host": broker.host, **asdict(one), "coarse": one.coarse} for broker, one in found]
        put_json({"found": rows, "tables": text.strip(), "written_to": str(config) if any_distance and write else None})
    elif not any_distance:
        click.echo("No topic looks like a distance. Is the device sending, and is the jar under it?")
    elif write:
        click.echo(f"added to {config}: `systemctl reload jartide`, or restart `jartide watch`")
    else:
        click.echo(f"\n{text}\n`jartide find --write` adds this to {config}.")
    sys.exit(0 if any_distance else 1)


def line_of(one: Quantity) -> str:
    """Where a number arrives, and its present value."""
    mm = one.kind == "distance"
    now = "nothing yet" if one.value is None else f"{one.value:.0f} mm" if mm else f"{one.value:.1f} degC"
    where = f"{one.topic} {one.path}".rstrip()
    steps = "" if one.step_mm is None else f", in steps of {one.step_mm:g} mm"
    return f"{where}: {now}{steps}"


def _show(quantities: Sequence[Quantity]) -> None:
    for one in quantities:
        click.echo(f"{one.kind:<12}{line_of(one)}")
        if one.coarse:
            click.echo(
                "            Too coarse: from steps of 5 mm on, falls are seen late and feedings reported that never "
                "happened. Have the device send more digits (ESPHome: accuracy_decimals: 3)."
            )


def _table(
    config: Path, settings: Settings, broker: MqttSettings, topic: str, read: dict[str, dict[str, str]], jar: str | None
) -> str:
    from monitor.check.find import jar_of
    from monitor.config.toml_lines import toml_text

    named = jar or jar_of(topic, [one.name for one in settings.jars]) or "?"
    lines = ["", "[[mqtt]]"]
    for key in CONNECTION:
        value: Any = getattr(broker, key)
        if isinstance(value, Path):
            folder = config.absolute().parent
            value = str(value.relative_to(folder) if value.is_relative_to(folder) else value)
        if value is not None and value != getattr(MqttSettings(host=""), key):
            lines.append(f"{key} = {toml_text(value)}")
    lines += [f"topic = {toml_text(topic)}", f"jar = {toml_text(named)}", f"read = {toml_text(read)}", ""]
    return "\n".join(lines)


def _write(config: Path, text: str) -> None:
    """Add the text at the end; if the config would then not load, it is left as it was."""
    from monitor.config.reader import SettingsError, load

    before = config.read_bytes()
    trial = config.with_name(f".{config.name}.find")
    try:
        trial.write_bytes(before + (b"" if before.endswith(b"\n") else b"\n") + text.encode())
        load(trial)
    except SettingsError as error:
        refuse(*error.problems)
    except OSError as error:
        refuse(f"{config}: cannot be written: {error.strerror}")
    else:
        config.write_bytes(trial.read_bytes())  # in place: owner, rights and links stay
    finally:
        trial.unlink(missing_ok=True)


class Unheard(RuntimeError):
    """The broker cannot be listened to; the text says why."""


def listen(broker: MqttSettings, listen_s: float) -> dict[str, bytes]:
    """The last message of every topic. Raises Unheard."""
    import os

    from monitor.host.secret import SecretError
    from monitor.sources import mqtt_link

    last: dict[str, bytes] = {}
    ended: list[str] = []
    done = threading.Event()

    def on_connect(client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            ended.append(mqtt_link.refusal_words(broker, reason.value, str(reason)))
            done.set()
        else:
            client.subscribe([("#", 0)])

    def on_message(client: Any, userdata: Any, message: Any) -> None:
        if (message.topic in last or len(last) < TOPICS_MAX) and len(message.payload) <= PAYLOAD_MAX:
            last[message.topic] = bytes(message.payload)

    try:
        client = mqtt_link.make_client(broker, f"jartide-find-{os.urandom(4).hex()}", in_passing=True)
        client.on_connect, client.on_message = on_connect, on_message
        client.connect(*mqtt_link.address(broker), keepalive=30)
    except SecretError as error:
        raise Unheard(str(error)) from None
    except OSError as error:
        raise Unheard(mqtt_link.failure_words(broker, error)) from None
    client.loop_start()
    done.wait(listen_s)
    client.disconnect()
    client.loop_stop()
    if ended:
        raise Unheard(ended[0])
    return last
