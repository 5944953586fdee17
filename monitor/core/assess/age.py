"""How old a starter is, as far as anybody said or can know: early gas is mostly not from yeast, so its age decides what
a rise is worth.

A note says it (`jartide begun JAR DATE`, `old` or `dried`); else only the days of watching are known. In a cold
kitchen, below 20 degC, the first two weeks take longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.core.assess.notebook import of_this_starter
from monitor.core.display.local_time import UnknownDay, day_of
from monitor.values import DAY_S, Cycle, Noted, Noting

OLD, DRIED = "old", "dried"
NEVER_DAYS = 7.0  # common practice: a younger one is not baked with, however high it rises
SURE_DAYS = 10.0  # until then it is only after three doublings
YOUNG_DAYS = 14.0  # by then it is clear whether there is life in it
COUNTS_C, COLD_SHARE = 20.0, 0.5  # a day below this is not a whole one; with half of its days so, it is younger


@dataclass(frozen=True, slots=True, kw_only=True)
class Age:
    """`days` since it was begun, None when nobody said; `watched_days` since its first cycle here. `old`: somebody said
    that it is an old one; `dried`: woken from flakes, so old but not proven yet."""

    days: float | None
    watched_days: float
    old: bool = False
    dried: bool = False
    cold: bool = False  # most of its days were below 20 degC: the weeks count for less

    @property
    def least_days(self) -> float:
        """The least age that is known, in days."""
        return self.watched_days if self.days is None else self.days

    @property
    def young(self) -> bool:
        """Whether it is known to be in its first two weeks."""
        return self.days is not None and self.days < YOUNG_DAYS

    @property
    def perhaps_young(self) -> bool:
        """Whether it may be in its first two weeks: nobody said, and it has not been watched for long enough."""
        return self.days is None and not self.old and self.watched_days < NEVER_DAYS


def age_of(cycles: Sequence[Cycle], notes: Sequence[Noted], now_s: float) -> Age:
    """The age of the starter that is in the jar now."""
    first_s = min((cycle.fed_at_s for cycle in cycles), default=now_s)
    watched = max(now_s - first_s, 0.0) / DAY_S
    told = [note for note in of_this_starter(notes) if note.what is Noting.BEGUN]
    seen_c = [c for cycle in cycles for c in cycle.temperatures_c if c is not None]
    cold = bool(seen_c) and sum(c < COUNTS_C for c in seen_c) > COLD_SHARE * len(seen_c)
    if not told:
        return Age(days=None, watched_days=watched, cold=cold)
    said = max(told, key=lambda note: note.time_s).text.strip().lower()
    if said in (OLD, DRIED):
        return Age(days=None, watched_days=watched, old=True, dried=said == DRIED, cold=cold)
    try:
        begun_s = day_of(said) * DAY_S
    except UnknownDay:
        return Age(days=None, watched_days=watched, cold=cold)
    return Age(days=max((now_s - begun_s) / DAY_S, 0.0), watched_days=watched, cold=cold)
