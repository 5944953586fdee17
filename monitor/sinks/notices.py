"""Where a notice leaves: one thread per channel sends the notices in the outbox to the console and to notification
addresses.

Best effort: nothing here delays a reading. Each channel has its own thread, so that a slow one delays no other, and its
own account in the store (`runs.deliveries`). What goes out and when is decided in `notify.due`, when to try again in
`sinks.channel_queue`. The MQTT topic is another channel, which `sinks.mqtt_state` drains.
"""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Collection, Sequence
from pathlib import Path

from monitor.core.display.units import Display
from monitor.host.secret import addresses
from monitor.host.worker import Worker
from monitor.runs.outbox import StoredNotice
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import NoticeSettings
from monitor.sinks.apprise_channel import AppriseChannel
from monitor.sinks.channel_queue import Channel, ChannelQueue, Failure, words
from monitor.sinks.push_channel import PushChannel
from monitor.values import Notice

log = logging.getLogger(__name__)

STORE_AGAIN_S = 30.0  # the recorder reports a store in trouble; the outbox waits
STOP_S = 2.0  # a channel that hangs in a connection is stopped then
BREAK_S = 1.0


class Console:
    """Prints each notice; `key` and `shown` as for any channel."""

    key = shown = "console"

    def __init__(self, write: Callable[[str], object] | None = None, show: Display | None = None) -> None:
        self._show = show or Display()
        self._write = write or (lambda text: print(text, flush=True))

    def send(self, together: Sequence[StoredNotice]) -> Failure | None:
        """Print one paragraph, with the time at which it became due; never fails, unless standard output is gone."""
        title, text = words(together)
        try:
            self._write(f"** {title} ({self._show.stamp(together[0].notice.due_s)})\n   " + text.replace("\n", "\n   "))
        except (OSError, ValueError) as error:
            return Failure(reason=f"standard output: {error}")
        return None

    def break_off(self) -> None:
        """Nothing to do: printing does not wait."""


def channels(
    settings: NoticeSettings,
    show: Display | None = None,
    page: str | None = None,
    button: Callable[[str], str] | None = None,
    phones: Path | None = None,
) -> list[Channel]:
    """The console, with times by `show`; every configured address, with links to `page` and its `button` for a jar; and
    the phones in the store at `phones`, where phones can be notified. Raises SecretError when an address cannot be
    read."""
    found: list[Channel] = [Console(show=show)] if settings.console and sys.stdout is not None else []
    seen: set[str] = set()
    for address in addresses(envs=settings.to_env, file=settings.to_file):
        channel = AppriseChannel(address, page, button)
        if channel.key not in seen:  # the same address twice is the same person
            seen.add(channel.key)
            found.append(channel)
    if phones is not None:
        found.append(PushChannel(phones, page, button))
    return found


class NoticeSink:
    """Sends the notices in the outbox of the store at `path` over the channels `out`. `elsewhere` are the keys of
    channels of other sinks: a notice is done when these have it as well."""

    advice = "`jartide check --send-test` tries each address; until it works, look at the jars yourself."

    def __init__(
        self,
        path: Path,
        out: Sequence[Channel],
        elsewhere: Collection[str] = (),
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        keys = {channel.key for channel in out} | set(elsewhere)
        self._lanes = [_Lane(ChannelQueue(channel, keys, wall, monotonic), path) for channel in out]

    def start(self) -> None:
        """Begin; what was waiting goes out immediately."""
        for lane in self._lanes:
            lane.worker.start()

    def wake(self) -> None:
        """There may be something new in the outbox."""
        for lane in self._lanes:
            lane.worker.wake()

    def send_now(self, notice: Notice) -> None:
        """Send a notice that no outbox can take now over all channels; retried until it went out or is cancelled."""
        for lane in self._lanes:
            lane.queue.send_now(notice)
        self.wake()

    def cancel(self) -> None:
        """Drop what `send_now` was given and has not gone out: it is no longer true."""
        for lane in self._lanes:
            lane.queue.cancel()

    def stop(self) -> None:
        """Stop, after the message that is being sent if that is done soon."""
        for lane in self._lanes:
            lane.worker.ask_to_stop()
        end_s = time.monotonic() + STOP_S
        for lane in self._lanes:
            lane.worker.stop(max(end_s - time.monotonic(), 0.0))
        for lane in self._lanes:
            if lane.worker.running:
                lane.queue.channel.break_off()
                lane.worker.stop(BREAK_S)  # for storing that it was not sent

    def trouble(self) -> str | None:
        """What is wrong with the first channel that cannot send."""
        return next((sentence for lane in self._lanes if (sentence := lane.queue.trouble())), None)


class _Lane:
    """One channel's queue, its thread, and that thread's connection to the store."""

    def __init__(self, queue: ChannelQueue, path: Path) -> None:
        self.queue = queue
        self.worker = Worker(f"notices to {queue.channel.key}", self._turn, ending=self._close)
        self._path = path
        self._store: Store | None = None
        self._resumed = False

    def _turn(self) -> float | None:
        try:
            all_told = self.queue.send_unstored()
            if self._store is None:
                self._store = Store.join(self._path)
            if not self._resumed:
                self.queue.resume(self._store)
                self._resumed = True
            wait_s = self.queue.turn(self._store)
        except StoreTrouble as error:
            log.warning("notices to %s: %s", self.queue.channel.shown, error)
            self._close()
            self.worker.pause(STORE_AGAIN_S)
            return 0.0
        return wait_s if all_told else min(wait_s or STORE_AGAIN_S, STORE_AGAIN_S)

    def _close(self) -> None:
        if self._store is not None:
            self._store.close()
            self._store = None
