"""Joins the parts into a watching daemon: lock, store, sources, sinks, schedule, signals, service manager.

`jartide watch` and the demo call it; the demo brings its own clock and source, and is otherwise the same daemon.
"""

from __future__ import annotations

import contextlib
import logging
import queue
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import floor
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from monitor.core.detect.timeouts import TICK_S
from monitor.core.display.units import Display
from monitor.daemon import deleted_store, persisted, store_alarm
from monitor.daemon.jars import Jars
from monitor.daemon.loop import Daemon
from monitor.daemon.schedule import Schedule
from monitor.daemon.signals import SignalRequests, signals
from monitor.daemon.smoothing import Smoothing
from monitor.host import heartbeat, systemd
from monitor.host.clock import Clock
from monitor.host.lock import StoreBusy, StoreLock
from monitor.host.secret import SecretError
from monitor.host.time_zone import display
from monitor.runs import daemon_status, outbox, phones, renaming
from monitor.runs.lost_readings import LostReadings
from monitor.runs.store import Store, StoreTrouble
from monitor.runs.store_file import refuse_what_is_no_store
from monitor.settings import Settings
from monitor.sinks.apprise_channel import send_test
from monitor.sinks.bake_notices import BakeNotices
from monitor.sinks.home_assistant import HomeAssistant
from monitor.sinks.mirror import Mirror
from monitor.sinks.mqtt_commands import MqttCommands
from monitor.sinks.mqtt_state import MqttState, NoticeTopic
from monitor.sinks.notices import NoticeSink, channels
from monitor.sinks.other_jars import OtherJar, OtherJars
from monitor.sinks.recorder import Unstored
from monitor.sinks.thinner import Thinner
from monitor.sources import Opening, Source, open_sources
from monitor.sources.boot_clock import BootClocks
from monitor.sources.http_post import PostedReadings
from monitor.sources.mqtt_source import MqttSource
from monitor.values import JarState, Tick

if TYPE_CHECKING:
    from monitor.page.server import PageServer
    from monitor.page.settings_form import ConfigFile

log = logging.getLogger(__name__)


def watch(
    settings: Settings,
    *,
    clock: Clock | None = None,
    own_sources: Sequence[Source] | None = None,
    started: Callable[[Daemon], None] = lambda daemon: None,
    reread: Callable[[], Settings] | None = None,
    config: Path | None = None,
) -> None:
    """Watch until SIGTERM, SIGINT or `Daemon.stop` (`started` is given the daemon once it is ready).

    On SIGHUP the config is read again with `reread`, and everything starts anew with it; if it cannot be used, each
    problem is logged and the old one stays. `config` is the file itself, so that the page can change it. Raises
    StoreBusy when another daemon has this store, StoreTrouble when the store cannot be used, SecretError and OSError
    for anything else that is missing.
    """
    clock = clock or Clock()
    before: Settings | None = None  # the last config that is known to work
    going: Settings | None = settings
    held: list[Unstored] = []
    with signals() as requests, contextlib.ExitStack() as stores:
        opened: _Opened | None = None
        try:
            while going is not None and not requests.stop_asked.is_set():
                works: list[Daemon] = []

                def ready(daemon: Daemon, works: list[Daemon] = works) -> None:
                    works.append(daemon)
                    started(daemon)

                try:
                    if opened is None or opened.store.path != going.store.path:
                        one = _open(going, clock)
                        stores.close()  # the former config's, now that the new one's has opened
                        opened = stores.enter_context(one)
                    new, held = _watch_with(going, opened, held, clock, own_sources, ready, reread, config, requests)
                    before, going = going, new
                except (SecretError, StoreBusy, StoreTrouble, OSError) as error:
                    if works or before is None:
                        raise
                    log.error("the new config does not work, the old one stays in use: %s", error)
                    going, before = before, None
            stores.close()
            deleted_store.take_along(before or settings, held, clock.wall())
        finally:
            systemd.tell(systemd.STOPPING)


