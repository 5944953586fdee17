"""WHERE A READING ENTERS: bytes and payloads become deliveries for the daemon's queue.

    serial_port, mqtt_source, http_post -> ingest (wire or general_form reads it) -> put -> the daemon's queue

A source owns one port or connection, and a thread. It only puts things into the queue and decides nothing about the
starter. What came in over MQTT is acknowledged to the broker only after the commit, when the daemon says so.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from math import inf
from typing import Protocol

from monitor.host.time_zone import offset_of
from monitor.settings import MqttSettings, Settings
from monitor.sources.boot_clock import BootClocks
from monitor.values import Delivery, Rejected, SourceHealth


class Put(Protocol):
    """The daemon's end of the queue, called from the source's thread."""

    def __call__(self, thing: Delivery | Rejected, *, wait_s: float = inf) -> None:
        """Put one thing; waits while the queue is full, for `wait_s` at most. After that, and once the daemon is
        stopping, raises queue.Full. What was not put then comes again at the next start; from a serial line it is
        lost."""


class Source(Protocol):
    """A source, as the daemon sees it."""

    name: str

    def start(self, put: Put) -> None:
        """Begin, in its own thread; returns immediately and never fails: what is wrong shows in `health`."""

    def stop(self) -> None:
        """End within 5 s, whatever hangs. The broker still gets the acknowledgements that were given before."""

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """These deliveries (and refused messages) are committed; they come in order of arrival."""

    def health(self) -> SourceHealth:
        """How it is doing, in one plain sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What an opener needs: the config, and what all sources of a daemon share. `client_token` (up to 12 characters,
    the same at every start) makes the MQTT client id, by which the broker keeps our session; `clocks` remembers the
    devices' power-ups."""

    settings: Settings
    client_token: str
    clocks: BootClocks = field(default_factory=BootClocks)
    wall: Callable[[], float] = time.time
    monotonic: Callable[[], float] = time.monotonic

    @property
    def jars(self) -> frozenset[str]:
        """The names of all jars of the config."""
        return frozenset(jar.name for jar in self.settings.jars)

    @property
    def only_jar(self) -> str | None:
        """The jar that a message without a name is about, where the config has but one."""
        one = len(self.settings.jars) == 1 and not self.settings.elsewhere
        return self.settings.jars[0].name if one else None


def _serial(opening: Opening) -> list[Source]:
    from monitor.sources.serial_port import SerialPort

    return [
        SerialPort(
            serial,
            jars=opening.jars,
            elsewhere=opening.settings.elsewhere,
            jar=serial.jar or opening.only_jar,
            clocks=opening.clocks,
            wall=opening.wall,
            monotonic=opening.monotonic,
        )
        for serial in opening.settings.serial
    ]


def _mqtt(opening: Opening) -> list[Source]:
    from monitor.sources.mqtt_link import address
    from monitor.sources.mqtt_source import MqttSource

    found: list[Source] = []
    connections: dict[tuple[object, ...], list[MqttSettings]] = {}
    for mqtt in opening.settings.mqtt:
        connections.setdefault(mqtt.connection, []).append(mqtt)
    brokers = [address(tables[0]) for tables in connections.values()]
    for index, (first, *more) in enumerate(connections.values()):
        host, port = brokers[index]
        found.append(
            MqttSource(
                first,
                first.client_id or f"jartide-{opening.client_token}" + (f"-{index}" if index else ""),
                more=more,
                name=f"mqtt {host}:{port}" + (f" {first.topic}" if brokers.count((host, port)) > 1 else ""),
                jars=opening.jars,
                elsewhere=opening.settings.elsewhere,
                jar=opening.only_jar,
                offset_s=offset_of(opening.settings.display.time_zone),
                clocks=opening.clocks,
                wall=opening.wall,
                monotonic=opening.monotonic,
            )
        )
    return found


OPENERS: dict[str, Callable[[Opening], list[Source]]] = {"serial": _serial, "mqtt": _mqtt}
"""How each kind of source (`settings.SOURCES`) is opened. Imported only where the config has one of the kind."""


def open_sources(opening: Opening, leave_out: Collection[str] = ()) -> list[Source]:
    """Every configured source except the kinds to leave out, not yet started."""
    wanted = [name for name in OPENERS if name not in leave_out and getattr(opening.settings, name)]
    return [source for name in wanted for source in OPENERS[name](opening)]
