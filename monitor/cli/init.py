"""`jartide init`: a config, step by step, and with `--service` the service around it. Each question is an option."""

from __future__ import annotations

import glob
import json
import os
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import click

from monitor.cli.opening import DEFAULT_CONFIG, SERVICE_FOLDER, refuse
from monitor.config.first_config import Answers, problems_of, text_of
from monitor.config.rules import CLOCK_TIME, HOST_NAME, JAR_NAME, LIMITS
from monitor.host.shipped import shipped
from monitor.values import Json

PORTS = ("/dev/serial/by-id/*", "/dev/ttyUSB*", "/dev/ttyACM*")  # names that last come first
EASY_PORT = "/dev/serial/by-id/*"  # matches the device if only one is plugged in
SERIAL, MQTT, LATER = "serial", "mqtt", "later"
LISTEN_S = 10.0  # enough for devices that announce themselves or send every 5 to 10 s; `jartide find` hears the others
NOBODY = (
    "there is nobody to answer. Run `jartide init` in a terminal, or `jartide init --page` to answer in a browser, or "
    "give all answers at once, like: jartide init --jar rye --serial /dev/ttyUSB0 --yes"
)
CAUTION = "Never seal a fermenting jar: a lid with a sensor in it must lie on loosely too."


@click.command()
@click.option("--config", type=click.Path(path_type=Path, dir_okay=False), envvar="JARTIDE_CONFIG",
              help=f"The file to write.  [default: {DEFAULT_CONFIG}; for a service in {SERVICE_FOLDER}]")  # fmt: skip
@click.option("--jar", help="The jar's name.")
@click.option("--serial", "serial_port", metavar="PORT", help="Readings come from a board on this serial port.")
@click.option("--mqtt", "mqtt_host", metavar="HOST", help="Readings come through this MQTT broker.")
@click.option("--mqtt-user", help="The broker's user; the password goes into its own file.")
@click.option("--empty-mm", type=float, help="What the sensor reads over the empty jar, mm.")
@click.option("--rim-mm", type=float, help="The rim above the inside bottom, mm.")
@click.option("--diameter-mm", type=float, help="The jar's inside width, mm.")
@click.option("--sensor", type=click.Choice(["optical", "ultrasonic"]), default="optical", show_default=True)
@click.option("--flour", help="What it is usually fed.")
@click.option("--quiet", metavar="FROM-TO", help='Hours without notices, local time: "22:30-06:30"; "" for none.')
@click.option("--notices-to", "address_file", metavar="FILE", help="A file with one notification address a line.")
@click.option("--yes", is_flag=True, help="Ask nothing: everything without an option gets its default.")
@click.option("--page", "on_page", is_flag=True, help="Set up step by step in a browser on this machine.")
@click.option("--service", is_flag=True, help="Also set up the service (as root): user, folders, unit, nightly copies.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of the config, for editors, and write nothing.")
@click.option("--root", type=click.Path(path_type=Path, file_okay=False), default=Path("/"), hidden=True)
def init(
    config: Path | None, jar: str | None, serial_port: str | None, mqtt_host: str | None, mqtt_user: str | None,
    empty_mm: float | None, rim_mm: float | None, diameter_mm: float | None, sensor: str, flour: str | None,
    quiet: str | None, address_file: str | None, yes: bool, on_page: bool, service: bool, schema: bool, root: Path,
) -> None:  # fmt: skip
    """Write a config for a first jar, step by step: Enter takes the answer in brackets, or leaves it open.

    Nothing is overwritten. `jartide calibrate` and the config's comments help to fill in the rest later.
    """
    from monitor.cli import service as unit

    if schema:
        from monitor.config.json_schema import json_schema

        everything = shipped("configs/everything.toml").read_text("utf-8")
        click.echo(json.dumps(json_schema(everything), indent=2, ensure_ascii=False))
        return
    if service:
        unit.check_may(root)
    if config is None:
        config = root / SERVICE_FOLDER.relative_to("/") / DEFAULT_CONFIG if service else Path(DEFAULT_CONFIG)
    if config.exists() and not service:
        refuse(f"{config} exists already and stays as it is: give a new name with --config, or edit it")
    if serial_port is not None and mqtt_host is not None:
        refuse("--serial and --mqtt: start with one of them; you can add the other to the config")
    if on_page:
        if service:
            refuse(
                "--page and --service: first set up on the page, then run `jartide init --service --config` with the "
                "file it wrote"
            )
        _by_page(config)
        return
    answers = None
    if not config.exists():
        answers = _answers(
            _Asking(not yes), jar, serial_port, mqtt_host, mqtt_user, empty_mm, rim_mm, diameter_mm, sensor, flour,
            quiet, address_file,
        )  # fmt: skip
    text = "" if answers is None else text_of(answers)
    if service:
        unit.set_up(root, config, text or None)
    else:
        try:
            config.parent.mkdir(parents=True, exist_ok=True)
            with config.open("x", encoding="utf-8") as file:
                file.write(text)
        except OSError as error:
            refuse(f"{config}: cannot be written: {error.strerror}")
        click.echo(f"Written: {config}")
    _say_next(config, service, needs_password=answers is not None and "user" in (answers.mqtt or {}))