@dataclass(frozen=True, slots=True)
class _Opened:
    """A store, locked and open: it stays the same for any number of configs that name it."""

    store: Store
    troubles: list[daemon_status.LastingTrouble]
    closing: contextlib.ExitStack

    def __enter__(self) -> _Opened:
        return self

    def __exit__(self, *_: object) -> None:
        self.closing.close()


def _open(settings: Settings, clock: Clock) -> _Opened:
    """Lock and open the store that the settings name. Raises StoreBusy, StoreTrouble and OSError."""
    path = settings.store.path
    path.parent.mkdir(parents=True, exist_ok=True)
    refuse_what_is_no_store(path)  # before a lock is laid beside it
    with contextlib.ExitStack() as closing:
        closing.enter_context(StoreLock(path))
        store = closing.enter_context(Store.open(path, clock.wall()))
        closing.callback(store.database.take_in_log)
        said = _tell_damage(store, settings, clock, display(settings.display))
        return _Opened(store, said, closing.pop_all())


def _watch_with(
    settings: Settings,
    opened: _Opened,
    held: Sequence[Unstored],
    clock: Clock,
    own_sources: Sequence[Source] | None,
    started: Callable[[Daemon], None],
    reread: Callable[[], Settings] | None,
    config: Path | None,
    requests: SignalRequests,
) -> tuple[Settings | None, list[Unstored]]:
    """Watch with these settings; returns the settings to go on with (None: end) and what could not be stored."""
    store = opened.store
    for was, name in renaming.carry_out(store, {jar.name for jar in settings.jars}):
        log.info("the jar %s is called %s from now on", was, name)
    show = display(settings.display)
    boots = BootClocks(persisted.power_ups(store), wall_s=clock.wall(), at_s=clock.monotonic())
    if own_sources is None:
        opening = Opening(
            settings=settings,
            client_token=persisted.client_token(store),
            clocks=boots,
            wall=clock.wall,
            monotonic=clock.monotonic,
        )
        sources: Sequence[Source] = open_sources(opening)
        if settings.page.on and (settings.page.token_env or settings.page.token_file):
            jar_names = frozenset(jar.name for jar in settings.jars)
            sources = [*sources, PostedReadings(jar_names, boots, clock.wall, clock.monotonic)]
    else:
        sources = own_sources
    file = None
    if config is not None and settings.page.on:
        from monitor.page.settings_form import ConfigFile

        file = ConfigFile(path=config, reread=requests.reload_asked.set, send_test=_send_test)
    sinks, shows = open_sinks(settings, sources, clock, persisted.client_token(store), file)
    parts: list[daemon_status.HasTrouble] = [
        *opened.troubles,
        *sinks,
        heartbeat.HungThreads(),
        LostReadings(store, show, clock.wall),
    ]
    if not settings.jars:
        parts.append(
            daemon_status.LastingTrouble(
                f"this daemon's share of the jars ({settings.share}) holds none of them",
                "Nothing is lost: the other shares watch them.",
            )
        )
    jars = Jars(settings, store, show)
    alive, changed = _alive(clock), _changed(sources)
    urgent_sinks = [sink for sink in sinks if isinstance(sink, NoticeSink | MqttState)]
    shown = [sink for sink in sinks if isinstance(sink, store_alarm.ShowsStore)]
    alarm = store_alarm.StoreAlarm(urgent_sinks, settings.notices, show, shown)
    new: list[Settings | None] = [None]

    def beat() -> None:
        alive()
        alarm.look(daemon.trouble(), clock.wall(), clock.monotonic())
        if changed():
            daemon.show()
        if requests.reload_asked.is_set() and reread is not None and may_reload():
            requests.reload_asked.clear()
            new[0] = _settings_again(reread)
            if new[0] is not None:
                daemon.stop()

    schedule = Schedule(clock.wall, clock.speed)

    def plan_tick() -> None:
        _plan_tick(schedule, daemon, clock, ticking)

    daemon = Daemon(
        jars,
        store,
        sources,
        sinks,
        clock,
        on_states=_keeper(store, clock, daemon_status.TroubleSince(show), boots, sources, parts, shows),
        beat=beat,
        on_clock_set=plan_tick,
        before_boot_s=persisted.before_boot_s(store),
        held=held,
    )
    may_reload = _once_stored(daemon)

    def ready() -> None:
        systemd.tell(systemd.READY)
        started(daemon)

    requests.daemon = daemon
    if requests.stop_asked.is_set():
        daemon.stop()
    with heartbeat.working("schedule") as ticking:
        plan_tick()
        try:
            daemon.run(ready)
        finally:
            schedule.stop()
    return new[0], daemon.held()


