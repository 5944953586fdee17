"""How many readings a broker keeps while nobody fetches them, measured by a burst that we publish to ourselves.

A daemon that is stopped for an upgrade leaves its session with the broker, and what is published meanwhile waits there,
up to a limit of the broker's own. By default mosquitto keeps 1,000 messages and drops the rest after acknowledging them
to the board; five jars with a reading each 10 s fill that in 33 minutes.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from typing import Any

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.check import Finding
from monitor.core.display.units import duration
from monitor.host.secret import SecretError
from monitor.settings import MqttSettings, Settings
from monitor.sources import mqtt_link

BURST = 5000  # messages: a few seconds of work for a broker, and an hour of a dozen jars
PAYLOAD = b" " * 150  # as large as a reading, for brokers that count bytes
EVERY_S = 10.0  # between two readings of a jar, at the quickest of our firmware
ENOUGH_S = 6 * 3600.0  # a night's upgrade, or a router that somebody restarts in the morning
STEP_S = 20.0  # for one step; a whole burst over a weak Wi-Fi takes 5 s
QUIET_S = 2.0  # when no message came for this long, all have come


def judge(settings: Settings) -> Iterator[Finding]:
    """One finding for each broker; none for a broker that cannot be reached, which another check reports."""
    seen: set[tuple[str, int]] = set()
    for mqtt in settings.mqtt:
        address = mqtt_link.address(mqtt)
        if address in seen:
            continue
        seen.add(address)
        try:
            kept = messages_kept(mqtt, BURST)
        except (OSError, SecretError, TimeoutError):
            continue
        yield _finding("mqtt {}:{}".format(*address), kept, len(settings.jars))


def messages_kept(settings: MqttSettings, burst: int) -> int:
    """How many of `burst` messages that are published while their subscriber is away it gets when it is back. Raises
    OSError or SecretError where there is no connection."""
    name = f"jartide-burst-{os.urandom(3).hex()}"
    topic = f"{settings.status_topic}/{name}"
    reader = _Client(settings, name, keeps_session=True)
    reader.wait(reader.connected)
    reader.client.subscribe(topic, qos=1)
    reader.wait(reader.subscribed)
    reader.leave()
    writer = _Client(settings, f"{name}-w", keeps_session=False)
    writer.wait(writer.connected)
    sent = [writer.client.publish(topic, PAYLOAD, qos=1) for _ in range(burst)]
    sent[-1].wait_for_publish(STEP_S)
    writer.leave()
    again = _Client(settings, name, keeps_session=True)
    while again.came < burst and again.came_one.wait(QUIET_S):
        again.came_one.clear()
    kept = again.came
    again.client.unsubscribe(topic)
    again.leave()
    last = _Client(settings, name, keeps_session=False)  # takes the place of the session, and leaves none
    last.wait(last.connected)
    last.leave()
    return kept


def _finding(name: str, kept: int, jars: int) -> Finding:
    if kept == 0:
        return Finding(
            name, "note", "could not find out how much it keeps: may we read and write jartide/status/+ there?"
        )
    lasts_s = kept / jars * EVERY_S
    while_away = (
        f"for {duration(lasts_s)} of {'a jar' if jars == 1 else f'{jars} jars'} at a reading each {EVERY_S:g} s"
    )
    if kept >= BURST or lasts_s >= ENOUGH_S:
        at_least = "at least " if kept >= BURST else ""
        return Finding(name, "ok", f"keeps {at_least}{kept} readings while the daemon is away: {while_away}")
    return Finding(
        name,
        "note",
        f"keeps {kept} readings while the daemon is away: {while_away}. It silently drops the rest: set "
        "max_queued_messages and max_queued_bytes there (configs/broker_example.conf)",
    )


class _Client:
    """One connection that counts what comes."""

    def __init__(self, settings: MqttSettings, client_id: str, *, keeps_session: bool) -> None:
        self.connected, self.subscribed, self.came_one = threading.Event(), threading.Event(), threading.Event()
        self.came = 0
        self.refused = False
        five = settings.protocol == "5"
        self.client = mqtt_link.make_client(settings, client_id, in_passing=not keeps_session)
        self.client.will_clear()
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.on_message = self._on_message
        options: dict[str, Any] = {}
        if five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 60 if keeps_session else 0
            properties.ReceiveMaximum = mqtt_link.WINDOW
            options = {"clean_start": not keeps_session, "properties": properties}
        self.client.connect(*mqtt_link.address(settings), keepalive=30, **options)
        self.client.loop_start()

    def wait(self, event: threading.Event) -> None:
        if not event.wait(STEP_S) or self.refused:
            self.leave()
            raise TimeoutError

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        self.refused = self.refused or reason.is_failure
        self.connected.set()

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        self.came += 1
        client.ack(message.mid, message.qos)
        self.came_one.set()
