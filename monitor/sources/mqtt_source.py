"""Readings from an MQTT broker, and our own messages to it.

The broker keeps our session, and every message until it is acknowledged. That happens when the daemon says that the
reading is committed, so a crash in between costs nothing: the message comes again. Refused messages are acknowledged in
the same way, or twenty of them would close the broker's window for ever.

One thread owns the connection: it connects, reads, writes, and waits with growing random pauses; other threads only
leave packets and wake it. So no callback and no exception can end the connection unnoticed. It does not wait for room
in the daemon's queue either: what finds no room is held here, nothing more is read until it does (the broker holds the
rest), and meanwhile the broker still hears from us.
"""

from __future__ import annotations

import logging
import queue
import random
import re
import secrets
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any

import paho.mqtt.client as mqtt

from monitor.host.heartbeat import working
from monitor.host.secret import SecretError
from monitor.settings import MqttSettings
from monitor.sources import Put, mqtt_link
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import Clock, SourceStatus
from monitor.sources.mqtt_in_flight import AckToken, InFlight, topic_of
from monitor.sources.mqtt_packet_limit import LimitedSocket
from monitor.sources.mqtt_publisher import ConfirmedPublisher
from monitor.sources.mqtt_tables import Tables
from monitor.values import Delivery, Rejected, SourceHealth

log = logging.getLogger(__name__)

KEEPALIVE_S = 30  # a connection that died silently is noticed within twice that
# first and longest pause; each is shortened at random by up to half, so that clients do not come in step
RETRY_S = (1.0, 60.0)
STOP_S = 4.0
BURST = 64  # messages read before our own words and the clock get their turn
ROOM_S = 0.2  # for the daemon to make room in its queue before our own words get their turn
AWAY_S = 60.0  # after a shorter absence what waited is still as good as fresh
CATCH_UP_S = 30.0  # what waited comes at once; our own echo comes behind it, where we may hear it
CLOSED = "the broker closed the connection: trying again; the broker's log says why"
QUICK_S, QUICK_TIMES = 10.0, 3  # thrown out within 10 s, three times in a row: somebody has the same client id


Listener = Callable[[str | None, bytes, bool, object], None]
"""Takes the jar that a topic names, the payload, whether it was retained, and the token to acknowledge it with."""


