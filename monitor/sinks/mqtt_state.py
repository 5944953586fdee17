"""What is believed about each jar, and the notices, as JSON on MQTT for other programs.

One for each [[mqtt]] table, over that source's connection. States are retained and carry their `time`, so that an old
one can be recognised. Beside its state, each jar has an availability topic that follows the jar's *readings*, not the
process (for which there is `status_topic`). Readings and notices are never retained. Nothing is queued while the broker
is away: when it is back, the latest states go out again, and notices wait in the outbox.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Collection, Sequence
from math import inf
from pathlib import Path
from typing import Protocol

from monitor.host.heartbeat import sending
from monitor.host.worker import Worker
from monitor.runs import rfc3339
from monitor.runs.outbox import StoredNotice
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import MqttSettings
from monitor.sinks.channel_queue import ChannelQueue, Failure
from monitor.values import JarState, Json, Notice, SourceHealth, Span, Stage

log = logging.getLogger(__name__)

SAME_S = 0.1  # no connection ends and is back within it
LOOK_S = 5.0  # how soon a connection that is back is noticed
STOP_S = 4.0


class Publisher(Protocol):
    """The part of an MQTT source that is used here."""

    name: str

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> bool:
        """True once the broker has confirmed it."""

    def health(self) -> SourceHealth:
        """Connected, and since when."""


class NoticeTopic:
    """The notices' topic of one broker as a channel: one message for each notice, for programs to read."""

    def __init__(self, publisher: Publisher, topic: str) -> None:
        self._publisher, self._topic = publisher, topic
        self.key = self.shown = f"{publisher.name} {topic}"

    def send(self, together: Sequence[StoredNotice]) -> Failure | None:
        """Publish each; when one is not confirmed all are sent again, under the same ids."""
        for kept in together:
            topic = self._topic.replace("{jar}", kept.notice.jar or "all")
            if not self._publisher.publish(topic, json.dumps(notice_body(kept), ensure_ascii=False)):
                return Failure(reason="the broker did not confirm it")
        return None

    def break_off(self) -> None:
        """Nothing to do: publishing waits for seconds only."""


