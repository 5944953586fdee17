"""What earlier cycles of the starter say about the present one: whether its top is probably past, and how large a drop
the scan must show before the fall is believed.

Memory does two things and no more: it lets the first `peak_reached` come as soon as the top is more likely past than
not, and it lowers the z that the scan must reach (`fall.py`); it never replaces the scan. Where nothing was learnt it
says nothing, and in a cycle that does not look like the earlier ones it soon counts for nothing (`curve_filter.py`).
"""

from __future__ import annotations

from math import hypot

from monitor.core.detect.cycle import OpenCycle
from monitor.core.detect.state import DetectorState
from monitor.core.detect.verdict import FITS_LEAST, MemoryEvidence
from monitor.core.forecast import beliefs, dilution, growth_rate, timing
from monitor.core.forecast import starter_model as starter_models
from monitor.core.forecast.starter_model import Culture
from monitor.core.signal import curve_filter, learnt_curve
from monitor.core.signal.bins import BIN_S
from monitor.core.signal.change_point import FALL_Z
from monitor.core.signal.curve_filter import quantile_h
from monitor.core.signal.noise import wander_of_mean
from monitor.core.signal.plausibility import temperature_at
from monitor.values import Span, with_usual

BIN_H = BIN_S / 3600.0  # a bin in hours, as rates are counted
# Less is asked of the scan only when the top is past, when the level should have sunk by more than lids and mist do,
# and when it is sinking. Then a z of 2 is enough (1 in 44 on level noise), or 3 while fewer than three cycles were
# learnt. With the memory of another starter, these guards without any z let 9 early falls of 240 through, and with z 2
# none (`tests/bench/seasons.py` has the same stress).
PAST_SURE, DROP_LEAST_MM, SINKING_LEAST = 0.995, 1.2, 0.5
LOWERED_Z, YOUNG_Z, YOUNG_CYCLES = 2.0, 3.0, 3
# The filter's own 90 % ranges hold only two tops of three. What they lack is mostly where on a flat top the highest
# point lies: that differs from the learnt curve's by the same hours in each cycle of a starter, however near the top
# is. So a third of the time that the curve stands within FLAT of its top is added in quadrature. Set on 28 starters of
# `tests/bench/seasons.py`, to hold 90 of 100 tops over all quarters of an hour from half rise on.
WIDER, FLAT, FLAT_SHARE = 1.6, 0.02, 1.0 / 3.0
RANGE = (0.05, 0.95)  # of a range that holds 90 %
LEAST_START_MM = 10.0  # a thinner dough is a wrong level: shares of it would be nonsense
HOUR_BINS, HOUR_MIN = 12.0, 60.0
# share of the wander's slow power in a bin's weight; beside it counts what the white noise adds
WANDER_IN_WEIGHT = 0.16


def follow(state: DetectorState) -> MemoryEvidence | None:
    """Take in the bins closed since the last call, and say what earlier cycles make of them; None while there is
    nothing to say."""
    cycle, learnt = state.cycle, state.learnt
    if cycle is None or not learnt.curve or not cycle.from_start or cycle.fall_at_s is not None or cycle.rested:
        state.curve_filter = None
        return None
    running = state.curve_filter
    if running is None or running.bins > len(state.series.mean):
        running = state.curve_filter = _begun(state, cycle)
    if running is None:
        return None
    _take_bins(state, cycle, running)
    sure = running.past >= PAST_SURE and running.drop_mm >= DROP_LEAST_MM and running.sinking >= SINKING_LEAST
    needed_z = FALL_Z
    if sure and running.fits >= FITS_LEAST:
        needed_z = LOWERED_Z if len(learnt.placed) >= YOUNG_CYCLES else YOUNG_Z
    since_h = max(running.tau_h - running.scale_h, 0.0) / _rate(state, cycle, state.now_s)
    return MemoryEvidence(
        cycles=len(learnt.placed),
        fits=running.fits,
        past=running.past,
        top_at_s=state.now_s - since_h * 3600.0,
        drop_mm=running.drop_mm,
        needed_z=needed_z,
    )


def top_at(state: DetectorState) -> Span | None:
    """When the top comes, by the same chance that decides the first `peak_reached`: the likely time is the one at which
    it is as likely past as not. None while earlier cycles say nothing about this one, before its rise, and once its top
    was decided."""
    running, cycle = state.curve_filter, state.cycle
    if running is None or cycle is None or not running.weights or running.fits < FITS_LEAST or cycle.rise_at_s is None:
        return None
    if cycle.peak_at_s is not None or cycle.top_denied_s is not None:
        return None
    hour_s = 3600.0 / _rate(state, cycle, state.now_s)
    likely_h = quantile_h(running, 0.5)
    flat_h = FLAT_SHARE * likely_h * learnt_curve.flat_share(state.learnt.curve, FLAT)
    early_h, late_h = (quantile_h(running, share) for share in RANGE)
    early_h = likely_h - hypot(WIDER * (likely_h - early_h), flat_h)
    late_h = likely_h + hypot(WIDER * (late_h - likely_h), flat_h)
    early_s, likely_s, late_s = (
        state.now_s + max(scale_h - running.tau_h, 0.0) * hour_s for scale_h in (early_h, likely_h, late_h)
    )
    return Span(earliest_s=early_s, likely_s=likely_s, latest_s=late_s)


