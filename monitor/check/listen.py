"""Listens for a while: to the sources of the config or, where a daemon is watching and has them, to what it stores.

`jartide check` and `jartide calibrate` use it. It leaves no trace: with a broker it has no session, uses QoS 0 and
publishes nothing, so the daemon's own session keeps what it has, and nothing is acknowledged in its name.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import inf
from typing import Any, Protocol

from monitor.host import lock
from monitor.host.secret import SecretError
from monitor.host.time_zone import offset_of
from monitor.runs import daemon_status
from monitor.runs.store import Store
from monitor.settings import MqttSettings, Settings
from monitor.sources import Opening, Put, mqtt_link, open_sources
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import SourceStatus
from monitor.sources.mqtt_tables import Tables
from monitor.values import Delivery, Reading, Rejected, SourceHealth

POLL_S = 0.2


@dataclass(slots=True)
class Received:
    """What came since listening began: readings by jar, refused messages and counts by source, the health of each
    source."""

    readings: dict[str, list[Reading]] = field(default_factory=dict)
    refused: dict[str, list[Rejected]] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    health: list[SourceHealth] = field(default_factory=list)


class Listener(Protocol):
    """Something that listens; `daemon` is the process id of the daemon that does it for us, if there is one."""

    daemon: int | None

    def received(self) -> Received:
        """Everything so far; always the same object, which grows."""


@contextmanager
def listening(settings: Settings) -> Iterator[Listener]:
    """Begin to listen, and stop at the end. Raises StoreTrouble when a watching daemon's store cannot be read."""
    pid = lock.holder(settings.store.path) if settings.store.path.exists() else None
    if pid is not None:
        with Store.join(settings.store.path) as store:
            yield _ThroughDaemon(store, pid)
        return
    listener = _Own(settings)
    try:
        yield listener
    finally:
        listener.stop()


def wait(listener: Listener, enough: Callable[[Received], bool], wait_s: float) -> bool:
    """Wait until what was received is enough, for `wait_s` at most; whether it was."""
    end_s = time.monotonic() + wait_s
    while not enough(listener.received()):
        if time.monotonic() >= end_s:
            return False
        time.sleep(POLL_S)
    return True


class _ThroughDaemon:
    """Listens through the daemon, which has the ports and the session: what it stores is what arrives."""

    def __init__(self, store: Store, pid: int) -> None:
        self.daemon: int | None = pid
        self._store = store
        self._seq = store.last_seq()
        self._received = Received()

    def received(self) -> Received:
        for arrival in self._store.arrivals(None, self._seq):
            self._seq = arrival.seq
            if isinstance(arrival.item, Reading):
                self._received.readings.setdefault(arrival.item.jar, []).append(arrival.item)
        status = daemon_status.read(self._store)
        self._received.health = list(status.sources) if status is not None else []
        return self._received


class _Own:
    """Listens on ports and connections of our own, which are opened for a while."""

    def __init__(self, settings: Settings) -> None:
        self.daemon: int | None = None
        self._lock = threading.Lock()
        self._received = Received()
        opening = Opening(settings=settings, client_token="check")
        self._sources = open_sources(opening, leave_out=["mqtt"])  # we must not use the daemon's session
        brokers: dict[tuple[object, ...], list[MqttSettings]] = {}
        for mqtt in settings.mqtt:
            brokers.setdefault(mqtt.connection, []).append(mqtt)
        offset_s = offset_of(settings.display.time_zone)
        self._sources += [
            _Observer(one, jars=opening.jars, jar=opening.only_jar, offset_s=offset_s) for one in brokers.values()
        ]
        for source in self._sources:
            source.start(self._put)

    def received(self) -> Received:
        with self._lock:
            self._received.health = [source.health() for source in self._sources]
        return self._received

    def stop(self) -> None:
        for source in self._sources:
            source.stop()

    def _put(self, thing: Delivery | Rejected, *, wait_s: float = inf) -> None:
        with self._lock:
            self._received.counts[thing.source] = self._received.counts.get(thing.source, 0) + 1
            if isinstance(thing, Rejected):
                self._received.refused.setdefault(thing.source, []).append(thing)
            else:
                self._received.readings.setdefault(thing.reading.jar, []).append(thing.reading)


class _Observer:
    """Listens to a broker without leaving a trace."""

    def __init__(
        self,
        tables: Sequence[MqttSettings],
        *,
        jars: frozenset[str],
        jar: str | None,
        offset_s: Callable[[float], float] = lambda _: 0.0,
    ) -> None:
        self._settings = tables[0]
        self.name = "mqtt {}:{}".format(*mqtt_link.address(self._settings))
        self._status = SourceStatus(self.name)
        self._tables = Tables(tables, self.name, jars=jars, jar=jar, offset_s=offset_s, clocks=BootClocks())
        self._client: Any = None
        self._put: Put | None = None

    def start(self, put: Put) -> None:
        self._put = put
        try:
            client = mqtt_link.make_client(self._settings, f"jartide-look-{os.urandom(4).hex()}", in_passing=True)
            client.on_connect = self._on_connect
            client.on_subscribe = self._on_subscribe
            client.on_message = self._on_message
            client.connect(*mqtt_link.address(self._settings), keepalive=30)
        except SecretError as error:
            self._status.report(connected=False, trouble=str(error))
            return
        except OSError as error:
            self._status.report(connected=False, trouble=mqtt_link.failure_words(self._settings, error))
            return
        self._status.report(connected=False, trouble="the broker does not answer the greeting")
        client.loop_start()
        self._client = client

    def stop(self) -> None:
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Nothing to do: QoS 0."""

    def health(self) -> SourceHealth:
        return self._status.health()

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            words = mqtt_link.refusal_words(self._settings, reason.value, str(reason))
            self._status.report(connected=False, trouble=words)
            return
        self._status.report(connected=True, trouble=None)
        client.subscribe([(mqtt_link.topic_filter(topic), 0) for topic in self._tables.topics])

    def _on_subscribe(self, client: Any, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        for reason, topic in zip(reasons, self._tables.topics, strict=False):
            if reason.is_failure:
                wanted = mqtt_link.topic_filter(topic)
                self._status.report(connected=True, trouble=f"the broker does not let us read {wanted}")

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        if self._put is None:
            return
        self._status.message_came()
        retained = bool(message.retain)
        for item in self._tables.take(message.topic, bytes(message.payload), again=False, waited=retained):
            self._put(item)