class MqttState:
    """Publishes states as they are shown to it, and drains the outbox to the notice topic if there is one. `channels`
    are the keys of all channels that notices go to, this one's `key` (if not None) among them."""

    advice = "Is the broker's access list right (configs/broker_acl_example)? `jartide check` looks."

    def __init__(
        self,
        path: Path,
        publisher: Publisher,
        settings: MqttSettings,
        channels: Collection[str] = (),
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._path = path
        self._publisher = publisher
        self._state_topic = settings.state_topic or None
        channel = NoticeTopic(publisher, settings.notice_topic) if settings.notice_topic else None
        self.key = channel.key if channel is not None else None
        self._queue = ChannelQueue(channel, {*channels, channel.key}, wall, monotonic) if channel is not None else None
        self._lock = threading.Lock()
        self._latest: dict[str, JarState] = {}
        self._unsaid: set[str] = set()
        self._store: Store | None = None
        self._connected_since_s = -inf
        self._worker = Worker(f"state to {publisher.name}", self._turn, ending=self._end)

    def show(self, states: Sequence[JarState]) -> None:
        """Take the latest states; older ones that were not published yet are dropped."""
        if self._state_topic is None:
            return
        with self._lock:
            for state in states:
                self._latest[state.jar] = state
                self._unsaid.add(state.jar)
        self._worker.wake()

    def start(self) -> None:
        """Begin, in a thread of its own."""
        self._worker.start()

    def wake(self) -> None:
        """There may be something new in the outbox."""
        self._worker.wake()

    def send_now(self, notice: Notice) -> None:
        """Send a notice that no outbox can take now to the notices' topic, if there is one, as soon as the broker takes
        it."""
        if self._queue is not None:
            self._queue.send_now(notice)
            self._worker.wake()

    def cancel(self) -> None:
        """Drop what `send_now` was given and has not gone out: it is no longer true."""
        if self._queue is not None:
            self._queue.cancel()

    def stop(self) -> None:
        """If the connection is still there, publish that nobody watches the jars any more; then stop."""
        self._worker.stop(STOP_S)

    def trouble(self) -> str | None:
        """What is wrong with the notices' topic; the source itself reports what is wrong with the connection."""
        return self._queue.trouble() if self._queue is not None else None

    def _turn(self) -> float:
        try:
            health = self._publisher.health()
            # tolerant: times computed from two clocks may differ by the moment between reading them
            if health.connected and abs(health.since_s - self._connected_since_s) > SAME_S:
                self._connected_since_s = health.since_s
                self._say_all_again()
            if health.connected:
                self._say()
                if self._queue is not None:
                    self._deliver(self._queue)
            else:
                self._connected_since_s = -inf
        except StoreTrouble as error:
            log.warning("notices to %s: %s", self._publisher.name, error)
        return LOOK_S

    def _deliver(self, queue: ChannelQueue) -> None:
        queue.send_unstored()
        if self._store is None:
            self._store = Store.join(self._path)
            queue.resume(self._store)
        queue.turn(self._store)

    def _end(self) -> None:
        if self._store is not None:
            self._store.close()
        self._say_nobody_follows()

    def _say_all_again(self) -> None:
        """Publish all states again after connecting: the broker may have forgotten what it retained."""
        with self._lock:
            self._unsaid |= self._latest.keys()
        if self._queue is not None:
            self._queue.try_now()

    def _say(self) -> None:
        """Publish each state; one that the broker does not take, for whatever reason, delays no other."""
        with self._lock:
            states, self._unsaid = [self._latest[jar] for jar in self._unsaid], set()
        for number, state in enumerate(states):
            if not self._publisher.health().connected:
                with self._lock:
                    self._unsaid.update(one.jar for one in states[number:])
                return
            if not self._publish(state.jar, json.dumps(state_body(state), ensure_ascii=False), followed(state)):
                with self._lock:
                    self._unsaid.add(state.jar)

    def _say_nobody_follows(self) -> None:
        if self._publisher.health().connected and self._state_topic is not None:
            for jar in self._latest:
                topic = self._state_topic.replace("{jar}", jar)
                if not self._publisher.publish(f"{topic}/availability", "offline", retain=True):
                    return

    def _publish(self, jar: str, body: str, available: bool) -> bool:
        assert self._state_topic is not None
        topic = self._state_topic.replace("{jar}", jar)
        with sending():
            return self._publisher.publish(topic, body, retain=True) and self._publisher.publish(
                f"{topic}/availability", "online" if available else "offline", retain=True
            )


def followed(state: JarState) -> bool:
    """Whether readings of this jar come in, which is its availability."""
    return state.last_reading_s is not None and state.silent_since_s is None and state.stage is not Stage.AWAY


def state_body(state: JarState) -> dict[str, Json]:
    """The state as other programs read it: times in RFC 3339 UTC, units in the names, null where unknown."""
    cycle, level, forecast = state.cycle, state.level, state.forecast
    return {
        "time": _time(state.now_s),
        "jar": state.jar,
        "stage": state.stage.value,
        "level_mm": _rounded(level.level_mm if level is not None else None, 1),
        "rise_ratio": _rounded(level.rise_ratio if level is not None else None, 3),
        "rise_ratio_sd": _rounded(level.rise_ratio_sd if level is not None else None, 3),
        "slope_mm_per_h": _rounded(state.slope_mm_per_h, 2),
        "temperature_c": _rounded(state.temperature_c, 2),
        "last_reading_at": _time(state.last_reading_s),
        "fed_at": _time(cycle.fed_at_s if cycle is not None else None),
        "peak_at": _time(cycle.peak_at_s if cycle is not None else None),
        "peak_ratio": _rounded(cycle.peak_ratio if cycle is not None else None, 3),
        "fall_at": _time(cycle.fall_at_s if cycle is not None else None),
        "forecast_peak_at": _span(forecast.peak_at if forecast is not None else None),
        "forecast_fall_at": _span(forecast.fall_at if forecast is not None else None),
        "silent_since": _time(state.silent_since_s),
        "stuck_since": _time(state.stuck_since_s),
        "question": state.question,
    }


def notice_body(kept: StoredNotice) -> dict[str, Json]:
    """One notice as other programs read it. `id` is the same in every copy."""
    notice = kept.notice
    return {
        "time": _time(notice.due_s),
        "id": kept.message_id,
        "jar": notice.jar or None,
        "kind": notice.kind,
        "repeat": notice.repeat,
        "urgent": notice.urgent,
        "expires": _time(notice.expires_s),
        "title": notice.title,
        "text": notice.text,
    }


def _rounded(number: float | None, digits: int) -> float | None:
    return None if number is None else round(number, digits)


def _time(time_s: float | None) -> str | None:
    return None if time_s is None else rfc3339.text(float(round(time_s)))


def _span(span: Span | None) -> Json:
    if span is None:
        return None
    return {"earliest": _time(span.earliest_s), "likely": _time(span.likely_s), "latest": _time(span.latest_s)}
