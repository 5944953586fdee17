"""Where a notice leaves: a thread a channel drains the notices' outbox to the console and to notification addresses.

Best effort: nothing here holds up a reading. Each channel has a thread of its own, so that a slow one holds up no
other, and its own account in the store (`runs.deliveries`). What is told and when is decided in `core.notices`, when
to try again in `sinks.courier`; the MQTT topic is another channel, drained by `sinks.mqtt_state`.
"""

from __future__ import annotations

import logging
import sys
import threading
import time
from collections.abc import Callable, Collection, Sequence
from pathlib import Path

from monitor.host.secret import addresses
from monitor.runs.outbox import Kept
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import NoticeSettings
from monitor.sinks.apprise_channel import AppriseChannel
from monitor.sinks.courier import Channel, Courier, Failure, words
from monitor.values import Notice

log = logging.getLogger(__name__)

STORE_AGAIN_S = 30.0  # a store in trouble is the recorder's to report; the outbox waits
STOP_S = 2.0  # a channel that hangs in a connection is left behind: what it has in hand is marked as on its way


class Console:
    """Prints each notice; `key` and `shown` as for any channel."""

    key = shown = "console"

    def __init__(self, write: Callable[[str], object] | None = None) -> None:
        self._write = write or (lambda text: print(text, flush=True))

    def send(self, together: Sequence[Kept]) -> Failure | None:
        """One paragraph; never fails, unless standard output is gone."""
        title, text = words(together)
        try:
            self._write(f"** {title}\n   " + text.replace("\n", "\n   "))
        except (OSError, ValueError) as error:
            return Failure(reason=f"standard output: {error}")
        return None


def channels(settings: NoticeSettings) -> list[Channel]:
    """The console and every configured address. Raises SecretError when one of them is not there to be read."""
    found: list[Channel] = [Console()] if settings.console and sys.stdout is not None else []
    seen: set[str] = set()
    for address in addresses(envs=settings.to_env, file=settings.to_file):
        channel = AppriseChannel(address)
        if channel.key not in seen:  # the same address twice is one person
            seen.add(channel.key)
            found.append(channel)
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
        self._path = path
        keys = {channel.key for channel in out} | set(elsewhere)
        self._couriers = [Courier(channel, keys, wall, monotonic) for channel in out]
        self._wakes = [threading.Event() for _ in out]
        self._stopping = threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin; what was waiting goes out at once."""
        for lane in zip(self._couriers, self._wakes, strict=True):
            name = f"notices to {lane[0].channel.key}"
            thread = threading.Thread(target=self._run, args=lane, name=name, daemon=True)
            self._threads.append(thread)
            thread.start()

    def wake(self) -> None:
        """There may be something new in the outbox."""
        for wake in self._wakes:
            wake.set()

    def tell_at_once(self, notice: Notice) -> None:
        """Send what no outbox can take now, to all channels; tried again until it went out, or is called off."""
        for courier in self._couriers:
            courier.tell_at_once(notice)
        self.wake()

    def call_off(self) -> None:
        """What was to be told at once and did not go out yet is no longer true."""
        for courier in self._couriers:
            courier.call_off()

    def stop(self) -> None:
        """End, after the message that is being sent if it is done soon."""
        self._stopping.set()
        self.wake()
        end_s = time.monotonic() + STOP_S
        for thread in self._threads:
            thread.join(max(end_s - time.monotonic(), 0.0))

    def trouble(self) -> str | None:
        """What is wrong with the first channel that does not get through."""
        return next((sentence for courier in self._couriers if (sentence := courier.trouble())), None)

    def _run(self, courier: Courier, wake: threading.Event) -> None:
        resumed = False
        while not self._stopping.is_set():
            wait_s: float | None = STORE_AGAIN_S
            try:
                courier.send_at_once()
                with Store.join(self._path) as store:
                    while not self._stopping.is_set():
                        wake.clear()
                        if not resumed:
                            courier.resume(store)
                            resumed = True
                        all_told = courier.send_at_once()
                        wait_s = courier.turn(store)
                        wake.wait(wait_s if all_told else min(wait_s or STORE_AGAIN_S, STORE_AGAIN_S))
                        wait_s = STORE_AGAIN_S
                    return
            except StoreTrouble as error:
                log.warning("notices to %s: %s", courier.channel.shown, error)
            except Exception:
                log.exception("notices to %s: a fault in the program; going on", courier.channel.shown)
            self._stopping.wait(wait_s)
