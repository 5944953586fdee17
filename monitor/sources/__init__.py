"""Where a reading enters: bytes and payloads become deliveries for the daemon's queue.

A source owns one port or connection and a thread of its own. It only puts into the queue; it decides nothing about
the starter. What came in over MQTT is acknowledged to the broker only after the commit, when the daemon says so.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Protocol, TypeAlias

from monitor.host.time_zone import offset_of
from monitor.settings import MqttSettings, Settings
from monitor.sources.boot_clock import BootClocks
from monitor.values import Delivery, Rejected, SourceHealth

Put: TypeAlias = Callable[[Delivery | Rejected], None]
"""The daemon's end of the queue, called from the source's thread. It may block while the queue is full; once the daemon
is stopping it raises queue.Full instead, and the item comes again at the next start, or is lost with a serial line."""


class Source(Protocol):
    """What the daemon knows of a source."""

    name: str

    def start(self, put: Put) -> None:
        """Begin in a thread of its own; returns at once and never fails: what is wrong shows in `health`."""

    def stop(self) -> None:
        """End within 5 s, whatever hangs. What was acknowledged before is still told to the broker."""

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """These deliveries (and refused messages) are committed; in order of arrival."""

    def health(self) -> SourceHealth:
        """How it is doing, in one plain sentence."""


def open_sources(
    settings: Settings,
    client_token: str,
    *,
    clocks: BootClocks | None = None,
    wall: Callable[[], float] = time.time,
    monotonic: Callable[[], float] = time.monotonic,
) -> list[Source]:
    """Every configured source, not yet started. `client_token` (up to 12 characters, the same at every start) makes
    the MQTT client id, by which the broker keeps our session; `clocks` remembers the devices' power-ups."""
    jars = frozenset(jar.name for jar in settings.jars)
    only_jar = settings.jars[0].name if len(settings.jars) == 1 else None
    clocks = clocks or BootClocks()
    sources: list[Source] = []
    if settings.serial:
        from monitor.sources.serial_port import SerialPort

        for serial in settings.serial:
            jar = serial.jar or only_jar
            sources.append(SerialPort(serial, jars=jars, jar=jar, clocks=clocks, wall=wall, monotonic=monotonic))
    if settings.mqtt:
        from monitor.sources.mqtt_link import address
        from monitor.sources.mqtt_source import MqttSource

        offset_s = offset_of(settings.display.time_zone)
        connections: dict[tuple[object, ...], list[MqttSettings]] = {}
        for mqtt in settings.mqtt:
            connections.setdefault(mqtt.connection, []).append(mqtt)
        brokers = [address(tables[0]) for tables in connections.values()]
        for index, (first, *more) in enumerate(connections.values()):
            host, port = brokers[index]
            name = f"mqtt {host}:{port}" + (f" {first.topic}" if brokers.count((host, port)) > 1 else "")
            client_id = first.client_id or f"jartide-{client_token}" + (f"-{index}" if index else "")
            sources.append(
                MqttSource(
                    first, client_id, more=more, name=name, jars=jars, jar=only_jar, offset_s=offset_s, clocks=clocks,
                    wall=wall, monotonic=monotonic,
                )
            )  # fmt: skip
    return sources
