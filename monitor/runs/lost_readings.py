"""Readings that a device sent but that never arrived, in words: for `status`, the page, `jartide check` and the list of
runs.

`device_numbers` finds them: the numbers that their device gave them are missing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from monitor.core.display.units import Display
from monitor.runs.device_numbers import Missing
from monitor.runs.store import Store, StoreTrouble
from monitor.values import DAY_S, EventKind

SAID_FROM = 10  # readings of a jar: that a single message gets lost (QoS 0, a router that restarts) is not worth a word
SAID_FOR_S = DAY_S  # after that it is only in the list of runs
CLOCKS_S = 120.0  # a silence begins at the time of the last reading, the loss when that was received
CURE = (
    "A broker keeps only so many messages while the daemon is down, and drops the rest: raise max_queued_messages"
    " (configs/broker_example.conf); `jartide check` finds out how many yours keeps. On a serial line: did the"
    " computer sleep? A message over a megabyte, or over the broker's own limit, never comes either."
)


def sentence(missing: Sequence[Missing], now_s: float, show: Display) -> str | None:
    """The jars with readings that never came, how many and from when to when; None when hardly any are missing."""
    parts = []
    for jar in dict.fromkeys(one.jar for one in missing):
        gaps = [one for one in missing if one.jar == jar]
        count = sum(one.count for one in gaps)
        if count >= SAID_FROM:
            begin, end = show.clock(gaps[0].from_s, now_s), show.clock(max(one.to_s for one in gaps), now_s)
            parts.append(f"{count:,} of {jar} (between {begin} and {end})")
    return f"readings were sent but never arrived, as their numbers show: {', '.join(parts)}" if parts else None


class LostReadings:
    """What was lost in the last day, as one of the daemon's troubles."""

    advice = CURE

    def __init__(self, store: Store, show: Display, wall: Callable[[], float]) -> None:
        self._store, self._show, self._wall = store, show, wall

    def trouble(self) -> str | None:
        """Which readings were lost, in a sentence; or None."""
        now_s = self._wall()
        try:
            missing = self._store.missing(now_s - SAID_FOR_S)
            return sentence([one for one in missing if not _was_silence(self._store, one)], now_s, self._show)
        except StoreTrouble:
            return None  # the store's own trouble is reported elsewhere


def _was_silence(store: Store, lost: Missing) -> bool:
    """Whether the sensor was reported silent at that time: then nothing more need be said."""
    run = store.open_run(lost.jar)
    if run is None:
        return False
    events = store.events(run.id, lost.from_s - CLOCKS_S)
    return any(one.kind is EventKind.SENSOR_SILENT and one.happened_at_s <= lost.to_s for one in events)
