"""What most commands begin with: the config, the jar, a time as people write it. Exits with 2 if one is wrong."""

from __future__ import annotations

import functools
import json
import os
import sys
import time
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TypeVar, cast

import click

from monitor.cli.nearest import near
from monitor.host import played_clock

if TYPE_CHECKING:
    from monitor.runs.run_file import RunFile
    from monitor.settings import JarSettings, Settings
    from monitor.values import Fed

F = TypeVar("F", bound=Callable[..., object])
DEFAULT_CONFIG = "jartide.toml"
SERVICE_FOLDER = Path("/var/lib/jartide")  # where the service has config and store


def with_options(command: F, *options: Callable[[F], F]) -> F:
    """A command with these options, of which `--help` lists the last one first."""
    for option in options:
        command = option(command)
    return command


def usual_places() -> list[Path]:
    """Where a config is looked for: here, the user's own config folder, the service's, the machine's."""
    own = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    folders = [Path(own) / "jartide", SERVICE_FOLDER, Path("/etc/jartide")]
    return [Path(DEFAULT_CONFIG), *(folder / DEFAULT_CONFIG for folder in folders)]


def found_config() -> Path:
    """The first config in the usual places; if there is none, the path that it would have here."""
    return next((path for path in usual_places() if os.path.exists(path)), Path(DEFAULT_CONFIG))


def config_option(command: F) -> F:
    """`--config FILE`, also from the environment variable JARTIDE_CONFIG, else the first in the usual places."""
    return click.option(
        "--config",
        "config",
        type=click.Path(path_type=Path, dir_okay=False),
        default=found_config,
        show_default="jartide.toml here, else in ~/.config/jartide, /var/lib/jartide or /etc/jartide",
        envvar="JARTIDE_CONFIG",
        help="The config file.",
    )(command)


def store_option(command: F) -> F:
    """`--store FILE`: a store, instead of the one that the config names."""
    return click.option(
        "--store",
        "store_path",
        type=click.Path(path_type=Path, dir_okay=False, resolve_path=True),
        help="The store, without a config.",
    )(command)


def json_option(command: F) -> F:
    """`--json`, as the parameter `as_json`: the command's output as one object, for `put_json`."""
    return click.option("--json", "as_json", is_flag=True, help="The same as one JSON object.")(command)


def put_json(body: Mapping[str, object]) -> None:
    """One JSON object on a line of standard output."""
    click.echo(json.dumps(body, ensure_ascii=False))


def form_options(*others: str, machine: str = "json") -> Callable[[F], F]:
    """`--json`, and the longer `--format`, which means the same, as the parameter `form`."""

    def add(command: F) -> F:
        @functools.wraps(command)
        def run(*given: object, form: str, as_json: bool, **named: object) -> object:
            return command(*given, form=machine if as_json else form, **named)

        return with_options(
            cast(F, run),
            click.option("--json", "as_json", is_flag=True, help=f"Print JSON: the same as --format {machine}."),
            click.option("--format", "form", type=click.Choice(["text", machine, *others]), default="text"),
        )

    return add


def settings_from(config: Path) -> Settings:
    """The settings in `config`; prints every problem and exits with 2 when it cannot be used."""
    from monitor.config.reader import SettingsError, load  # imported here: a command's help does not need it

    try:
        return load(config)
    except SettingsError as error:
        refuse(*error.problems)


def jar_from(settings: Settings, name: str) -> JarSettings:
    """The jar called `name`; exits with 2 when the config has none of that name."""
    try:
        return settings.jar(name)
    except KeyError:
        known = [jar.name for jar in settings.jars]
        refuse(f"JAR: {name} is not in the config.{near(name, known)} Its jars are: {', '.join(known) or 'none'}")


def run_file_from(path: Path, feedings: Path | None) -> tuple[RunFile, list[Fed]]:
    """A run file, and the reported feedings in the file `feedings`, whose rows that make no sense are listed on
    standard error. Exits with 2 when one of them cannot be read."""
    from monitor.runs import run_file

    try:
        opened = run_file.read(path)
        told, bad = ([], []) if feedings is None else run_file.read_feedings(feedings, opened.jar)
    except run_file.RunFileError as error:
        refuse(str(error))
    for row in bad:
        click.echo(f"{feedings}, line {row.line}: {row.reason}", err=True)
    return opened, told


def to_be_new(option: str, path: Path | None) -> None:
    """Exits with 2 if the file exists already, as no file is overwritten (a pipe or a device may be written to)."""
    if path is not None and path.is_file():
        refuse(f"{option}: {path} exists already; give a new name")


def ascii_only() -> bool:
    """Whether standard output can show only ASCII."""
    return "utf" not in (sys.stdout.encoding or "").lower()


def refuse(*lines: str) -> NoReturn:
    """Prints what is wrong with the call, one line for each problem, and exits with 2. A file's name may hold any
    characters."""
    from monitor.core.display.units import without_controls

    for line in lines:
        click.echo("\n".join(map(without_controls, line.split("\n"))), err=True)
    sys.exit(2)


def now_of(settings: Settings) -> float:
    """The time where these jars are watched, which may be a night that is played (`jartide watch --clock`)."""
    return played_clock.now_s(settings.store.path, time.time())


def moment(text: str | None, zone: tzinfo, *, now_s: float | None = None) -> float:
    """A time as typed, as Unix seconds: "07:30" is the latest such time in the household's zone, "2026-03-02 07:30" is
    in that zone as well, RFC 3339 ("2026-03-02T06:30:00Z") gives its own zone; None is now. Raises click.BadParameter,
    also for the future."""
    now_s = time.time() if now_s is None else now_s
    if text is None:
        return now_s
    now = datetime.fromtimestamp(now_s, zone)
    for form in ("%H:%M", "%Y-%m-%d %H:%M"):
        try:
            read = datetime.strptime(text, form)
        except ValueError:
            continue
        if form == "%H:%M":
            today = now.replace(hour=read.hour, minute=read.minute, second=0, microsecond=0)
            latest = today if today.timestamp() <= now_s else today - timedelta(days=1)  # by the clock on the wall
            return latest.timestamp()
        return _past(in_zone(read, zone), text, now_s)
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"{text}: write 07:30, or 2026-03-02 07:30, or 2026-03-02T06:30:00Z") from None
    return _past(in_zone(when, zone), text, now_s)


def in_zone(typed: datetime, zone: tzinfo) -> float:
    """A date and time as typed, as Unix seconds: in the household's zone, unless it says its own."""
    return (typed if typed.tzinfo else typed.replace(tzinfo=zone)).timestamp()


def _past(when_s: float, text: str, now_s: float) -> float:
    if when_s > now_s + 60.0:
        raise click.BadParameter(f"{text} is in the future; enter it when it has happened")
    return when_s
