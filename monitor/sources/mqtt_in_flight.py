"""What the broker still waits for: which messages are on their way to the store, over which connection each came, and
which ones are only sent again. `mqtt_source` asks here before it hands a message on.

The rules (OASIS MQTT 5.0, sections 4.3.2, 4.4 and 4.6): what was not acknowledged when a connection ended is sent again
over the next one of the same session, with the same packet number and DUP set; acknowledgements go in the order of the
messages. A packet number means nothing in another session, so an acknowledgement never crosses into one.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import paho.mqtt.client as mqtt

REMEMBERED = 256  # messages by packet number, to know one that is sent again; a broker has far fewer under way


@dataclass(slots=True, eq=False)
class AckToken:
    """The token of one message."""

    mid: int
    topic: str
    payload: bytes
    done: bool = False


class InFlight:
    """All messages of a session that are on their way, and the client that the broker has greeted, if any.
    Thread-safe."""

    def __init__(self) -> None:
        self._lock = threading.Lock()  # held for moments only
        self._client: mqtt.Client | None = None
        self._by_mid: dict[int, AckToken] = {}  # oldest first
        self._unacknowledged: deque[AckToken] = deque()  # of this connection and not acknowledged, in order of arrival

    @property
    def client(self) -> mqtt.Client | None:
        """The client of the present connection."""
        return self._client

    def greeted(self, client: mqtt.Client, *, resumed: bool) -> None:
        """A connection was made; `resumed`: it continues the earlier session."""
        with self._lock:
            if not resumed:
                self._by_mid.clear()
            self._unacknowledged.clear()
            self._client = client

    def left(self) -> bool:
        """The connection has ended; True when there was one."""
        with self._lock:
            was, self._client = self._client, None
        return was is not None

    def open(self, client: mqtt.Client, message: mqtt.MQTTMessage) -> AckToken | None:
        """The token of a message to hand on. None when it was handed on before, so that only its acknowledgement is
        missing: that is given now, or once its reading is committed."""
        topic, payload = topic_of(message), bytes(message.payload)
        with self._lock:
            known = self._by_mid.get(message.mid)
            if known and message.dup and (known.topic, known.payload) == (topic, payload):
                self._unacknowledged.append(known)
                self._acknowledge_in_order()
                return None
            token = AckToken(message.mid, topic, payload)
            self._unacknowledged.append(token)
            self._by_mid.pop(message.mid, None)
            self._by_mid[message.mid] = token
            while len(self._by_mid) > REMEMBERED and (oldest := next(iter(self._by_mid.values()))).done:
                del self._by_mid[oldest.mid]
        return token

    def forget(self, token: AckToken) -> None:
        """It could not be handed on after all: when it comes again it counts as new."""
        with self._lock:
            self._by_mid.pop(token.mid, None)

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Their readings are committed: acknowledge them to the broker, or remember that until it sends them again."""
        with self._lock:
            for token in tokens:
                if isinstance(token, AckToken):
                    token.done = True
            self._acknowledge_in_order()

    def _acknowledge_in_order(self) -> None:
        while self._client is not None and self._unacknowledged and self._unacknowledged[0].done:
            self._client.ack(self._unacknowledged.popleft().mid, 1)


def topic_of(message: mqtt.MQTTMessage) -> str:
    """The topic; a broker that lets through what is no UTF-8 (against MQTT 5.0, 1.5.4) must not stop us."""
    try:
        return message.topic
    except UnicodeDecodeError:
        return "(not UTF-8)"
