"""`jartide demo --no-page`: one simulated night, sped up, through the daemon that watches real jars."""

from __future__ import annotations

import logging
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.opening import refuse

if TYPE_CHECKING:
    from monitor.cli.demo import HouseClock
    from monitor.daemon.loop import Daemon
    from monitor.settings import Settings
    from monitor.sources.simulated import SimulatedSource

LOOK_S = 0.1
PATIENCE_S = 60.0  # for the last tick to be stepped and its notice sent, on the busiest machine


def night(seconds: float, folder: Path) -> None:
    """Watch a jar that does not exist through one night, sped up."""
    from monitor.cli.demo import HouseClock
    from monitor.cli.watch import log_to_stderr
    from monitor.core.detect.timeouts import TICK_S
    from monitor.daemon import assembly
    from monitor.host.clock import Clock
    from monitor.settings import JarSettings, NoticeSettings, PageSettings, Settings, StoreSettings
    from monitor.simulator import scenario
    from monitor.sources.simulated import SimulatedSource

    text = resources.files("monitor.simulator").joinpath("night.toml").read_text(encoding="utf-8")
    night = scenario.read(text, "night.toml")
    (jar,) = night.jar
    name = folder / datetime.now(UTC).strftime("night-%Y%m%d-%H%M%S")
    settings = Settings(
        jars=(JarSettings(name=jar.name, empty_mm=jar.empty_mm, geometry=jar.geometry, rim_mm=jar.rim_mm),),
        store=StoreSettings(path=name.with_suffix(".db")),
        notices=NoticeSettings(console=True),
        page=PageSettings(on=False),
    )
    speed = night.hours * 3600 / seconds
    from_s = _last_evening_s(time.time())
    until_s = from_s + night.hours * 3600.0 + TICK_S
    clock = HouseClock(from_s, until_s, speed)  # stands at the end: nothing piles up
    source = SimulatedSource(night, speed=speed, wall=clock.wall)
    clock.keep_to(lambda: source.next_s)
    log_to_stderr(logging.ERROR)  # here the end of the scenario is not a fault
    click.echo(f"{night.hours:g} hours of a simulated jar in {seconds:g} seconds: {night.shows}.")
    try:
        assembly.watch(
            settings,
            clock=Clock(wall=clock.wall, monotonic=clock.wall, speed=speed),
            own_sources=[source],
            started=lambda daemon: _stop_at_the_end(daemon, source, clock, settings.store.path, until_s),
        )
    except OSError as error:
        refuse(f"--folder {folder}: cannot be written: {error.strerror or error}")
    _show(settings, name)


def _last_evening_s(now_s: float) -> float:
    """19:00 local time of yesterday."""
    evening = datetime.fromtimestamp(now_s).astimezone() - timedelta(days=1)
    return evening.replace(hour=19, minute=0, second=0, microsecond=0).timestamp()


def _stop_at_the_end(daemon: Daemon, source: SimulatedSource, clock: HouseClock, path: Path, until_s: float) -> None:
    """Begin the night, and stop the daemon when its last tick, at `until_s`, is stepped and every notice sent; on a
    busy machine that is a while after the last reading."""
    from monitor.runs import daemon_status, outbox
    from monitor.runs.store import Store

    clock.begin()

    def wait() -> None:
        source.ended.wait()
        given_up_s = time.monotonic() + PATIENCE_S
        with Store.join(path) as store:
            while time.monotonic() < given_up_s:
                status = daemon_status.read(store)
                if status is not None and status.as_of_s >= until_s and not outbox.due(store, until_s):
                    break
                time.sleep(LOOK_S)
        daemon.stop()

    threading.Thread(target=wait, name="end of the demo", daemon=True).start()


def _show(settings: Settings, name: Path) -> None:
    """What was decided, the run as a file, and the picture."""
    from monitor.core.detect.superseded import not_superseded
    from monitor.host.time_zone import display
    from monitor.review.picture import PictureError, draw, final_marks
    from monitor.review.summary import summarize
    from monitor.runs import transfer
    from monitor.runs.store import Store

    jar, show = settings.jars[0], display(settings.display)
    with Store.join(settings.store.path) as store:
        run = store.open_run(jar.name)
        if run is None:
            refuse("the demo's source sent no reading")
        events = not_superseded(store.events(run.id))
        readings = [reading for _, reading in store.rows_of(run)]
        with name.with_suffix(".csv").open("w", encoding="utf-8", newline="") as out:
            transfer.export(store, run, None, out)
    click.echo("\nWhat was decided:")
    for event in final_marks(events):
        happened, decided = (show.clock(at_s, at_s) for at_s in (event.happened_at_s, event.decided_at_s))
        click.echo(f"  {event.kind.value.replace('_', ' '):13} {happened}, known at {decided}")
    click.echo(f"\n{len(readings)} readings in the store {settings.store.path}")
    click.echo(f"the run as a file: {name.with_suffix('.csv')}")
    picture = name.with_suffix(".png")
    try:
        title = f"{jar.name}: a simulated night"
        zone = datetime.now().astimezone().tzinfo or UTC
        looked_back = summarize(readings, events, (), jar, {})
        tops = [cycle.top for cycle in looked_back.cycles if cycle.top is not None] if looked_back else []
        draw(readings, events, empty_mm=jar.empty_mm, title=title, zone=zone, path=picture, tops=tops)
        click.echo(f"its picture, with peak and fall as worked out afterwards: {picture}")
    except PictureError as error:
        click.echo(str(error), err=True)
        sys.exit(1)
