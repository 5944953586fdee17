"""Our own messages over a source's connection: each waits for the broker's acknowledgement.

The thread of `mqtt_source` carries the packets; this knows what was published, and which topics the broker's access
list forbids us to write.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from monitor.sources.mqtt_in_flight import InFlight

PUBLISH_S = 5.0  # for the broker to confirm one of our own messages


class ConfirmedPublisher:
    """Publishes over the connection that `in_flight` knows; `wake` makes that connection's thread look for packets to
    send."""

    def __init__(self, in_flight: InFlight, wake: Callable[[], None]) -> None:
        self._in_flight = in_flight
        self._wake = wake
        self._refused_mids: set[int] = set()
        self._refused: dict[str, str] = {}  # topic -> sentence

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> bool:
        """Publish a message; True once the broker has confirmed it. To be called from one thread, never from a
        callback; waits up to `PUBLISH_S`. Nothing is kept for later: the caller has it and can publish it again."""
        client = self._in_flight.client
        if client is None:
            return False
        end_s = time.monotonic() + PUBLISH_S
        try:
            info = client.publish(topic, payload, qos=1, retain=retain)
            self._wake()
            while not info.is_published() and self._in_flight.client is client and time.monotonic() < end_s:
                info.wait_for_publish(0.1)
            confirmed = info.is_published()
        except (RuntimeError, ValueError, OSError):  # not connected any more
            return False
        if info.mid in self._refused_mids:
            self._refused_mids.discard(info.mid)
            self._refused[topic] = f"the broker does not let us write {topic}: see its access list"
            self._wake()
            return False
        if confirmed and self._refused.pop(topic, None) is not None:  # its access list was mended
            self._wake()
        return confirmed

    def refused(self, mid: int) -> None:
        """The broker has refused a message: to be called from its callback."""
        self._refused_mids.add(mid)

    def start_over(self) -> None:
        """The connection ended: forget what the broker refused on it."""
        self._refused_mids.clear()
        self._refused.clear()

    def trouble(self) -> str | None:
        """One sentence about a topic that we may not write, or None."""
        return next(iter(list(self._refused.values())), None)
