"""Is the starter fit to bake with, is it predictable, is it flagging, what is it doing now, and what to try.

Judges closed cycles and the notebook; `jartide assess` prints it. What counts as risen is `norms`', what to try is
`remedies`', taste is `taste`'s. A sensor sees a surface only: neither mould nor anything that makes ill.

Where a rule says common practice, no source was found for it, and bakers differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median, stdev
from typing import Literal

from monitor.core.assess import norms, remedies, taste
from monitor.core.assess.advice import Advice
from monitor.core.assess.age import NEVER_DAYS, SURE_DAYS, Age, age_of
from monitor.core.assess.notebook import of_this_starter
from monitor.core.assess.now import Current, doing_now
from monitor.core.assess.taste import Leaning
from monitor.core.assess.thrown_away import condemned, what_to_do
from monitor.core.display.units import Display
from monitor.core.forecast import growth_rate, peak_time
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.forecast.student_t import t_quantile
from monitor.values import Cycle, Noted, Noting

LAST = 3  # cycles that the verdict is based on
PREDICTABLE_SPREAD = 0.15  # of the hours to the peak against those predicted, one standard deviation: about 1 h in 7
FLAGGING_RATIO, FLAGGING_ERROR = 0.15, 0.01  # so much slower or lower than its past, and hardly by chance
LEAST_PEAK_H, LEAST_GAIN = 0.1, 0.02  # no logarithm of nothing
HARDLY = 0.05  # of the hours: they "hardly vary"
A_DAY = 1.5  # up to here it is "a day"
LEAST_SCATTER = 0.08  # of ln(hours) or ln(rise) between cycles: no kitchen is more regular than that
DECLINE_CYCLES, DECLINE_SHARE = 5, 0.25  # each lower than the one before: chance does that to five once in 120

Verdict = Literal["yes", "not yet", "no"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """The judgement of one starter. `spread` is that of the hours to the peak against those predicted (0.1: 10 %), None
    when fewer than three cycles show it; `past_peak_h` the usual hours from peak to feeding, as at 24 degC, and
    `past_peak_clock_h` those of the clock; `now` what it is doing and whether to feed it, where that is known."""

    verdict: Verdict
    because: str
    now: str | None
    cycles: int
    rise_ratio: float | None
    best_ratio: float | None
    hours_to_peak: float | None
    clock_hours_to_peak: float | None
    spread: float | None
    flagging: str | None
    leaning: Leaning | None
    past_peak_h: float | None
    past_peak_clock_h: float | None
    levers: tuple[str, ...]
    advice: tuple[Advice, ...]
    age_days: float | None
    watched_days: float
    baked: int  # how often it was noted as baked with, and when last
    baked_last_s: float | None


# branches: a field a line, most of them None where too little is known
def assess(
    cycles: Sequence[Cycle],
    notes: Sequence[Noted],
    now_s: float,
    *,
    current: Current | None = None,
    culture: Culture | None = None,
    display: Display | None = None,
) -> Assessment:
    """Judge a starter by its cycles (oldest first; those at rest or unsure are left out) and what was noted. One that
    had the time to rise and did not counts as a rise of none; of the open cycle only that counts. `current` is the jar
    as believed now, where it is watched; `culture` what was learnt of it, else it is learnt from these cycles."""
    notes = of_this_starter(notes)
    display = display or Display()
    culture = culture or starter_models.learned_from(cycle for cycle in cycles if rose(cycle))
    shown = [cycle for cycle in cycles if rose(cycle) or lay_flat(culture, cycle, cycles[-1], now_s)]
    ratios = [cycle.peak_ratio or 1.0 for cycle in shown]
    seen = [cycle for cycle in shown if rose(cycle)]
    lns = [norms.off_ln(culture, cycle) for cycle in seen]
    late_lns = lns[-2 * LAST :]
    spread = None if len(late_lns) < LAST else stdev(late_lns)
    age = age_of(cycles, notes, now_s)
    changed = remedies.changed_lately(seen)
    flagging = None if changed is not None else _flagging(lns, ratios)
    now, waiting = doing_now(culture, cycles, current, now_s, display, age)
    rested = any(cycle.rested for cycle in cycles)
    bin_note = condemned(notes)
    verdict, because = _verdict(shown, ratios, spread, bin_note, rested, age, flagging, waiting)
    past = [one for one in map(taste.past_peak_h, seen[-LAST:]) if one is not None]
    baked = [note.time_s for note in notes if note.what is Noting.BAKED]
    leaning = None if bin_note is not None or not past else taste.leaning(median(h for h, _ in past))
    facts = remedies.Seen(
        cycles=cycles, shown=shown, ratios=ratios, notes=notes, age=age, culture=culture, spread=spread,
        flagging=flagging, changed=changed, verdict=verdict, waiting=waiting, now_s=now_s,
    )  # fmt: skip
    return Assessment(
        verdict=verdict,
        because=because,
        now=None if bin_note is not None else now,
        cycles=len(shown),
        rise_ratio=median(ratios[-LAST:]) if ratios else None,
        best_ratio=max(ratios) if ratios else None,
        hours_to_peak=median(_worth_h(one) for one in seen[-LAST:]) if seen else None,
        clock_hours_to_peak=median(_peak_h(one) for one in seen[-LAST:]) if seen else None,
        spread=spread,
        flagging=flagging,
        leaning=leaning,
        past_peak_h=median(h for h, _ in past) if past else None,
        past_peak_clock_h=median(h for _, h in past) if past else None,
        levers=taste.levers(seen, leaning),
        advice=remedies.what_to_try(facts),
        age_days=age.days,
        watched_days=age.watched_days,
        baked=len(baked),
        baked_last_s=max(baked, default=None),
    )


def doubt(made: Assessment) -> str | None:
    """What a bake with it has to be told first; None for one that is fit."""
    if made.verdict == "yes":
        return None
    return f"Is it fit to bake with? {made.verdict.capitalize()}, as judged now: {made.because}"


def rose(cycle: Cycle) -> bool:
    """Whether a whole rise was seen whose height is known."""
    over = cycle.fall_at_s is not None or cycle.ended_at_s is not None
    known = cycle.peak_ratio is not None and cycle.peak_at_s is not None
    return cycle.sure and not cycle.rested and over and known


def lay_flat(culture: Culture, cycle: Cycle, last: Cycle, now_s: float) -> bool:
    """Whether nothing rose in a cycle that had the time to. Cycles that a change of jar cut short have no end; one that
    was under way when watching began has no beginning."""
    fed = cycle.fed_known
    ended_s = cycle.ended_at_s or (now_s if cycle is last else cycle.fed_at_s)
    gone_h = (ended_s - cycle.fed_at_s) / 3600.0
    if not fed or not cycle.sure or cycle.rested or cycle.peak_at_s is not None or gone_h <= peak_time.FLAT_LEAST_H:
        return False
    return gone_h > norms.flat_after_h(culture, cycle)


# branches: one reason each: the first that holds decides
def _verdict(
    shown: Sequence[Cycle],
    ratios: Sequence[float],
    spread: float | None,
    bin_note: Noted | None,
    rested: bool,
    age: Age,
    flagging: str | None,
    waiting: bool,
) -> tuple[Verdict, str]:
    if bin_note is not None:
        return "no", what_to_do(bin_note)
    young = _too_young(age)
    doubled = sum(round(ratio, 1) >= norms.DOUBLED for ratio in ratios)
    if age.dried and doubled < LAST:
        return (
            "not yet",
            f"Woken from dried flakes, it counts as young until it has doubled {LAST} times ({doubled} so far).",
        )
    if not shown:
        if waiting:
            return "not yet", "No complete rise has been seen yet; one is on its way, see below."
        why = ", as a cycle with a rest in the cold does not count" if rested else ""
        return "not yet", young or f"No complete rise has been seen yet{why}; feed it and let it rise."
    if not rose(shown[-1]):
        if young is not None:
            return "not yet", young
        if waiting:
            return (
                "no",
                "It did not rise at all in its last complete cycle; wait and see what the present one does.",
            )
        return "no", "It did not rise at all after its last feeding; feed it and see it rise first."
    last, own = shown[-LAST:], norms.own_rise(ratios)
    said = ", ".join(f"{ratio:.1f}" for ratio in ratios[-LAST:])
    high = [norms.risen(cycle, own) for cycle in last]
    if young is not None:
        return "not yet", young
    if _foam(last):
        return (
            "not yet",
            f"It is too wet to judge by height: it holds little gas, and {said} times proves nothing.",
        )
    if ratios[-1] < norms.LEAST_RISE:
        return (
            "no",
            f"It last rose only {ratios[-1]:.2f} times, too little to lift bread. Feed it and see it rise first.",
        )
    if age.old and not age.dried and all(high) and len(last) < LAST:
        return "yes", (
            f"It is an old starter and rose {said} times: if it bakes as it always has, bake with it. Its own figures "
            f"come after {LAST} cycles."
        )
    if len(last) < LAST:
        return "not yet", f"It rose {said} times in {len(last)} of the {LAST} cycles that are needed to be sure."
    if not all(high):
        bar = "doubled" if norms.doubling_counts(last[-1]) else _own_bar(own)
        return "not yet", f"It {bar} in {sum(high)} of the last {LAST} cycles (it rose {said} times)."
    if age.perhaps_young:
        return "not yet", (
            f"It rose {said} times, but it has only been watched for {_days(age.watched_days)} so far, and early gas "
            "is mostly not yeast. If it is an old one, say so: jartide begun JAR old."
        )
    if flagging is not None:
        return "not yet", f"It rose {said} times in its last {LAST} cycles, but it is flagging."
    own_norm = "" if all(round(ratio, 1) >= norms.DOUBLED for ratio in ratios[-LAST:]) else ", as high as it ever does"
    if own_norm and (last[-1].feeding.hydration or 1.0) <= norms.STIFF_HYDRATION:
        own_norm += " (so stiff it takes longer: allow for that)"
    if spread is not None and spread > PREDICTABLE_SPREAD:
        return "yes", (
            f"It is strong, {said} times in its last {LAST} cycles{own_norm}, but its hours vary by {spread:.0%}, "
            "warmth allowed for: go by the jar, not by the clock."
        )
    steady = ""
    if spread is not None:
        vary = "hardly vary" if spread < HARDLY else f"vary by only {spread:.0%}"
        steady = f", and its hours to the peak {vary}, warmth allowed for"
    return "yes", f"It rose {said} times in its last {LAST} cycles{own_norm}{steady}."


def _own_bar(own: float) -> str:
    return f"doubled or came within reach of its own usual rise ({own:.1f}, at least {norms.OWN_FLOOR:g})"


def _days(days: float) -> str:
    return "a day" if days < A_DAY else f"{days:.0f} days"


def _too_young(age: Age) -> str | None:
    """Why it cannot be fit yet whatever it rose; None when it can."""
    if age.days is None or age.days >= NEVER_DAYS:
        return None
    return (
        f"It is {_days(age.days)} old: gas in the first week is mostly not yeast, however high it rises. Keep on "
        f"feeding; it is worth judging from day {NEVER_DAYS:.0f} to {SURE_DAYS:.0f} on."
    )


def _foam(last: Sequence[Cycle]) -> bool:
    """A batter: foam on it, and no height to go by."""
    wet = [cycle.feeding.hydration or 1.0 for cycle in last]
    low = all(round(cycle.peak_ratio or 1.0, 1) < norms.OWN_FLOOR for cycle in last)
    return fmean(wet) >= norms.FOAM_HYDRATION and low and all(rose(cycle) for cycle in last)


def _peak_h(cycle: Cycle) -> float:
    assert cycle.peak_at_s is not None
    return max((cycle.peak_at_s - cycle.fed_at_s) / 3600.0, LEAST_PEAK_H)


def _worth_h(cycle: Cycle) -> float:
    clock = growth_rate.Clock(norms.temperatures_of(cycle), growth_rate.growth_rate())
    return max(clock.worth_h(_peak_h(cycle)), LEAST_PEAK_H)


def _flagging(lns: Sequence[float], ratios: Sequence[float]) -> str | None:
    """Slower or lower than its own past, beyond its own scatter; None when it is not, or when too little was seen.

    Median and median absolute deviation of the past (times 1.4826 for a standard deviation: Rousseeuw and Croux 1993,
    J. Am. Stat. Assoc. 88:1273), so that neither a cycle gone wrong nor the first of a decline makes up the measure.
    """
    heights = [math.log(max(ratio - 1.0, LEAST_GAIN)) for ratio in ratios]
    for values, up, what in ((lns, True, "slower"), (heights, False, "lower")):
        late, early = values[-LAST:], values[:-LAST]
        if len(early) < LAST:
            continue
        usual = median(early)
        change = median(late) - usual
        scatter = max(1.4826 * median(abs(value - usual) for value in early), LEAST_SCATTER)
        error = scatter * math.sqrt(math.pi / 2.0 * (1.0 / len(late) + 1.0 / len(early)))  # of a difference of medians
        by = math.exp(abs(change)) - 1.0 if up else 1.0 - math.exp(-abs(change))
        if (
            (change > 0) == up
            and by > FLAGGING_RATIO
            and abs(change) > t_quantile(1.0 - FLAGGING_ERROR, len(early) - 1) * error
        ):
            return f"Its last {LAST} rises were {by:.0%} {what} than those before, more than its own scatter."
    down = heights[-DECLINE_CYCLES:]
    falls = len(down) == DECLINE_CYCLES and all(a > b for a, b in pairwise(down))
    if falls and 1.0 - math.exp(down[-1] - down[0]) > DECLINE_SHARE:
        said = ", ".join(f"{ratio:.1f}" for ratio in ratios[-DECLINE_CYCLES:])
        return f"Each of its last {DECLINE_CYCLES} rises was lower than the one before ({said})."
    return None
