"""When the starter in the jar, fed and not yet risen, will be ripe enough to feed from: the open cycle as a plan sees
it.

Feeding before its top throws away half-grown yeast, so `moment`, `bake` and `jartide plan` begin from here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.core.display.units import Display
from monitor.core.forecast import growth_rate
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.dilution import USUAL_DILUTION
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan.hours import WarmthFrom, hours_of
from monitor.core.plan.waking import AwakeAt, morning_after
from monitor.core.plan.weighing import LOST
from monitor.values import H_S, Cycle, Span, with_usual

HORIZON_H = 96  # for so many hours temperatures are expected
KEEPS_H = 12.0  # common practice: for so long after the start of its fall it still seeds a feeding well


@dataclass(frozen=True, slots=True, kw_only=True)
class Seed:
    """What the next feeding is made from. `ripe_at` is None where it is ripe already and where nobody knows. It is good
    to feed from between `ripe_s` and `spent_s`."""

    fed_at_s: float | None
    ripe_at: Span | None
    ripe_s: float
    spent_s: float
    total_g: float | None = None  # what was in the jar after that feeding
    rested: bool = False  # it was put into the cold since

    @property
    def standing_g(self) -> float | None:
        """How much is in the jar now, in g: what was fed less what is lost as gas and on the wall."""
        return None if self.total_g is None else self.total_g * (1.0 - LOST)


def seed_of(culture: Culture, cycle: Cycle | None, now_s: float, temperature_c: float | None = None) -> Seed:
    """The open cycle as seed. `temperature_c` is what the person expects from now on (None: the jar's usual day). A
    starter that was put to rest, or whose feeding nobody saw, is assumed to be ripe: its baker can see better."""
    if cycle is None or not cycle.fed_known or cycle.ended_at_s is not None:
        return Seed(fed_at_s=None, ripe_at=None, ripe_s=now_s, spent_s=now_s + 3600.0 * KEEPS_H)
    usual = starter_models.usual_feeding(culture)
    fed = with_usual(cycle.feeding, usual)
    total_g = fed.total_g or usual.total_g  # as usual where nobody reported it
    if cycle.rested:
        return Seed(
            fed_at_s=cycle.fed_at_s, ripe_at=None, ripe_s=now_s, spent_s=now_s + 3600.0 * KEEPS_H, total_g=total_g,
            rested=True,
        )  # fmt: skip
    hours = hours_of(culture, expected(culture, cycle, temperature_c), fed.dilution or _usual(culture), fed.hydration)
    low_s, likely_s, high_s = (cycle.fed_at_s + 3600.0 * h for h in hours.peak)
    fall_s = cycle.fall_at_s if cycle.fall_at_s is not None else cycle.fed_at_s + 3600.0 * hours.fall[1]
    spent_s = max(fall_s, now_s) + 3600.0 * KEEPS_H
    risen = cycle.peak_at_s is not None or cycle.fall_at_s is not None
    if risen or likely_s <= now_s:
        return Seed(fed_at_s=cycle.fed_at_s, ripe_at=None, ripe_s=now_s, spent_s=spent_s, total_g=total_g)
    ripe_at = Span(earliest_s=max(low_s, now_s), likely_s=likely_s, latest_s=high_s)
    return Seed(fed_at_s=cycle.fed_at_s, ripe_at=ripe_at, ripe_s=likely_s, spent_s=spent_s, total_g=total_g)


def good_to_feed_from(at_s: float, peak_h: float, fall_h: float) -> tuple[float, float]:
    """From when until when a feeding may be made from one at `at_s` that peaks and begins to fall so many hours
    later."""
    return at_s + H_S * peak_h, at_s + H_S * (fall_h + KEEPS_H)


def not_ripe_words(seed: Seed, show: Display, now_s: float) -> str:
    """In words: what is in the jar is not ripe yet, and when it will be. Only for a fed seed that is not ripe."""
    assert seed.ripe_at is not None
    assert seed.fed_at_s is not None
    likely = show.about(seed.ripe_at.likely_s, now_s)
    between = show.about_between(seed.ripe_at.earliest_s, seed.ripe_at.latest_s, now_s)
    return (
        f"It was fed at {show.clock(seed.fed_at_s, now_s)} and is not ripe yet: that comes about {likely} ({between}), "
        "as it reaches its top."
    )


def by_day_words(seed: Seed, from_s: float, show: Display, now_s: float) -> str:
    """In words: nobody has to get up for a seed that is ripe at night and is fed at `from_s`; "" where it is ripe by
    day."""
    if from_s <= seed.ripe_s + 60.0:  # the same, to the minute that is shown
        return ""
    return f"That is at night, and nobody need get up for it: feed it at {show.about(from_s, now_s)}."


def feed_from_s(seed: Seed, now_s: float, awake_at: AwakeAt) -> float:
    """When it should be fed: now, or as soon as it is ripe; where that is at night, in the morning after if it keeps
    that long."""
    ripe_s = max(now_s, seed.ripe_s)
    if awake_at(ripe_s):
        return ripe_s
    morning_s = morning_after(ripe_s, awake_at)
    return morning_s if morning_s is not None and morning_s <= seed.spent_s else ripe_s


def expected(culture: Culture, cycle: Cycle, temperature_c: float | None = None) -> Sequence[float]:
    """Hourly temperatures of an open cycle: those seen, then the expected ones."""
    if temperature_c is None:
        return growth_rate.expected_c(culture.day_c, cycle.fed_at_s, cycle.temperatures_c, HORIZON_H)
    return [*growth_rate.filled(cycle.temperatures_c, temperature_c), temperature_c]


def warmth_from(culture: Culture, cycle: Cycle | None, temperature_c: float | None) -> WarmthFrom:
    """Hourly temperatures from a moment on: what the person expects, else the jar's usual day. The open cycle belongs
    to that day: for a new jar, or one that never came to its top, it is all that is known."""
    if temperature_c is not None:
        return lambda _: (temperature_c,)
    seen_c = () if cycle is None or cycle.rested else cycle.temperatures_c
    day_c = growth_rate.learn_day(culture.day_c, 0.0 if cycle is None else cycle.fed_at_s, seen_c)
    return lambda at_s: growth_rate.expected_c(day_c, at_s, (), HORIZON_H)


def _usual(culture: Culture) -> float:
    return culture.last_dilution or USUAL_DILUTION