def _once_stored(daemon: Daemon) -> Callable[[], bool]:
    """Whether everything that came is stored, so that another config may take over; logs once why not."""
    said = [False]

    def may_reload() -> bool:
        daemon.flush()
        trouble = daemon.trouble()
        if trouble is not None and not said[0]:
            log.error("the config is read again when the store can be written again: %s", trouble)
        said[0] = trouble is not None
        return trouble is None

    return may_reload


def _tell_damage(store: Store, settings: Settings, clock: Clock, show: Display) -> list[daemon_status.LastingTrouble]:
    """The trouble to report as long as this daemon runs, that the store was damaged and set aside; none if it was
    not."""
    if store.set_aside is None:
        return []
    sentence = f"the store was damaged ({store.damage}): it was moved to {store.set_aside}, and a new one started"
    log.critical("%s", sentence)
    notice = store_alarm.damaged(store.set_aside, store.damage, settings.notices, clock.wall(), show)
    outbox.put(store, [notice], clock.wall())
    return [
        daemon_status.LastingTrouble(
            sentence, "`jartide recover` saves what is readable; enter the last feedings again."
        )
    ]


def _keeper(
    store: Store,
    clock: Clock,
    spells: daemon_status.TroubleSince,
    boots: BootClocks,
    sources: Sequence[Source],
    parts: Sequence[daemon_status.HasTrouble],
    shows: Sequence[MqttState],
) -> Callable[[Sequence[JarState]], None]:
    """A function that shows other programs what is believed, and keeps it for `status` with how all parts are doing."""

    def keep(states: Sequence[JarState]) -> None:
        for state_sink in shows:
            state_sink.show(states)
        with contextlib.suppress(StoreTrouble), store.writing():
            troubles = spells.sentences(parts, clock.wall(), clock.monotonic())
            daemon_status.write(store, clock.wall(), states, [source.health() for source in sources], troubles)
            persisted.keep_power_ups(store, boots.snapshot(wall_s=clock.wall(), at_s=clock.monotonic()))

    return keep


def _settings_again(reread: Callable[[], Settings]) -> Settings | None:
    """The config as it is now; None when it cannot be used, with a log line for each problem."""
    try:
        settings = reread()
    except ValueError as error:
        for problem in str(error).splitlines():
            log.error("%s", problem)
        log.error("the new config has errors: the old one stays in use")
        return None
    log.info("the config was read again")
    return settings


def _send_test(address: str) -> tuple[str, str | None]:
    """Send a test message to one address; returns how the address may be shown, and why the message did not go out."""
    (tested,) = send_test([address])
    return tested.shown, None if tested.ok else tested.reason


BestEffort: TypeAlias = (
    "NoticeSink | BakeNotices | MqttState | MqttCommands | HomeAssistant | Mirror | Thinner | Smoothing | PageServer"
)


