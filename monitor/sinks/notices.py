"""Where a notice leaves: one thread per channel sends the notices in the outbox to the console and to notification
addresses.

Best effort: nothing here holds up a reading. Each channel has a thread of its own, so that a slow one holds up no
other, and its own account in the store (`runs.deliveries`). What goes out and when is decided in `notify.due`, when
to try again in `sinks.channel_queue`; the MQTT topic is another channel, drained by `sinks.mqtt_state`.
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

STORE_AGAIN_S = 30.0  # a store in trouble is the recorder's to report; the outbox waits
STOP_S = 2.0  # a channel that hangs in a connection is broken off
BREAK_S = 1.0


class Console:
    """Prints each notice; `key` and `shown` as for any channel."""

    key = shown = "console"

    def __init__(self, write: Callable[[str], object] | None = None, show: Display | None = None) -> None:
        self._show = show or Display()
        self._write = write or (lambda text: print(text, flush=True))

    def send(self, together: Sequence[StoredNotice]) -> Failure | None:
        """One paragraph, with when it became due; never fails, unless standard output is gone."""
        title, text = words(together)
        try:
            self._write(f"** {title} ({self._show.stamp(together[0].notice.due_s)})\n   " + text.replace("\n", "\n   "))
        except (OSError, ValueError) as error:
            return Failure(reason=f"standard output: {error}")
        return None

    def break_off(self) -> None:
        """Printing does not wait."""


def channels(
    settings: NoticeSettings,
    show: Display | None = None,
    page: str | None = None,
    button: Callable[[str], str] | None = None,
    phones: Path | None = None,
) -> list[Channel]:
    """The console, with times as `show` has them, and every configured address, with links to `page` and what its
    `button` of a jar is; the phones of the store at `phones`, where these can be notified. Raises SecretError when one
    of the addresses cannot be read."""
    found: list[Channel] = [Console(show=show)] if settings.console and sys.stdout is not None else []
    seen: set[str] = set()
    for address in addresses(envs=settings.to_env, file=settings.to_file):
        channel = AppriseChannel(address, page, button)
        if channel.key not in seen:  # the same address twice is one person
            seen.add(channel.key)
            found.append(channel)
    if phones is not None:
        found.append(PushChannel(phones, page, button))
    return found


class NoticeSink:
    """Drains the outbox of the store at `path` to `out`. `elsewhere` are the keys of channels that another sink
    drains: a notice is done when these have it as well."""

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
        """Begin; what was waiting goes out at once."""
        for lane in self._lanes:
            lane.worker.start()

    def wake(self) -> None:
        """There may be something new in the outbox."""
        for lane in self._lanes:
            lane.worker.wake()

    def send_now(self, notice: Notice) -> None:
        """Send what no outbox can take now, to all channels; tried again until it went out, or is called off."""
        for lane in self._lanes:
            lane.queue.send_now(notice)
        self.wake()

    def cancel(self) -> None:
        """What was to go out at once and has not yet gone is no longer true."""
        for lane in self._lanes:
            lane.queue.cancel()

    def stop(self) -> None:
        """End, after the message that is being sent if it is done soon."""
        for lane in self._lanes:
            lane.worker.ask_to_stop()
        end_s = time.monotonic() + STOP_S
        for lane in self._lanes:
            lane.worker.stop(max(end_s - time.monotonic(), 0.0))
        for lane in self._lanes:
            if lane.worker.running:
                lane.queue.channel.break_off()
                lane.worker.stop(BREAK_S)  # to take down that it was not sent

    def trouble(self) -> str | None:
        """What is wrong with the first channel that does not get through."""
        return next((sentence for lane in self._lanes if (sentence := lane.queue.trouble())), None)


class _Lane:
    """One channel's queue, the thread that it works in, and that thread's view of the store."""

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
