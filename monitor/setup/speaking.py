"""Which sensors are sending right now: on serial ports, which are searched continuously, and on topics of the brokers
given. Anything that sends a plausible distance is a candidate; a hand under the lid shows which one it is.

Nothing is ever written to a port, and a broker is only looked at (no session, QoS 0).
"""

from __future__ import annotations

import glob
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from monitor.check.find import candidates, tables
from monitor.host.heartbeat import working
from monitor.settings import MqttSettings
from monitor.sources import mqtt_link
from monitor.sources.serial_port import CHUNK_BYTES, open_port
from monitor.sources.wire import Message, Remainder, Unreadable, cut, parse
from monitor.values import Json

PORTS = ("/dev/serial/by-id/*", "/dev/ttyUSB*", "/dev/ttyACM*")  # the lasting names first
BAUDS = (115200, 9600)  # that of our firmware, and that of old sketches
UNREAD_LINES = 8  # after so many lines in a row without a reading the other speed is tried
LOOK_S = 1.0
TRAIL = 40  # distances that are shown as a line
PAYLOAD_MAX = 8192
TOPICS_MAX = 5000


@dataclass(slots=True)
class Candidate:
    """One source of distances. `table` is what the config would have, besides the jar's name."""

    id: str
    kind: str  # "serial" or "mqtt"
    where: str
    table: dict[str, Json]
    jar: str | None = None  # as it names itself
    read: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=400))  # (heard at, mm)
    temperature_c: float | None = None

    def as_json(self, now_s: float) -> Json:
        """For the page."""
        last = self.read[-1] if self.read else None
        return {
            "id": self.id,
            "kind": self.kind,
            "where": self.where,
            "jar": self.jar,
            "distance_mm": last[1] if last else None,
            "temperature_c": self.temperature_c,
            "ago_s": None if last is None else round(now_s - last[0], 1),
            "trail": [mm for _, mm in list(self.read)[-TRAIL:]],
        }