class MqttSource:
    """One connection to a broker as a source: for the [[mqtt]] table `settings` and `more` tables that share it. Our
    own messages go over it by `publish`; the first table says which there are."""

    def __init__(
        self,
        settings: MqttSettings,
        client_id: str,
        *,
        more: Sequence[MqttSettings] = (),
        jars: frozenset[str],
        elsewhere: frozenset[str] = frozenset(),
        name: str | None = None,
        jar: str | None = None,
        offset_s: Callable[[float], float] = lambda _: 0.0,
        clocks: BootClocks | None = None,
        wall: Clock = time.time,
        monotonic: Clock = time.monotonic,
        keepalive_s: int = KEEPALIVE_S,
    ) -> None:
        self.name = name or "mqtt {}:{}".format(*mqtt_link.address(settings))
        self.settings = self._settings = settings
        self._client_id = client_id
        self._keepalive_s = keepalive_s
        self._echo_topic = mqtt_link.echo_topic(settings, client_id)
        self._echo = b""
        self._tables = Tables(
            [settings, *more], self.name, jars=jars, elsewhere=elsewhere, jar=jar, offset_s=offset_s, clocks=clocks,
            wall=wall, monotonic=monotonic,
        )  # fmt: skip
        self._status = SourceStatus(self.name, wall, monotonic)
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._put: Put | None = None
        self._held: deque[Delivery | Rejected] = deque()  # for which the daemon's queue has no room yet, in order
        self._kept_s = float("-inf")  # time.monotonic, when the connection was last kept alive
        self._wake_r, self._wake_w = socket.socketpair()
        self._wake_r.setblocking(False)
        self._wake_w.setblocking(False)
        self._in_flight = InFlight()
        self._listeners: list[tuple[str, re.Pattern[str], Listener]] = []
        self._publisher = ConfirmedPublisher(self._in_flight, self._wake)
        self._unreadable: str | None = None  # trouble with the subscription
        self._ended: str | None = None  # why the connection ended, as a sentence
        self._slow = False  # trying again soon would be of little use
        self._greeted_s = float("-inf")  # time.monotonic, as the next
        self._left_s = float("-inf")
        self._asked_s = float("-inf")
        self._catching_up = False
        self._came = 0  # messages
        self._quick_ends = 0

    # --- for the daemon --------------------------------------------------------------------------------------------

    def start(self, put: Put) -> None:
        """Begin to connect, in a thread of its own."""
        self._put = put
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Say "offline" and leave, within 5 s; the broker keeps the session."""
        self._stopping.set()
        self._wake()
        if self._thread is not None:
            self._thread.join(STOP_S)
        self._status.report(connected=False, trouble=None)

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Acknowledge to the broker, in the order given (MQTT 5.0, section 4.6). A message of an earlier connection
        is acknowledged when the broker sends it again."""
        self._in_flight.acknowledge(tokens)
        self._wake()

    def health(self) -> SourceHealth:
        """How the connection is doing."""
        return self._status.health()

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> bool:
        """Publish a message; True once the broker has confirmed it: see `ConfirmedPublisher.publish`."""
        return self._publisher.publish(topic, payload, retain=retain)

    def listen(self, topic: str, take: Listener) -> None:
        """Hand what comes on another topic to `take`, in the connection's thread; `take` must only leave it for a
        thread of its own. To be called before `start`."""
        self._listeners.append((topic, mqtt_link.topic_pattern(topic), take))

    @property
    def _topics(self) -> list[str]:
        return list(dict.fromkeys([*self._tables.topics, *(topic for topic, _, _ in self._listeners)]))

    # --- the thread ------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._keep_connected()
        finally:
            self._wake_r.close()
            self._wake_w.close()

    def _keep_connected(self) -> None:
        pause_s = RETRY_S[0]
        while not self._stopping.is_set():
            self._ended, self._unreadable, self._slow = None, None, False
            self._publisher.start_over()
            began_s = time.monotonic()
            try:
                with working() as on:
                    self._serve(on)
            except SecretError as error:
                self._ended, self._slow = str(error), True
            except OSError as error:
                self._ended = mqtt_link.failure_words(self._settings, error)
            except Exception as error:
                log.exception("%s", self.name)
                self._ended = f"stopped by an error in this program ({error}): it will try again; see the log"
            if self._in_flight.left():
                self._left_s = time.monotonic()
            if self._lasted(began_s):
                pause_s = RETRY_S[0]
            if self._stopping.is_set():
                return
            if self._quick_ends >= QUICK_TIMES:
                self._ended = f"disconnected again and again: does another program use the client id {self._client_id}?"
            self._status.report(connected=False, trouble=self._ended or CLOSED)
            self._stopping.wait(RETRY_S[1] if self._slow else pause_s * random.uniform(0.5, 1.0))
            pause_s = min(2 * pause_s, RETRY_S[1])

    def _serve(self, on: Callable[[], None]) -> None:
        """One connection, from greeting to end."""
        client = mqtt_link.make_client(self._settings, self._client_id)
        self._echo = secrets.token_hex(8).encode()  # an echo of an earlier connection may be among what waited
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_socket_register_write = self._on_write_wanted  # packets of other threads wait for this one
        mqtt_link.connect(client, self._settings, self._keepalive_s)
        said: str | None = None
        while (sock := client.socket()) is not None:
            on()
            said = self._announce(client, said)
            assert isinstance(sock, LimitedSocket)  # `make_client` makes no other
            self._hand_on(ROOM_S)
            full = bool(self._held) and self._in_flight.client is client  # its greeting is read in any case
            at_hand = sock.pending() > 0  # TLS may hold bytes that select cannot see
            wanted = [sock] if client.want_write() or sock.unwritten() else []
            both: list[LimitedSocket | socket.socket] = [sock, self._wake_r]
            readable, writable, _ = select.select(both[full:], wanted, [], 0 if at_hand or full else 1.0)
            if self._wake_r in readable:
                self._wake_r.recv(4096)
            unread = full or at_hand or sock in readable
            if unread and not full:
                self._read(client)
            if writable or client.want_write():
                with sock.gathering():  # all acknowledgements of a commit in one call
                    client.loop_write()
            self._keep_alive(client, unread=unread)
            if self._unreadable is not None and time.monotonic() - self._asked_s > RETRY_S[1]:
                self._subscribe(client)  # its access list may have been mended
            if self._status.health().connected:
                self._report()

    def _announce(self, client: mqtt.Client, said: str | None) -> str | None:
        """Publish once that the daemon is there, and once that it goes; returns what was published last."""
        if self._stopping.is_set() and said != "offline":
            said = self._say(client, "offline")
            client.disconnect()
        elif said is None and self._in_flight.client is client:
            said = self._say(client, "online")
            client.publish(self._echo_topic, self._echo, qos=1)
        return said

    def _read(self, client: mqtt.Client) -> None:
        """Read as long as messages come: paho reads one packet in each call, and a select before each would be
        wasteful. What came is handed on together: to wake the daemon's thread for each would cost as much as to decode
        it."""
        for _ in range(BURST):
            came = self._came
            client.loop_read()
            if self._came == came or client.socket() is None:
                break
        self._hand_on(0.0)

    def _hand_on(self, wait_s: float) -> None:
        """Put what is held into the daemon's queue, as far as there is room; waits for room only for the first."""
        assert self._put is not None
        with suppress(queue.Full):  # the daemon is behind, or stopping: then the message comes again at the next start
            while self._held:
                self._put(self._held[0], wait_s=wait_s)
                self._held.popleft()
                wait_s = 0.0

    def _keep_alive(self, client: mqtt.Client, *, unread: bool) -> None:
        """Ping the broker when it is time, and see that it has answered (MQTT 5.0, 3.1.2.10). Its answer may lie behind
        what is still unread, and paho would miss it. So until all is read, a message of ours shows that we are
        there."""
        now_s = time.monotonic()
        if unread and now_s - self._kept_s < self._keepalive_s / 3:
            return
        if not unread:
            client.loop_misc()
        elif self._in_flight.client is client:
            client.publish(self._echo_topic, b"")
        self._kept_s = now_s

    def _subscribe(self, client: mqtt.Client) -> None:
        self._asked_s = time.monotonic()
        client.subscribe(mqtt_link.subscriptions(self._settings, self._client_id, self._topics))

    def _say(self, client: mqtt.Client, what: str) -> str:
        client.publish(self._settings.status_topic, what, qos=1, retain=True)
        return what

    def _lasted(self, began_s: float) -> bool:
        """Whether the connection was of use. To be disconnected again and again right after the greeting has one usual
        cause, which MQTT 3.1.1 cannot name."""
        greeted = self._greeted_s >= began_s
        quick = greeted and time.monotonic() - self._greeted_s < QUICK_S
        self._quick_ends = self._quick_ends + 1 if quick else 0
        return greeted and (not quick or self._quick_ends == 1)

    def _wake(self) -> None:
        with suppress(OSError):  # full: it is awake already
            self._wake_w.send(b"\0")

    # --- paho's callbacks: none may raise, none may publish ---------------------------------------------------------

    def _on_write_wanted(self, client: mqtt.Client, userdata: Any, sock: Any) -> None:
        self._wake()

    def _on_connect(self, client: mqtt.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._ended, self._slow = mqtt_link.refusal_words(self._settings, reason.value, str(reason)), True
            return
        now_s = time.monotonic()
        self._catching_up = flags.session_present and now_s - self._left_s > AWAY_S
        self._greeted_s = self._kept_s = now_s
        self._in_flight.greeted(client, resumed=flags.session_present)
        self._subscribe(client)

    def _on_subscribe(self, client: mqtt.Client, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        # the last is our echo's, which we can do without
        refused = ((one, topic) for one, topic in zip(reasons, self._topics, strict=False) if one.is_failure)
        words = (f"the broker does not let us read {topic} ({one}): see its access list" for one, topic in refused)
        self._unreadable = next(words, None)
        self._report()  # from now on readings come

    def _on_disconnect(self, client: mqtt.Client, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        if self._ended is not None:
            return
        if flags.is_disconnect_packet_from_server and reason.value == mqtt_link.TAKEN_OVER:
            self._ended = f"another program took the client id {self._client_id}: give one of the two its own client_id"
            self._slow = True
        elif self._in_flight.client is not client:
            self._ended = "the other end closed without an MQTT greeting: is it a broker, with or without TLS?"
        else:
            self._ended = f"the connection ended ({reason}): trying again; is the network stable?"

    def _on_publish(self, client: mqtt.Client, userdata: Any, mid: int, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._publisher.refused(mid)
            log.debug("%s: the broker refuses one of our own messages: %s", self.name, reason)

    def _on_message(self, client: mqtt.Client, userdata: Any, message: mqtt.MQTTMessage) -> None:
        token: AckToken | None = None
        self._came += 1
        try:
            if self._catching_up and time.monotonic() - self._greeted_s > CATCH_UP_S:
                self._catching_up = False
            if message.qos > 0:
                token = self._in_flight.open(client, message)
                if token is None:
                    return
            if topic_of(message) == self._echo_topic:
                if message.payload == self._echo:
                    self._catching_up = False
                self._in_flight.acknowledge([token])
                return
            self._take(message, token)
        except Exception as error:
            log.exception("%s", self.name)
            if token is not None:  # not handed on: forget it and connect again, so that it comes again
                self._in_flight.forget(token)
                self._ended = f"a message could not be processed ({error}): it will come again; see the log"
                client.disconnect()

    def _take(self, message: mqtt.MQTTMessage, token: AckToken | None) -> None:
        for _, pattern, take in self._listeners:
            if match := pattern.fullmatch(topic_of(message)):
                take(match.groupdict().get("jar"), bytes(message.payload), bool(message.retain), token)
                return
        self._status.message_came()
        items = self._tables.take(
            topic_of(message),
            bytes(message.payload),
            again=message.dup or message.retain,
            dup=message.dup,
            waited=message.retain or self._catching_up,
            token=token,
        )
        self._held += items
        if not items:
            self._in_flight.acknowledge([token])

    def _report(self) -> None:
        trouble = self._unreadable or self._publisher.trouble() or self._tables.clock_trouble
        self._status.report(connected=True, trouble=trouble)