def open_sinks(
    settings: Settings,
    sources: Sequence[Source],
    clock: Clock,
    instance: str,
    file: ConfigFile | None = None,
) -> tuple[list[BestEffort], list[MqttState]]:
    """Every configured best-effort sink, not yet started, and those of them that show states."""
    path = settings.store.path
    button = None
    if settings.page.on:
        from monitor.page.server import PageServer, button_of  # a page that is off costs nothing

        with contextlib.suppress(SecretError):  # the page itself says what is missing
            button = button_of(settings, clock.wall)
    told = path if phones.offered(settings.page) else None
    out = channels(settings.notices, display(settings.display), settings.page.address, button, told)
    publishers = [source for source in sources if isinstance(source, MqttSource)]
    topics = [
        NoticeTopic(publisher, publisher.settings.notice_topic).key
        for publisher in publishers
        if publisher.settings.notice_topic
    ]
    keys = [channel.key for channel in out] + topics
    shows = [
        MqttState(path, publisher, publisher.settings, keys, clock.wall, clock.monotonic) for publisher in publishers
    ]
    sinks: list[BestEffort] = [
        NoticeSink(path, out, topics, clock.wall, clock.monotonic),
        BakeNotices(settings, clock.wall, display(settings.display)),
        *shows,
    ]
    for publisher in publishers:
        mqtt = publisher.settings
        if mqtt.command_topic:
            sinks.append(MqttCommands(path, publisher, mqtt, settings, clock.wall))
        if mqtt.home_assistant:
            sinks.append(HomeAssistant(path, publisher, mqtt, settings, instance))
    if settings.influx is not None:
        sinks.append(Mirror(settings.influx, path))
    if settings.store.thin_after_days is not None:
        sinks.append(Thinner(path, settings.store.thin_after_days))
    sinks.append(Smoothing(path, {jar.name: jar.empty_mm for jar in settings.jars}))
    if settings.page.on:
        posted = next((source.take for source in sources if isinstance(source, PostedReadings)), None)
        sinks.append(PageServer(settings, clock.wall, posted, file, _others(settings, publishers, clock)))
    return sinks, shows


def _others(
    settings: Settings, publishers: Sequence[MqttSource], clock: Clock
) -> Callable[[], list[OtherJar]] | None:  # fmt: skip
    """The list of jars that other daemons publish at our brokers; None where the page does not show them."""
    if not settings.page.others:
        return None
    mine = [jar.name for jar in settings.jars]
    heard = [
        OtherJars(one, one.settings.state_topic, mine, clock.wall) for one in publishers if one.settings.state_topic
    ]
    return lambda: [jar for one in heard for jar in one.known()]


def _plan_tick(schedule: Schedule, daemon: Daemon, clock: Clock, on: Callable[[], None]) -> None:
    """Put a tick into the queue at the next point of the grid by the wall clock, and so on. `on` is called at each, and
    while the clock stands: that is no thread that hangs."""

    def tick() -> None:
        on()
        _plan_tick(schedule, daemon, clock, on)
        with contextlib.suppress(queue.Full):  # only while stopping
            daemon.put(Tick(time_s=clock.wall()))

    schedule.plan("tick", (floor(clock.wall() / TICK_S) + 1) * TICK_S, tick, still=on)


def _alive(clock: Clock) -> Callable[[], None]:
    """Tells the service manager, as often as it wants, that the loop turns and no thread hangs; without that it
    restarts us."""
    every_s = systemd.watchdog_s()
    last_s = [float("-inf")]
    hanging = heartbeat.HungThreads()
    told: list[str | None] = [None]

    def alive() -> None:
        trouble = hanging.trouble()
        if trouble is not None and trouble != told[0]:
            log.critical("%s", trouble)
        told[0] = trouble
        if heartbeat.hung_at_the_watch():
            return
        if every_s is not None and clock.monotonic() - last_s[0] >= every_s:
            last_s[0] = clock.monotonic()
            systemd.tell(systemd.ALIVE)

    return alive


def _changed(sources: Sequence[Source]) -> Callable[[], bool]:
    """Whether since the last call a source has connected, got into trouble, or got out of it."""
    last: list[list[tuple[bool, str | None]]] = [[]]

    def changed() -> bool:
        now = [(health.connected, health.trouble) for health in (source.health() for source in sources)]
        last[0], before = now, last[0]
        return now != before

    return changed