class Speaking:
    """See the module. `start` and `stop` it; the rest may be asked at any time from any thread."""

    def __init__(self, ports: Callable[[], list[str]] | None = None, wall: Callable[[], float] = time.time) -> None:
        self._ports = ports or found_ports
        self._wall = wall
        self._lock = threading.Lock()
        self._candidates: dict[str, Candidate] = {}
        self._troubles: dict[str, str] = {}
        self._brokers: dict[str, _Looked] = {}
        self._end = threading.Event()
        self._readers: dict[str, threading.Thread] = {}
        self._looker = threading.Thread(target=self._look, name="ports", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._looker.start()

    def stop(self) -> None:
        """Close all ports and connections."""
        self._end.set()
        for broker in self._brokers.values():
            broker.stop()
        self._looker.join(3.0)
        for reader in list(self._readers.values()):
            reader.join(2.0)

    def broker(self, settings: MqttSettings, password: str | None) -> str | None:
        """Listen to a broker as well; one sentence when that does not work."""
        with self._lock:
            old = self._brokers.pop(settings.host, None)
        if old is not None:
            old.stop()
        looked = _Looked(settings, password, self._wall)
        trouble = looked.begin()
        if trouble is None:
            with self._lock:
                self._brokers[settings.host] = looked
        return trouble

    def shown(self) -> Json:
        """All candidates, those that are sending first, and what is in the way of others."""
        now_s = self._wall()
        with self._lock:
            for looked in self._brokers.values():
                for found in looked.candidates():
                    known = self._candidates.setdefault(found.id, found)
                    if known is not found:
                        known.temperature_c = found.temperature_c
                        if found.read and (not known.read or found.read[-1] != known.read[-1]):
                            known.read.append(found.read[-1])
            some = sorted(self._candidates.values(), key=lambda one: (one.kind != "serial", one.id))
            troubles = {**self._troubles, **{host: one.trouble for host, one in self._brokers.items() if one.trouble}}
            return {
                "candidates": [one.as_json(now_s) for one in some],
                "troubles": [f"{where}: {says}" for where, says in sorted(troubles.items())],
                "brokers": [*sorted(self._brokers)],
            }

    def candidate(self, id_: str) -> Candidate | None:
        """One of them."""
        with self._lock:
            return self._candidates.get(id_)

    def distances(self, id_: str, since_s: float) -> Json:
        """The distances from one of them since a time: (time of receipt, mm)."""
        self.shown()  # takes in what the brokers have said
        with self._lock:
            one = self._candidates.get(id_)
            return [] if one is None else [[at_s, mm] for at_s, mm in one.read if at_s > since_s]

    def _look(self) -> None:
        with working() as on:
            while not self._end.wait(LOOK_S):
                on()
                for path in self._ports():
                    reader = self._readers.get(path)
                    if reader is None or not reader.is_alive():
                        self._readers[path] = threading.Thread(target=self._listen, args=(path,), daemon=True)
                        self._readers[path].start()

    def _listen(self, path: str) -> None:
        """Listen at one port until it goes away."""
        for baud in BAUDS:
            try:
                port = open_port(path, baud)
            except (OSError, ValueError) as error:
                with self._lock:
                    self._troubles[path] = _port_words(error)
                self._end.wait(4 * LOOK_S)
                return
            with self._lock:
                self._troubles.pop(path, None)
            remainder, unread = Remainder(), 0
            try:
                while not self._end.is_set() and unread < UNREAD_LINES:
                    lines, remainder = cut(remainder, port.read(max(1, min(port.in_waiting, CHUNK_BYTES))))
                    for line in lines:
                        unread = 0 if self._said(path, baud, line.data) else unread + (not line.first)
            except OSError:
                with self._lock:
                    self._candidates.pop(path, None)
                return
            finally:
                with suppress(OSError):
                    port.close()
            if self._end.is_set():
                return
        with self._lock:
            self._troubles[path] = "it sends, but none of it is a reading"

    def _said(self, path: str, baud: int, data: bytes) -> bool:
        try:
            message: Message = parse(data, bare_lines=True)
        except Unreadable:
            return False
        with self._lock:
            bare = not data.lstrip().startswith(b"{")
            table: dict[str, Json] = {"port": path}
            table |= ({} if baud == BAUDS[0] else {"baud": baud}) | ({"bare_lines": True} if bare else {})
            one = self._candidates.setdefault(path, Candidate(id=path, kind="serial", where=path, table=table))
            one.table, one.jar = table, message.jar or one.jar
            if message.temperature_c is not None:
                one.temperature_c = message.temperature_c
            if message.distance_mm is not None:
                one.read.append((self._wall(), message.distance_mm))
        return True


class _Looked:
    """Listens to one broker: the last message of each topic."""

    def __init__(self, settings: MqttSettings, password: str | None, wall: Callable[[], float]) -> None:
        self._settings = settings
        self._password = password
        self._wall = wall
        self.trouble: str | None = None
        self._lock = threading.Lock()
        self._last: dict[str, tuple[float, bytes]] = {}  # when it was heard, and what
        self._client: Any = None

    def begin(self) -> str | None:
        """Connect; one sentence when that does not work."""
        answered = threading.Event()

        def on_connect(client: Any, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
            self.trouble = None
            if reason.is_failure:
                self.trouble = mqtt_link.refusal_words(self._settings, reason.value, str(reason))
            else:
                client.subscribe([("#", 0)])
            answered.set()

        def on_message(client: Any, userdata: Any, message: Any) -> None:
            with self._lock:
                room = message.topic in self._last or len(self._last) < TOPICS_MAX
                if room and len(message.payload) <= PAYLOAD_MAX:
                    self._last[message.topic] = self._wall(), bytes(message.payload)

        self._client = mqtt_link.make_client(self._settings, f"jartide-look-{os.urandom(4).hex()}", in_passing=True)
        if self._settings.user is not None:
            self._client.username_pw_set(self._settings.user, self._password)
        self._client.on_connect, self._client.on_message = on_connect, on_message
        try:
            self._client.connect(*mqtt_link.address(self._settings), keepalive=30)
        except OSError as error:
            return mqtt_link.failure_words(self._settings, error)
        self._client.loop_start()
        if not answered.wait(mqtt_link.CONNECT_S):
            self.stop()
            return "the broker does not answer the greeting"
        if self.trouble is not None:
            self.stop()
        return self.trouble

    def stop(self) -> None:
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()

    def candidates(self) -> list[Candidate]:
        """A candidate for each topic with a distance."""
        with self._lock:
            last = dict(self._last)
        quantities = candidates({topic: payload for topic, (_, payload) in last.items()})
        reads = tables(quantities)
        found = []
        for one in quantities:
            if one.kind != "distance":
                continue
            own = mqtt_link.topic_pattern(MqttSettings(host="").topic).fullmatch(one.topic)
            table: dict[str, Json] = {"host": self._settings.host}
            table |= {key: value for key in ("port", "user") if (value := getattr(self._settings, key)) is not None}
            if own is None:
                table |= {"topic": one.topic, "read": {k: {**v} for k, v in reads[one.topic].items()}}
            warm = next((q.value for q in quantities if q.kind == "temperature" and q.topic == one.topic), None)
            made = Candidate(id=f"{self._settings.host} {one.topic} {one.path}", kind="mqtt", table=table,
                             where=f"{one.topic} {one.path}".rstrip(), jar=own["jar"] if own else None,
                             temperature_c=warm)  # fmt: skip
            if one.value is not None:
                made.read.append((last[one.topic][0] if one.topic in last else self._wall(), one.value))
            found.append(made)
        return found


def found_ports() -> list[str]:
    """The serial ports of this machine, each once, by its lasting name where it has one."""
    seen: dict[str, str] = {}
    for pattern in PORTS:
        for path in sorted(glob.glob(pattern)):
            seen.setdefault(os.path.realpath(path), path)
    return list(seen.values())


def _port_words(error: Exception) -> str:
    if isinstance(error, PermissionError) or getattr(error, "errno", None) == 13:
        return "no permission: `usermod -a -G dialout USER`, then log in again"
    return f"cannot be opened ({getattr(error, 'strerror', None) or error})"