def learn_closed(state: DetectorState, culture: Culture) -> None:
    """Learn from the cycle that is about to close, if all of it was seen and only the starter itself moved the
    level."""
    cycle, series = state.cycle, state.series
    if cycle is None or not cycle.from_start or not cycle.sure or cycle.rested:
        return
    if cycle.fall_at_s is None or cycle.peak_at_s is None or not len(series.mean):
        return
    learnt, noise = state.learnt, state.noise
    tau_h: list[float] = []
    level_mm: list[float] = []
    weight: list[float] = []
    gone_h, top_h = _offset_h(state, cycle), 0.0
    for i, (mean_mm, n) in enumerate(zip(series.mean, series.readings, strict=True)):
        end_s = (series.first + i + 1) * BIN_S
        hours = BIN_H * _rate(state, cycle, end_s - BIN_S / 2.0)
        if end_s - BIN_S <= cycle.peak_at_s < end_s:
            top_h = gone_h + hours * (cycle.peak_at_s - end_s + BIN_S) / BIN_S
        if n > 0.0:
            tau_h.append(gone_h + hours / 2.0)
            level_mm.append(mean_mm)
            weight.append(1.0 / (noise.white_mm2 / n + WANDER_IN_WEIGHT * noise.wander_mm2 * noise.tau_min))
        gone_h += hours
    if not tau_h:
        return
    base_mm = level_mm[0]
    scale_h = None
    if learnt.curve and (whole := _begun(state, cycle)) is not None:
        _take_bins(state, cycle, whole)
        scale_h = whole.scale_h
    mean_n = sum(series.readings) / max(len(tau_h), 1)
    luck_mm2 = noise.white_mm2 / max(mean_n, 1.0) / HOUR_BINS + wander_of_mean(noise, HOUR_MIN)
    levels = [level - base_mm for level in level_mm]
    start_mm = max(base_mm - (state.bottom_mm or 0.0), LEAST_START_MM)
    shape = _shape(state, cycle)
    learnt_curve.learn(learnt, tau_h, levels, weight, top_h, scale_h, start_mm, shape, luck_mm2)
    likeliest = beliefs.likeliest(culture.bank)
    learnt.steepness, learnt.law = likeliest.mean[timing.STEEP], likeliest.law


def _begun(state: DetectorState, cycle: OpenCycle) -> curve_filter.CurveFilter | None:
    """A filter for this cycle that has taken in no bin yet; None before the first level."""
    first = next((mean for mean, n in zip(state.series.mean, state.series.readings, strict=True) if n > 0.0), None)
    if first is None:
        return None
    start_mm = max(first - (state.bottom_mm or 0.0), LEAST_START_MM)
    made = curve_filter.begin(state.learnt, _shape(state, cycle), start_mm, state.noise)
    made.tau_h = _offset_h(state, cycle)
    return made


def _shape(state: DetectorState, cycle: OpenCycle) -> float:
    """The shape of its dilution (`dilution.shape`). Grams that nobody reported are assumed as usual, as in
    forecasts."""
    fed = cycle.feeding
    if fed.dilution is None and state.carried:
        usual = starter_models.usual_feeding(starter_models.from_json(state.carried))
        fed = with_usual(fed, usual) if fed.weighed else usual
    return dilution.shape(fed.dilution)


def _offset_h(state: DetectorState, cycle: OpenCycle) -> float:
    """Equivalent hours from the feeding to the first bin."""
    first_s = state.series.first * BIN_S
    return max(first_s - cycle.fed_at_s, 0.0) / 3600.0 * _rate(state, cycle, first_s)


def _take_bins(state: DetectorState, cycle: OpenCycle, running: curve_filter.CurveFilter) -> None:
    series, curve = state.series, state.learnt.curve
    for i in range(running.bins, len(series.mean)):
        hours = BIN_H * _rate(state, cycle, (series.first + i + 0.5) * BIN_S)
        curve_filter.step(running, curve, hours, series.mean[i], series.readings[i], state.noise)


def _rate(state: DetectorState, cycle: OpenCycle, time_s: float) -> float:
    """How many equivalent hours an hour at `time_s` is worth, by the mean temperature of that hour or the last
    known."""
    hour = min(int((time_s - cycle.fed_at_s) // 3600.0), len(cycle.hours_n) - 1)
    while hour >= 0 and not cycle.hours_n[hour]:
        hour -= 1
    if hour >= 0:
        temperature_c = cycle.hours_sum[hour] / cycle.hours_n[hour]
    else:
        known = temperature_at(state.plausibility, state.now_s)
        temperature_c = growth_rate.USUAL_C if known is None else known
    return growth_rate.growth_rate(state.learnt.steepness, state.learnt.law)(temperature_c)
