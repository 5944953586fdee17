"""What the open cycle is doing and whether to feed it: still rising, at its top, sinking, or flat past the latest hour
that was predicted. Asked by `vigour`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from monitor.core.assess import norms
from monitor.core.assess.age import NEVER_DAYS, Age
from monitor.core.display.units import Display, times
from monitor.core.forecast import peak_time
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import phrases
from monitor.core.plan.ripeness import expected
from monitor.values import Cycle, JarState, Span, Stage

SOON_S = 600.0  # a moment nearer than this is now
CLIMBS_MM_PER_H = 0.05  # slower is no climb that anybody sees
MOSTLY, HALF = 0.75, 0.4  # of the time here that a warmer place would take: how its gain is worded


@dataclass(frozen=True, slots=True, kw_only=True)
class Current:
    """What is believed about the jar now, as far as it matters here."""

    stage: Stage
    rise_ratio: float | None = None
    slope_mm_per_h: float | None = None
    peak_at: Span | None = None


def current_of(state: JarState | None) -> Current | None:
    """That from a jar's whole state; None where no cycle is open."""
    if state is None or state.cycle is None:
        return None
    return Current(
        stage=state.stage,
        rise_ratio=None if state.level is None else state.level.rise_ratio,
        slope_mm_per_h=state.slope_mm_per_h,
        peak_at=None if state.forecast is None else state.forecast.peak_at,
    )


def doing_now(
    culture: Culture, cycles: Sequence[Cycle], current: Current | None, now_s: float, show: Display, age: Age
) -> tuple[str | None, bool]:
    """(what the open cycle is doing and whether to feed it, whether it is still on its way up). None where nothing
    can be said: no open cycle, its feeding not seen, at rest, away."""
    if not cycles:
        return None, False
    cycle = cycles[-1]
    stage = None if current is None else current.stage
    if cycle.ended_at_s is not None or not cycle.fed_known or cycle.rested:
        return None, False
    if stage in (Stage.RESTING, Stage.AWAY, Stage.UNKNOWN):
        return None, False
    fall_s = cycle.fall_at_s
    if stage is Stage.FALLING or fall_s is not None:
        return f"It has been sinking{f' since {show.clock(fall_s, now_s)}' if fall_s else ''}: feed it.", False
    if stage is Stage.PEAKED or cycle.peak_at_s is not None:
        return _at_its_top(cycle), False
    gone_h = (now_s - cycle.fed_at_s) / 3600.0
    due_h = norms.due_h(culture, _to_come(culture, cycle))
    if age.dried and age.watched_days < NEVER_DAYS:
        return None, True
    if age.days is not None and age.days < NEVER_DAYS and stage is not Stage.RISING:
        return None, True  # no forecast is worth anything then; what is usual on that day is said
    if stage is not Stage.RISING and gone_h > peak_time.flat_after_h(due_h[2]):
        by = show.clock(cycle.fed_at_s + 3600.0 * min(due_h[2], peak_time.FLAT_MOST_H), now_s)
        return f"It should have been at its top by {by} at the latest, but has not begun to rise.", False
    return _on_its_way(culture, cycle, current, now_s, show, due_h), True


def _to_come(culture: Culture, cycle: Cycle) -> Cycle:
    """The open cycle with the temperatures that are expected of it."""
    return replace(cycle, temperatures_c=tuple(expected(culture, cycle)))


def _at_its_top(cycle: Cycle) -> str:
    if "rye" in norms.flour_of(cycle):
        return (
            "It is at its top, and rye stays there for hours before it sinks, if it does: it is ripe now. Bake with "
            "it or feed it within a few hours; cracks and small holes on top show how far it is."
        )
    if (cycle.feeding.hydration or 1.0) <= norms.STIFF_HYDRATION:
        return (
            "It is at its top. A dough this stiff makes a dome, of which the sensor sees one spot: it is ripe when the "
            "dome flattens and cracks. Cut it; inside it should look like a honeycomb. Then bake with it or feed it."
        )
    return "It is at its top: ripe now. Bake with it or feed it; there is no need to wait until it sinks."


def _on_its_way(
    culture: Culture,
    cycle: Cycle,
    current: Current | None,
    now_s: float,
    show: Display,
    due_h: tuple[float, float, float],
) -> str:
    low_s, likely_s, high_s = (cycle.fed_at_s + 3600.0 * hours for hours in due_h)
    if current is not None and current.peak_at is not None:
        peak = current.peak_at
        low_s, likely_s, high_s = peak.earliest_s, peak.likely_s, peak.latest_s
    share = norms.touch_share(culture, _to_come(culture, cycle))
    ripe_s = cycle.fed_at_s + share * (likely_s - cycle.fed_at_s)
    rising = current is not None and current.stage is Stage.RISING
    ratio = None if current is None else current.rise_ratio
    level = "" if ratio is None else times(ratio)
    slope = None if current is None else current.slope_mm_per_h
    climbing = f"climbing {show.speed(slope)}" if rising and slope is not None and slope > CLIMBS_MM_PER_H else ""
    how = ", ".join(part for part in (f"{level} its starting volume" if level else "", climbing) if part)
    what = "It is still rising" if rising else "It has been fed and is on its way"
    if high_s <= now_s and not rising:  # nobody saw whether it came
        return (
            f"{what}{f' ({how})' if how else ''}: its peak should have come by {show.about(high_s, now_s)}. Look: "
            "if it is at its top, or has sunk from it, it is ripe."
        )
    if likely_s <= now_s + SOON_S:  # it takes longer than was likeliest
        until = f", by {show.about(high_s, now_s)} at the latest" if high_s > now_s + SOON_S else ""
        when = f"its peak may come any time now{until}"
    else:
        between = show.about_between(max(low_s, now_s), high_s, now_s)
        ripe = "" if ripe_s <= now_s + SOON_S else f", and it is ripe from about {show.about(ripe_s, now_s)} on"
        when = f"its peak comes about {show.about(likely_s, now_s)} ({between}){ripe}"
    return f"{what}{f' ({how})' if how else ''}: {when}. Don't feed it yet.{_colder(culture, cycle, due_h[1])}"


def _colder(culture: Culture, cycle: Cycle, here_h: float) -> str:
    """In words: what a warmer place would do, where it is cold."""
    seen = [c for c in cycle.temperatures_c if c is not None]
    if not seen or fmean(seen) >= norms.COLD_C:
        return ""
    there_h = norms.due_h(culture, replace(cycle, temperatures_c=(norms.WARM_C,)))[1]
    share = there_h / here_h
    if share > MOSTLY:
        return ""
    half = "about half the time" if share > HALF else "less than half the time"
    return f" At {phrases.degrees(fmean(seen))} it takes a long time; at {norms.WARM_C:.0f} °C it would take {half}."
