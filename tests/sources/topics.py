"""A source on a broker: what it hands on, and a device that publishes to it."""

import json
import threading
from collections.abc import Callable

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.sources.mqtt_source import MqttSource
from monitor.values import Delivery, Rejected
from tests.servers import wait_until

JARS = frozenset({"rye", "wheat"})
TOPIC = "jartide/rye/reading"


class Caught:
    """The daemon's end: keeps what comes; acknowledges at once, or only what `commit` is called for."""

    def __init__(self, *, at_once: bool = True) -> None:
        self.items: list[Delivery | Rejected] = []
        self.at_once = at_once
        self.source: MqttSource | None = None

    def __call__(self, item: Delivery | Rejected, *, wait_s: float = 0.0) -> None:
        self.items.append(item)
        if self.at_once:
            self.commit([item])

    def commit(self, items: list[Delivery | Rejected]) -> None:
        assert self.source is not None
        self.source.acknowledge([item.token for item in items])

    @property
    def readings(self) -> list[Delivery]:
        return [item for item in self.items if isinstance(item, Delivery)]

    @property
    def distances(self) -> list[float | None]:
        return [item.reading.distance_mm for item in self.readings]

    @property
    def reasons(self) -> list[str]:
        return [item.reason for item in self.items if isinstance(item, Rejected)]


Begin = Callable[..., tuple[MqttSource, Caught]]


class Device:
    """A device of the test's own: a plain paho client that publishes with QoS 1 and keeps what it hears."""

    def __init__(self, port: int, client_id: str = "", *, protocol: int = mqtt.MQTTv5, **login: str) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=protocol)
        if login:
            self.client.username_pw_set(login["user"], login["password"])
        self.client.reconnect_delay_set(1, 1)
        self.heard: list[tuple[str, bytes, bool]] = []
        self.client.on_message = lambda c, u, m: self.heard.append((m.topic, m.payload, bool(m.retain)))
        self._subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def say(self, *payloads: str | bytes, topic: str = TOPIC, retain: bool = False) -> None:
        sent = [self.client.publish(topic, payload, qos=1, retain=retain) for payload in payloads]
        for info in sent:
            info.wait_for_publish(60)
            assert info.is_published()

    def hear(self, topic: str) -> None:
        """From now on: what was published before comes as retained, if at all."""
        self.client.subscribe(topic, qos=1)
        assert self._subscribed.wait(60)

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def reading(n: int, boot: str | None = "b", jar: str = "rye") -> str:
    known = {"boot": boot, "seq": n, "up_ms": 10_000 * n} if boot else {}
    return json.dumps({"jar": jar, "distance_mm": 100 + n, "temperature_c": 21.5, **known})


def connected(source: MqttSource) -> bool:
    return source.health().connected


def joined(begin: Begin, port: int, **options: object) -> tuple[MqttSource, Caught]:
    """A source that is connected to the broker at this port, and what it hands on."""
    source, caught = begin(port, **options)
    wait_until(lambda: connected(source), "connected")
    return source, caught


def distances(*numbers: int) -> list[float]:
    return [100.0 + n for n in numbers]
