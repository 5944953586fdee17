"""No packet of the broker is larger in memory than `PACKET_MAX`: a longer message is cut while it is read.

MQTT 5 lets a client announce a limit (Maximum Packet Size, section 3.1.2.11.4), and a broker then drops what is larger
without telling anybody. MQTT 3.1.1 has no such thing, and paho collects a packet whole, whatever its length, before
anyone can look at it. So the bytes pass through here first. Of a PUBLISH whose remaining length is too long, the topic,
the packet number and the beginning of the payload go on as a short packet, and the rest is thrown away as it comes.
After that it is a message like any other: refused as too long, counted, acknowledged after the commit.
"""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import paho.mqtt.client as mqtt

from monitor.sources.wire import PAYLOAD_MAX

PACKET_MAX = 8192  # bytes after the fixed header: twice the longest payload that is parsed, and room for a topic
_CHUNK = 8192  # bytes asked of the socket at once
_PUBLISH = 3
_HEAD_MAX = 65_537 + 2 + PAYLOAD_MAX  # of a long PUBLISH: its topic, packet number, and enough to be "too long"


class PacketLimit:
    """Cuts the stream of one connection, which comes in pieces of any size."""

    def __init__(self, *, five: bool) -> None:
        self._five = five
        self._fixed = bytearray()  # fixed header so far
        self._passing = 0  # bytes of the present packet that still go on as they are
        self._dropping = 0  # bytes of the present packet that are still to come and are too many
        self._kept = bytearray()  # the beginning of that packet

    def feed(self, chunk: bytes) -> bytes:
        """The part of `chunk` that goes on. Raises ConnectionError for what no broker may send."""
        out = bytearray()
        at = 0
        while at < len(chunk):
            if self._passing:
                part = chunk[at : at + self._passing]
                out += part
                self._passing -= len(part)
                at += len(part)
            elif self._dropping:
                part = chunk[at : at + self._dropping]
                self._kept += part[: max(0, _HEAD_MAX - len(self._kept))]
                self._dropping -= len(part)
                at += len(part)
                if not self._dropping:
                    out += _cut(self._fixed[0], self._kept, self._five)
                    self._fixed, self._kept = bytearray(), bytearray()
            else:
                self._fixed.append(chunk[at])
                at += 1
                if len(self._fixed) > 1 and self._fixed[-1] < 128:
                    self._begin_packet(out)
                elif len(self._fixed) > 4:
                    raise ConnectionError("the broker sent a packet without a length")
        return bytes(out)

    def _begin_packet(self, out: bytearray) -> None:
        length = _number(self._fixed[1:])
        if length <= PACKET_MAX:
            out += self._fixed
            self._fixed, self._passing = bytearray(), length
        elif self._fixed[0] >> 4 != _PUBLISH:
            raise ConnectionError(f"the broker sent {length} bytes that are not a message")
        else:
            self._dropping = length


class LimitedSocket:
    """A connected socket whose bytes come through a `PacketLimit`, and which can gather what is sent and write it in
    one call; everything else is the socket's own. For one thread."""

    def __init__(self, inner: Any, limit: PacketLimit) -> None:
        self._inner = inner
        self._limit = limit
        self._ready = bytearray()
        self._gathering = False
        self._gathered = bytearray()
        self._broken: OSError | None = None  # the error that writing ended with

    def recv(self, size: int) -> bytes:
        """As socket.recv on a socket that does not block."""
        if self._broken is not None:
            raise self._broken
        if not self._ready:
            chunk = self._inner.recv(_CHUNK)
            if not chunk:
                return b""
            self._ready += self._limit.feed(chunk)
            if not self._ready:
                raise BlockingIOError  # all of it belonged to what is thrown away
        out = bytes(self._ready[:size])
        del self._ready[:size]
        return out

    def fileno(self) -> int:
        """As socket.fileno: select asks for it."""
        return int(self._inner.fileno())

    def send(self, data: bytes) -> int:
        """As socket.send on a socket that does not block; within `gathering` nothing is written yet."""
        if self._gathering:
            self._gathered += data
            return len(data)
        self.write_gathered()
        if self._gathered:
            raise BlockingIOError  # first what was sent first
        return int(self._inner.send(data))

    @contextmanager
    def gathering(self) -> Iterator[None]:
        """Write what is sent within this block at its end, in one call: paho would write each acknowledgement by
        itself."""
        self._gathering = True
        try:
            yield
        finally:
            self._gathering = False
        self.write_gathered()

    def write_gathered(self) -> None:
        """Write as much as is possible now of what was gathered and could not be written yet. If the connection is
        broken, `recv` says so, as it would without this."""
        if not self._gathered:
            return
        try:
            del self._gathered[: self._inner.send(bytes(self._gathered))]
        except (BlockingIOError, ssl.SSLWantWriteError, ssl.SSLWantReadError):
            return
        except OSError as error:
            self._broken = error
            self._gathered.clear()

    def close(self) -> None:
        """As socket.close, but first write what was gathered, as it may end with a farewell."""
        self.write_gathered()
        self._inner.close()

    def unwritten(self) -> int:
        """Bytes that were gathered and could not be written yet."""
        return len(self._gathered)

    def pending(self) -> int:
        """How many bytes have already been read, which select does not know; not 0 also for a broken connection."""
        return len(self._ready) or int(self._broken is not None) or int(getattr(self._inner, "pending", int)())

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)


class LimitedClient(mqtt.Client):
    """paho's client behind a `PacketLimit`."""

    def _create_socket(self) -> Any:  # paho's own joint for its websocket wrapper; a test holds it in place
        return LimitedSocket(super()._create_socket(), PacketLimit(five=self.protocol == mqtt.MQTTv5))


def _number(encoded: bytes | bytearray) -> int:
    """A variable byte integer (MQTT 5.0, section 1.5.5)."""
    return sum((byte & 127) << (7 * place) for place, byte in enumerate(encoded))


def _cut(first: int, kept: bytes | bytearray, five: bool) -> bytes:
    """A PUBLISH that is just too long for the parser, made from the beginning (`kept`) of what follows the fixed header
    of a longer one; without its properties."""
    head = 2 + int.from_bytes(kept[:2], "big") + (2 if first & 0b110 else 0)  # topic; packet number from QoS 1 on
    if len(kept) < head + 1:
        raise ConnectionError("the broker sent a message that is cut off inside its topic")
    payload = kept[head : head + PAYLOAD_MAX].ljust(PAYLOAD_MAX + 1, b" ")
    body = bytes(kept[:head]) + (b"\0" if five else b"") + bytes(payload)
    length, encoded = len(body), bytearray()
    while length:
        length, digit = divmod(length, 128)
        encoded.append(digit | (128 if length else 0))
    return bytes([first]) + bytes(encoded) + body
