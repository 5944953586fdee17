"""`jartide demo`: a house to look at. Five invented jars with weeks of history, a trial and notes are watched through
one night, sped up, by the same daemon that watches real jars, with the page."""

from __future__ import annotations

import contextlib
import gzip
import logging
import math
import os
import select
import socket
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.numbers import Within
from monitor.cli.opening import refuse
from monitor.host import played_clock

if TYPE_CHECKING:
    from monitor.daemon.loop import Daemon
    from monitor.settings import Settings
    from monitor.sources.recorded import RecordedSource
    from monitor.values import Event, Fed, Json

HOUSE = "house.toml"  # what happens in it; `python -m tests.demo_house` makes the two files below from it
PAST, NIGHT = "house_past.db.gz", "house_night.txt.gz"
CONFIG = "house.toml"  # of the latest house, in its folder, for other commands
PORT = 8140
TWICE_A_DAY_H = {"Rye": 12.0, "Wheat": 12.0, "White": 13.0}  # the cycles that the household wants
STAYS_S = 60.0  # after the night, if nobody sits at a terminal to end it
LOOK_S = 0.25
AGAIN_S = 3 * 3600.0  # an event dated nearer than this to the last of its kind is the same event, judged again
SAID = {  # what is printed as it is decided
    "fed": "fed",
    "rise_began": "begins to rise",
    "peak_reached": "at its peak",
    "fall_began": "begins to sink: feed it now",
    "stayed_flat": "does not rise",
    "sensor_silent": "is silent: its sensor sends nothing",
    "sensor_back": "is heard again",
}


@click.command()
@click.option("--seconds", type=Within(5, 3600), default=None, help="How long the night takes.  [default: 180]")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("jartide-demo"),
    show_default=True,
    help="Folder for the store (with --no-page, also the run and its picture).",
)
@click.option("--no-page", is_flag=True, help="A single jar through one night, without the page.")
def demo(seconds: float | None, folder: Path, no_page: bool) -> None:
    """Watch a house of invented jars through one night, sped up. Needs no hardware and no server."""
    if no_page:
        from monitor.cli.demo_night import night

        night(seconds or 30.0, folder)
        return
    _house(seconds or 180.0, folder)


class HouseClock:
    """The one clock of the house: it stands at the evening until `begin`, then runs `speed` times as fast as the real
    one, and stands again when the night is over.

    It waits for the sensors and for the watch: it never goes past the readings that have yet to come and to be stored
    (`keep_to`). So a busy machine plays a longer night, where it would otherwise find its sensors silent.
    """

    def __init__(self, from_s: float, until_s: float, speed: float, real: Callable[[], float] = time.monotonic) -> None:
        self._now_s, self._until_s, self._speed, self._real = from_s, until_s, speed, real
        self._looked_s: float | None = None
        self._next_s: Callable[[], float] = lambda: math.inf
        self._lock = threading.Lock()  # page, sources and loop ask from their own threads

    def keep_to(self, next_s: Callable[[], float]) -> None:
        """`next_s` returns how far it may go (Unix seconds)."""
        self._next_s = next_s

    def begin(self) -> None:
        """Let the night begin."""
        with self._lock:
            if self._looked_s is None:
                self._looked_s = self._real()

    def wall(self) -> float:
        """The time in the house."""
        with self._lock:
            if self._looked_s is not None:
                real_s = self._real()
                on_s = self._now_s + (real_s - self._looked_s) * self._speed
                self._looked_s = real_s
                self._now_s = max(self._now_s, min(on_s, self._next_s(), self._until_s))
            return self._now_s


def house_settings(store: Path, port: int) -> Settings:
    """The house as its config would say it. Times of day are the house's own."""
    from monitor.settings import DisplaySettings, JarSettings, NoticeSettings, PageSettings, Settings, StoreSettings
    from monitor.simulator import scenario

    text = resources.files("monitor.simulator").joinpath(HOUSE).read_text("utf-8")
    house = scenario.read(text, HOUSE)
    flours = {"Rye": "rye", "Wheat": "whole wheat", "White": "white", "Spelt": "spelt", "Spare": "rye"}
    return Settings(
        jars=tuple(
            JarSettings(
                name=jar.name,
                empty_mm=jar.empty_mm,
                rim_mm=jar.rim_mm,
                geometry=jar.geometry,
                flour=flours[jar.name],
                cycle_h=TWICE_A_DAY_H.get(jar.name, 24.0),
            )
            for jar in house.jar
        ),
        store=StoreSettings(path=store),
        notices=NoticeSettings(console=True),
        display=DisplaySettings(time_zone="UTC"),
        page=PageSettings(port=port),
    )


def config_of(settings: Settings) -> str:
    """The same as a config file, for commands beside the demo; its store lies in the same folder."""
    from monitor.config.edit import geometry_value
    from monitor.config.toml_lines import toml_text

    lines = ["# The invented house that `jartide demo` showed last, for `jartide status --config` and others.", ""]
    for jar in settings.jars:
        keys: dict[str, Json] = {"name": jar.name, "empty_mm": jar.empty_mm, "rim_mm": jar.rim_mm}
        keys |= {"geometry": geometry_value(jar.geometry), "flour": jar.flour, "cycle_h": jar.cycle_h}
        lines += ["[[jar]]", *(f"{key} = {toml_text(value)}" for key, value in keys.items()), ""]
    lines += ["[store]", f"path = {toml_text(settings.store.path.name)}", ""]
    lines += ["[page]", f"port = {settings.page.port}", ""]
    lines += ["[display]", f"time_zone = {toml_text(settings.display.time_zone)}", ""]
    return "\n".join(lines)