def _by_page(config: Path) -> None:
    """Serve the guided set-up until it has written the config."""
    from monitor.setup import server

    def said(address: str) -> None:
        click.echo(f"Open {address}\n(on this machine only; the address works in one browser; Ctrl-C ends it)")
        if os.environ.get("SSH_CONNECTION"):
            port = address.split(":")[2].partition("/")[0]
            click.echo(f"From another computer, first run: ssh -L {port}:127.0.0.1:{port} USER@THIS_MACHINE")
        sys.stdout.flush()

    try:
        written = server.serve(config.absolute(), said)
    except KeyboardInterrupt:
        written = config.exists()
    if not written:
        click.echo("Stopped: nothing was written.")
        sys.exit(1)
    click.echo(f"Written: {config}")
    _say_next(config, service=False, needs_password=False)


class _Asking:
    """Asks questions, or takes the default answer if nobody can be asked."""

    def __init__(self, on: bool) -> None:
        self.on = on

    def __call__(self, question: str, given: str | None, usual: str, allowed: Callable[[str], str | None]) -> str:
        """An answer that `allowed` does not object to; `given` comes from an option."""
        if given is not None or not self.on:
            answer = usual if given is None else given
            if wrong := allowed(answer):
                refuse(f"{question}: {answer}: {wrong}")
            return answer
        while True:
            try:
                answer = str(click.prompt(question, default=usual, show_default=usual != "")).strip()
            except click.Abort:
                if sys.stdin.isatty():
                    raise  # Ctrl-C
                refuse(f"\n{question}: {NOBODY}")
            wrong = allowed(answer)
            if wrong is None:
                return answer
            click.echo(f"  {wrong}")


# branches: one question after the other, in the order asked
def _answers(
    ask: _Asking, jar: str | None, serial_port: str | None, mqtt_host: str | None, mqtt_user: str | None,
    empty_mm: float | None, rim_mm: float | None, diameter_mm: float | None, sensor: str, flour: str | None,
    quiet: str | None, address_file: str | None,
) -> Answers:  # fmt: skip
    if ask.on:
        click.echo(f"A config for a first jar. {CAUTION}\n")
    name = ask("The jar's name", jar, "rye", _a_name)
    found: dict[str, Json] = {}
    if serial_port is None and mqtt_host is None:
        ports = [port for pattern in PORTS for port in sorted(glob.glob(pattern))]
        usual = SERIAL if ports else MQTT if ask.on else LATER
        way = ask(
            f"How do readings come in: {SERIAL} (a board on USB), {MQTT} (over Wi-Fi) or {LATER}", None, usual, _a_way
        )
        if way == SERIAL:
            for port in ports:
                click.echo(f"  there is {port}")
            serial_port = ask("Its port", None, ports[0] if len(ports) > 1 else EASY_PORT, _a_port)
        elif way == MQTT:
            mqtt_host = ask("The broker's name or address", None, "localhost", _a_host)
            mqtt_user = ask("Its user (Enter: none)", mqtt_user, "", lambda _: None) or None
            found = _topic(ask, mqtt_host) if ask.on and mqtt_user is None else {}
    elif mqtt_host is not None:
        mqtt_host = ask("--mqtt", mqtt_host, "", _a_host)
    else:
        serial_port = ask("--serial", serial_port, "", _a_port)

    def measure(question: str, given: float | None, key: str) -> float | None:
        text = ask(f"{question}, mm (Enter: later)", None if given is None else f"{given:g}", "", _a_length(key))
        return float(text) if text else None

    empty_mm = measure("What the sensor reads over the empty jar", empty_mm, "empty_mm")
    rim_mm = measure("The rim above the inside bottom", rim_mm, "rim_mm")
    diameter_mm = measure("The jar's inside width", diameter_mm, "diameter_mm")
    flour = ask("What flour it is usually fed (Enter: unknown)", flour, "", _a_text) or None
    hours = ask('Quiet hours, like 22:30-06:30 (Enter: as shown; or "none")', quiet or None if quiet != "" else "none",
                "22:30-06:30", _a_span)  # fmt: skip
    begin, _, end = ("", "", "") if hours == "none" else hours.partition("-")
    answers = Answers(
        jar=name, empty_mm=empty_mm, rim_mm=rim_mm, diameter_mm=diameter_mm, flour=flour, sensor=sensor,
        serial=None if serial_port is None else {"port": serial_port}, mqtt=_broker(mqtt_host, mqtt_user, found),
        quiet_from=begin or None,
        quiet_to=end or None, address_file=address_file,
    )  # fmt: skip
    if wrong := problems_of(answers):
        refuse(*wrong)
    return answers


