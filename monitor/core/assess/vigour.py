"""Is the starter fit to bake with, is it predictable, is it flagging, does it lean sour, and what to try.

Judges closed cycles and the notebook; `jartide assess` prints it. The numbers of a cycle are `peak`'s and `cycle`'s,
the equivalent hours `warmth`'s. A sensor sees a surface only: neither mould nor anything that makes ill.

Where a rule says common practice, no source was found for it, and bakers differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

from monitor.core.assess.notebook import THROW_AWAY, noted, of_this_starter
from monitor.core.forecast import dilution, growth_rate, timing
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.student_t import t_quantile
from monitor.values import Cycle, Noted, Noting

LAST = 3  # cycles that the verdict rests on
DOUBLED = 2.0  # common practice: a vigorous starter at least doubles
OF_ITS_BEST = 0.8  # of its own best rise, where doubling is asking too much (rye, wholemeal, runny)
BEST_IN = 5  # its best is what one cycle in five reaches: the very highest of many is luck, and ever higher
RUNNY_HYDRATION = 1.05  # above 100 % the gas is not held
LEAST_RISE = 1.3  # below, it has hardly risen, whatever the flour
PREDICTABLE_SPREAD = 0.15  # of the equivalent hours to the peak, one standard deviation: about 1 h in 7
FLAGGING_RATIO, FLAGGING_ERROR = 0.15, 0.01  # so much slower or lower than its past, and hardly by chance
LEAST_SCATTER = 0.08  # of ln(hours) or ln(rise) between cycles: no kitchen is more regular than that
YOUNG_DAYS = 14.0
LIFE_RATIO = 1.15  # a rise that cannot be the sensor's
SOUR_AFTER_H, MILD_WITHIN_H = 6.0, 2.0  # equivalent hours from the peak to the next feeding
RECENT_S = 3 * 86400.0
FLAT_AFTER_S = 18 * 3600.0  # a rise that has not come by then at kitchen temperatures is none

Verdict = Literal["yes", "not yet", "no"]
Leaning = Literal["sour", "mild", "neither"]

OPTIMA = "yeast grows fastest at 27 to 28 °C, the bacteria that sour it at 32 to 33 °C (Gänzle 1998, Brandt 2004)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """What is judged of one starter. `spread` is that of the equivalent hours to the peak (0.1: 10 %), None when fewer
    than three cycles show it; `past_peak_h` the usual equivalent hours from peak to feeding."""

    verdict: Verdict
    because: str
    cycles: int
    rise_ratio: float | None
    best_ratio: float | None
    hours_to_peak: float | None
    spread: float | None
    flagging: str | None
    leaning: Leaning | None
    past_peak_h: float | None
    levers: tuple[str, ...]
    advice: tuple[str, ...]
    baked: int  # how often it was noted as baked with, and when last
    baked_last_s: float | None


def assess(cycles: Sequence[Cycle], notes: Sequence[Noted], now_s: float) -> Assessment:
    """Judge a starter by its cycles (oldest first; those at rest or unsure are left out) and what was noted. One that
    had the time to rise and did not counts as a rise of none; of the open cycle only that counts."""
    notes = of_this_starter(notes)
    shown = [cycle for cycle in cycles if _rose(cycle) or _lay_flat(cycle, cycles[-1], now_s)]
    ratios = [cycle.peak_ratio or 1.0 for cycle in shown]
    seen = [cycle for cycle in shown if _rose(cycle)]
    worth = [_worth_h(c) for c in seen]
    spread = _spread([_plain_ln(c) for c in seen[-2 * LAST :]])
    rested = any(cycle.rested for cycle in cycles)
    verdict, because = _verdict(shown, ratios, spread, notes, rested)
    past = [h for h in map(_past_peak_h, seen[-LAST:]) if h is not None]
    baked = [note.time_s for note in notes if note.what is Noting.BAKED]
    past_peak_h = median(past) if past else None
    leaning = None if noted(notes, Noting.MOULD) else _leaning(past_peak_h)
    flagging = _flagging(seen, ratios)
    return Assessment(
        verdict=verdict,
        because=because,
        cycles=len(shown),
        rise_ratio=median(ratios[-LAST:]) if ratios else None,
        best_ratio=max(ratios) if ratios else None,
        hours_to_peak=median(worth[-LAST:]) if worth else None,
        spread=spread,
        flagging=flagging,
        leaning=leaning,
        past_peak_h=past_peak_h,
        levers=_levers(seen, leaning),
        advice=_advice(cycles, ratios, notes, verdict, flagging, now_s),
        baked=len(baked),
        baked_last_s=max(baked, default=None),
    )


def doubling_counts(cycle: Cycle) -> bool:
    """Whether doubling is a fair measure: white flour at up to 100 % hydration holds its gas, rye and runny do not."""
    hydration = cycle.feeding.hydration
    flour = (cycle.flour or "").lower()
    coarse = any(word in flour for word in ("rye", "whole", "spelt", "einkorn", "gluten"))
    return not coarse and (hydration is None or hydration <= RUNNY_HYDRATION)


def _rose(cycle: Cycle) -> bool:
    """Whether a whole rise was seen whose height is known."""
    over = cycle.fall_at_s is not None or cycle.ended_at_s is not None
    known = cycle.peak_ratio is not None and cycle.peak_at_s is not None
    return cycle.sure and not cycle.rested and over and known


def _lay_flat(cycle: Cycle, last: Cycle, now_s: float) -> bool:
    """Whether nothing rose in a cycle that had the time to. Cycles that a change of jar cut short have no end; one that
    was under way when watching began has no beginning."""
    fed = cycle.told or cycle.number > 0
    ended_s = cycle.ended_at_s or (now_s if cycle is last else cycle.fed_at_s)
    due = fed and cycle.sure and not cycle.rested and ended_s - cycle.fed_at_s > FLAT_AFTER_S
    return due and cycle.peak_at_s is None


def _verdict(
    seen: Sequence[Cycle], ratios: Sequence[float], spread: float | None, notes: Sequence[Noted], rested: bool
) -> tuple[Verdict, str]:
    if noted(notes, Noting.MOULD):
        return "no", THROW_AWAY
    if not seen:
        why = ", as a cycle with a rest in the cold shows none" if rested else ""
        return "not yet", f"No whole rise was seen yet{why}; feed it and let it rise."
    if not _rose(seen[-1]):
        return "no", "It did not rise at all after its last feeding; feed it and see it rise first."
    last = seen[-LAST:]
    best = sorted(ratios, reverse=True)[len(ratios) // BEST_IN]
    shown = ", ".join(f"{ratio:.1f}" for ratio in ratios[-LAST:])
    if ratios[-1] < LEAST_RISE:
        return "no", f"It last rose only {ratios[-1]:.2f} times; that lifts no bread. Feed it and see it rise first."
    risen = [_risen(cycle, best) for cycle in last]
    if len(last) < LAST:
        return "not yet", f"It rose {shown} times in {len(last)} of the {LAST} cycles that are needed to be sure."
    if not all(risen):
        bar = (
            "doubled"
            if doubling_counts(last[-1])
            else f"doubled or reached {OF_ITS_BEST:.0%} of its own best rise ({best:.1f})"
        )
        return "not yet", f"It {bar} in {sum(risen)} of the last {LAST} cycles (it rose {shown} times)."
    if spread is not None and spread > PREDICTABLE_SPREAD:
        return "not yet", f"It rises well ({shown} times), but the hours to its peak still spread by {spread:.0%}."
    steady = "" if spread is None else f" and its hours to the peak, warmth allowed for, spread by only {spread:.0%}"
    return "yes", f"It rose {shown} times in its last {LAST} cycles{steady}."


def _risen(cycle: Cycle, best: float) -> bool:
    ratio = cycle.peak_ratio or 0.0
    if round(ratio, 1) >= DOUBLED:  # as it is told; a sensor knows it no better
        return True
    return not doubling_counts(cycle) and ratio >= LEAST_RISE and ratio - 1.0 >= OF_ITS_BEST * (best - 1.0)


def _worth_h(cycle: Cycle) -> float:
    assert cycle.peak_at_s is not None
    clock = growth_rate.Clock(growth_rate.filled(cycle.temperatures_c), growth_rate.growth_rate(1.0))
    return max(clock.worth_h((cycle.peak_at_s - cycle.fed_at_s) / 3600.0), 0.1)


def _plain_ln(cycle: Cycle) -> float:
    """ln of the equivalent hours to the peak, as if it had been fed 1:4:4."""
    of_dilution = cycle.feeding.dilution
    return math.log(_worth_h(cycle)) - starter_models.PRIOR[timing.DILUTION][0] * dilution.shape(of_dilution)


def _spread(lns: Sequence[float]) -> float | None:
    if len(lns) < 3:
        return None
    mean = sum(lns) / len(lns)
    return math.sqrt(sum((value - mean) ** 2 for value in lns) / (len(lns) - 1))


def _past_peak_h(cycle: Cycle) -> float | None:
    if cycle.ended_at_s is None or cycle.peak_at_s is None:
        return None
    clock = growth_rate.Clock(growth_rate.filled(cycle.temperatures_c), growth_rate.growth_rate(1.0))
    peak_h, end_h = ((at_s - cycle.fed_at_s) / 3600.0 for at_s in (cycle.peak_at_s, cycle.ended_at_s))
    return max(clock.worth_h(end_h) - clock.worth_h(peak_h), 0.0)


def _flagging(seen: Sequence[Cycle], ratios: Sequence[float]) -> str | None:
    """Slower or lower than its own past, beyond its own scatter; None when it is not, or when too little was seen.

    Median and median absolute deviation of the past (times 1.4826 for a standard deviation: Rousseeuw and Croux 1993,
    J. Am. Stat. Assoc. 88:1273), so that neither a cycle gone wrong nor the first of a decline makes up the measure.
    """
    for values, up, what in (
        ([_plain_ln(c) for c in seen], True, "slower"),
        ([math.log(max(ratio - 1.0, 0.02)) for ratio in ratios], False, "lower"),
    ):
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
    return None


def _leaning(past_peak_h: float | None) -> Leaning | None:
    if past_peak_h is None:
        return None
    if past_peak_h >= SOUR_AFTER_H:
        return "sour"
    return "mild" if past_peak_h <= MILD_WITHIN_H else "neither"


def _levers(seen: Sequence[Cycle], leaning: Leaning | None) -> tuple[str, ...]:
    """What moves the taste, the strongest first; common practice, and disputed in part."""
    if leaning is None:
        return ()
    usual = next((c.feeding.dilution for c in reversed(seen) if c.feeding.dilution is not None), None)
    known = [t for cycle in seen[-LAST:] for t in cycle.temperatures_c if t is not None] or [growth_rate.USUAL_C]
    lately_c = sum(known) / len(known)
    yeast, bacteria = (
        growth_rate.cardinal(lately_c, *grows_c) for grows_c in (growth_rate.YEAST_C, growth_rate.BACTERIA_C)
    )
    kept = "" if usual is None else f" (last fed at one part in {usual:.0f})"
    return (
        "Hours past the peak matter most, as bakers commonly have it: feed at the peak for mild, hours later for sour.",
        f"Keeping more starter{kept} makes it sourer, keeping less milder.",
        "Cooler is said to be sharper, warmer and longer more acid in all; bakers dispute it. For orientation: "
        f"{OPTIMA}; at its {lately_c:.0f} °C they go at {yeast:.0%} and {bacteria:.0%} of their best.",
    )


def _advice(
    cycles: Sequence[Cycle],
    ratios: Sequence[float],
    notes: Sequence[Noted],
    verdict: Verdict,
    flagging: str | None,
    now_s: float,
) -> tuple[str, ...]:
    """What to try, by age and by what was seen. Common practice throughout."""
    if noted(notes, Noting.MOULD):
        return ()  # the verdict says what to do
    out = []
    if any(note.what is Noting.HOOCH and now_s - note.time_s < RECENT_S for note in notes):
        out.append(
            "Liquid on top means that it is hungry: stir it in and feed it, sooner from now on, or keep less starter."
        )
    if verdict == "yes":
        return tuple(out)
    days = (now_s - cycles[0].fed_at_s) / 86400.0 if cycles else 0.0
    alive = any(ratio >= LIFE_RATIO for ratio in ratios)
    if days >= YOUNG_DAYS and not alive:
        out.append("Two weeks without a sign of life: start over, with another flour or another water.")
    elif not alive or flagging is not None or ratios[-1] < DOUBLED:
        if days < YOUNG_DAYS:
            out.append(
                "It shows life: carry on feeding; young starters often pause for some days."
                if alive
                else "It is young: carry on feeding once a day, at 24 to 28 °C if you can."
            )
        out.append(
            "Try unbleached or wholemeal flour first, then filtered water if your tap water is heavily treated; and "
            "feed it at the start of its fall."
        )
    return tuple(out)