def _house(seconds: float, folder: Path) -> None:
    from monitor.cli.watch import log_to_stderr
    from monitor.daemon import assembly
    from monitor.host.clock import Clock
    from monitor.page.server import address
    from monitor.runs.store import Store
    from monitor.sources.recorded import RecordedSource

    store = folder / datetime.now(UTC).strftime("house-%Y%m%d-%H%M%S.db")
    settings = house_settings(store, _free_port())
    click.echo(f"The page: {address(settings)} (Ctrl-C ends the demo)")
    click.echo(f"Its store is in {folder}/, which you can delete afterwards.")
    sys.stdout.flush()
    try:
        lay_out(store)
        config = folder / CONFIG
        config.write_text(config_of(settings), encoding="utf-8")
    except OSError as error:
        refuse(f"--folder {folder}: cannot be written: {error.strerror or error}")
    with resources.files("monitor.simulator").joinpath(NIGHT).open("rb") as packed:
        lines = gzip.decompress(packed.read()).decode("utf-8").splitlines()
    from_s, until_s = (float(line.partition(" ")[0]) for line in (lines[0], lines[-1]))
    speed = (until_s - from_s) / seconds
    clock = HouseClock(from_s - 1.0, until_s + 1.0, speed)

    def report(fed: Fed) -> None:
        with Store.join(store) as shared:
            shared.tell(fed, clock.wall())

    source = RecordedSource(lines, [jar.name for jar in settings.jars], speed=speed, wall=clock.wall, report=report)
    clock.keep_to(lambda: source.next_s)
    log_to_stderr(logging.ERROR)
    hours = (until_s - from_s) / 3600.0
    click.echo(
        f"Five invented jars with eighteen days of history, and one night of {hours:.0f} hours in {seconds:g} "
        f"seconds. Try other commands in a second terminal: jartide status --config {config}\n"
    )
    sys.stdout.flush()

    def started(daemon: Daemon) -> None:
        words = (store, settings, source, clock, daemon)
        threading.Thread(target=_tell, args=words, name="telling", daemon=True).start()

    assembly.watch(
        settings,
        clock=Clock(wall=clock.wall, monotonic=clock.wall, speed=speed),
        own_sources=[source],
        started=started,
    )


def _free_port() -> int:
    """The page's usual port, or else any free one."""
    for port in (PORT, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    return PORT


def lay_out(store: Path) -> None:
    """The house's past as a store."""
    store.parent.mkdir(parents=True, exist_ok=True)
    with resources.files("monitor.simulator").joinpath(PAST).open("rb") as packed:
        store.write_bytes(gzip.decompress(packed.read()))
    store.chmod(0o600)


def _tell(path: Path, settings: Settings, source: RecordedSource, clock: HouseClock, daemon: Daemon) -> None:
    """Print what is decided as it is decided. If nobody can press Ctrl-C, end a while after the night; end at once if
    nobody reads any more (`jartide demo | head`)."""
    try:
        _tell_on(path, settings, source, clock)
    except BrokenPipeError:
        nowhere = os.open(os.devnull, os.O_WRONLY)  # for anything that is still printed
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    daemon.stop()


def _tell_on(path: Path, settings: Settings, source: RecordedSource, clock: HouseClock) -> None:
    """Print until there is nothing more to print. Raises BrokenPipeError."""
    from monitor.host.time_zone import display
    from monitor.runs.store import Store

    show = display(settings.display)
    with Store.join(path) as store:
        before = store.events_after(0, 1_000_000)
        place = max((number for number, _ in before), default=0)
        said = {(event.jar, event.kind.value): event.happened_at_s for _, event in before}
        clock.begin()  # begin the night only when it is known what happened before it
        over_s: float | None = None
        while True:
            _share(clock, path)
            for number, event in store.events_after(place, 1000):
                place = number
                line = _line(event, said, show.clock)
                if line:
                    click.echo(line)
                    sys.stdout.flush()
            if source.ended.is_set() and over_s is None:
                over_s = time.monotonic()
                stays = "stays open" if sys.stdout.isatty() else f"stays open for {STAYS_S:.0f} s"
                click.echo(f"\nThe night is over. The page {stays}.")
                sys.stdout.flush()
            if over_s is not None and not sys.stdout.isatty() and time.monotonic() - over_s >= STAYS_S:
                return
            if _nobody_reads():
                raise BrokenPipeError
            time.sleep(LOOK_S)


def _share(clock: HouseClock, store: Path) -> None:
    """Let other commands know what time it is in the house. It cannot be foreseen, as its clock waits for the readings:
    so it stands, and is set a few times a second."""
    played = played_clock.PlayedClock(began_s=time.time(), shown_s=clock.wall(), speed=0.0)
    with contextlib.suppress(OSError):  # the disk is full, or the folder gone: the demo goes on
        played_clock.write(played_clock.beside(store), played)


def _nobody_reads() -> bool:
    """Whether standard output is a pipe that its reader has closed (`jartide demo | head`)."""
    try:
        looked = select.poll()
        looked.register(sys.stdout.fileno(), 0)
        return any(found & (select.POLLERR | select.POLLHUP) for _, found in looked.poll(0))
    except (OSError, ValueError):
        return False


def _line(event: Event, said: dict[tuple[str, str], float], clock: Callable[[float, float], str]) -> str | None:
    """One decision in words; one that is only judged again (a refined peak, a report of a feeding already seen) is not
    repeated."""
    words = SAID.get(event.kind.value)
    key = event.jar, event.kind.value
    if words is None or abs(event.happened_at_s - said.get(key, -AGAIN_S)) < AGAIN_S:
        return None
    said[key] = event.happened_at_s
    known = clock(event.decided_at_s, event.decided_at_s)
    return f"{clock(event.happened_at_s, event.decided_at_s)}  {event.jar} {words} (known at {known})"