def _topic(ask: _Asking, host: str) -> dict[str, Json]:
    """Which of the broker's topics is the jar's, judging by what arrives there: the keys of its table, none for our own
    format."""
    from monitor.check.find import candidates, tables
    from monitor.cli.find import Unheard, line_of, listen
    from monitor.settings import MqttSettings
    from monitor.sources import mqtt_link

    broker = MqttSettings(host=host)
    click.echo(f"  listening to {host} for {LISTEN_S:g} s ...")
    try:
        messages = listen(broker, LISTEN_S)
    except Unheard as error:
        click.echo(f"  {error}. `jartide find --write` finds its topics later.")
        return {}
    own = mqtt_link.topic_pattern(broker.topic)
    quantities = candidates(messages, [own])
    distances = [one for one in quantities if one.kind == "distance"]
    for topic in messages:
        if of_jar := own.fullmatch(topic):
            click.echo(f"  our firmware sends readings of a jar called {of_jar['jar']}: {topic}")
    if not distances:
        click.echo("  no other topic looks like a distance; `jartide find --write` looks again, for a minute")
        return {}
    for number, one in enumerate(distances, 1):
        click.echo(f"  {number}  {line_of(one)}")
    chosen = int(ask("Which one is the jar's (0: none of these)", None, "1", _a_number(len(distances))))
    if chosen == 0:
        return {}
    topic, reads = distances[chosen - 1].topic, tables(quantities)
    if any(one.kind == "temperature" for one in quantities) and "temperature" not in reads[topic]:
        click.echo("  its temperature comes on another topic: `jartide find --write` adds it")
    return {"topic": topic, "read": {kind: {**how} for kind, how in reads[topic].items()}}


def _broker(host: str | None, user: str | None, found: Mapping[str, Json]) -> dict[str, Json] | None:
    if host is None:
        return None
    return {"host": host, **found} if user is None else {"host": host, "user": user}


def _a_name(text: str) -> str | None:
    fits = JAR_NAME.fullmatch(text)
    return None if fits else "at most 40 letters, digits, . _ or -, since it is part of MQTT topics"


def _a_way(text: str) -> str | None:
    return None if text in (SERIAL, MQTT, LATER) else f"write {SERIAL}, {MQTT} or {LATER}"


def _a_port(text: str) -> str | None:
    return None if text.startswith("/") or "://" in text else "a device such as /dev/ttyUSB0"


def _a_number(most: int) -> Callable[[str], str | None]:
    return lambda text: None if text.isdecimal() and int(text) <= most else f"a number from 0 to {most}"


def _a_host(text: str) -> str | None:
    return None if HOST_NAME.fullmatch(text) or ":" in text else "a name such as localhost, or an address"


def _a_text(text: str) -> str | None:
    return None if text.isprintable() else "one line of text"


def _a_span(text: str) -> str | None:
    begin, _, end = text.partition("-")
    fits = text == "none" or (CLOCK_TIME.fullmatch(begin) and CLOCK_TIME.fullmatch(end))
    return None if fits else "two times of day, like 22:30-06:30, or none"


def _a_length(key: str) -> Callable[[str], str | None]:
    least, most, _ = LIMITS["jar"].get(key, (20.0, 1000.0, "mm"))

    def allowed(text: str) -> str | None:
        try:
            fits = not text or least <= float(text) <= most
        except ValueError:
            fits = False
        return None if fits else f"a number of mm from {least:g} to {most:g}"

    return allowed


def _say_next(config: Path, service: bool, *, needs_password: bool) -> None:
    named = "" if service or config == Path(DEFAULT_CONFIG) else f" --config {config}"
    click.echo("Next:")
    if needs_password:
        click.echo(f"  write the broker's password to {config.with_name('mqtt_password')} (mode 600)")
    click.echo(f"  jartide check{named}       tests the port or broker, and says what to do")
    click.echo(f"  jartide calibrate{named}   measures the empty jar and its shape")
    if not service:
        click.echo(f"  jartide watch{named}       watches; as a service: sudo jartide init --service")
        if os.environ.get("JARTIDE_CONFIG") is None and config.resolve().parent != Path.cwd():
            click.echo(f"  export JARTIDE_CONFIG={config.resolve()}   so that every command finds it")
