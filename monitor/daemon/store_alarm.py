"""The notices about trouble with the store itself; those of `jars` are each about one jar.

That a damaged store was set aside goes into the outbox of the new one, like any notice. That nothing can be stored
cannot go into an outbox: it is handed to the channels directly, once for each time of trouble.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol, runtime_checkable

from monitor.core.display.units import Display
from monitor.core.notify.due import quiet_hours_until
from monitor.host.clock import Moment
from monitor.settings import NoticeSettings
from monitor.values import DAY_S, Notice

AFTER_S = 600.0  # a disk that is full for a moment, or a backup tool that holds the lock, is over by then
OF_USE_S = 7 * DAY_S


def damaged(aside: Path, damage: str, settings: NoticeSettings, now_s: float, display: Display) -> Notice:
    """The store was damaged and set aside. `cycle` is the minute, so that each time it happens is announced once."""
    return Notice(
        jar="",
        cycle=int(now_s // 60),
        kind="store_damaged",
        repeat=0,
        due_s=quiet_hours_until(settings, now_s, display) or now_s,
        expires_s=now_s + OF_USE_S,
        title="The store was damaged; a new one has been started",
        text=f"At {display.clock(now_s, now_s)} the store was found damaged ({damage}); it was moved to {aside}. "
        "From now on the jars are watched as if they were new: enter when each was last fed with `jartide fed`, and "
        "look at them yourself meanwhile. `jartide recover` saves what is readable of the old store.",
    )


def unwritable(trouble: str, since_s: float, now_s: float, display: Display) -> Notice:
    """Nothing could be written since `since_s`."""
    return Notice(
        jar="",
        cycle=int(since_s // 60),
        kind="store_trouble",
        repeat=0,
        due_s=now_s,
        expires_s=now_s + OF_USE_S,
        title="The jars are not judged: the store cannot be written",
        text=f"Since {display.clock(since_s, now_s)} nothing can be stored: {trouble}. Readings are kept in memory for "
        "about a day and judged once the store works; until then no notices come, so look at the jars yourself. Make "
        "room on the disk, or see what else `jartide check` says.",
        urgent=True,
    )


class UrgentSink(Protocol):
    """A sink that can send without the outbox."""

    def send_now(self, notice: Notice) -> None:
        """Send as soon as the channels take it."""

    def cancel(self) -> None:
        """Drop what has not gone out yet: it is no longer true."""


@runtime_checkable
class ShowsStore(Protocol):
    """A sink that can show what the store cannot take."""

    def say_of_store(self, trouble: str | None) -> None:
        """Show why nothing can be stored at present; None when it can."""


class StoreAlarm:
    """Asked in each turn of the loop. `urgent_sinks` are all sinks that send notices, `shown` is where people look."""

    def __init__(
        self,
        urgent_sinks: Sequence[UrgentSink],
        settings: NoticeSettings,
        display: Display,
        shown: Sequence[ShowsStore] = (),
    ) -> None:
        self._shown = shown
        self._urgent_sinks = urgent_sinks
        self._settings, self._display = settings, display
        self._since: Moment | None = None
        self._told = False

    def look(self, trouble: str | None, wall_s: float, monotonic_s: float) -> None:
        """`trouble` is the recorder's: a sentence while nothing can be written, else None."""
        for page in self._shown:
            page.say_of_store(trouble)
        if trouble is None:
            if self._told:
                for sink in self._urgent_sinks:
                    sink.cancel()
            self._since, self._told = None, False
            return
        if self._since is None:
            self._since = Moment(wall_s, monotonic_s)
        if self._told or monotonic_s - self._since.monotonic_s < AFTER_S:
            return
        if quiet_hours_until(self._settings, wall_s, self._display) is None:
            self._told = True
            notice = unwritable(trouble, self._since.by(wall_s, monotonic_s), wall_s, self._display)
            for sink in self._urgent_sinks:
                sink.send_now(notice)
