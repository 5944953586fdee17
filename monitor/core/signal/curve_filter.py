"""Compares the current cycle with the curve that its starter's earlier ones have in common: how likely the top is past,
and how far the level should have sunk since. `detect/memory.py` uses that to ask less of the scan, never to replace it.

For each of SCALES time scales S the height and the base are integrated out (both normal; the height near the usual one
or, with a small weight, anything). The errors are the surface's wander, the curve's own misfit (both
Ornstein-Uhlenbeck) and white noise. They do not depend on S, so one Kalman filter whitens readings and curve alike
(Rosenberg 1973, Ann. Econ. Soc. Meas. 2:399), and each bin costs only a few sums for each S. Beside it runs a filter
that knows no curve, only level and slope. The odds between the two say at each bin whether this cycle is like the
earlier ones; where it is not, memory says nothing. The slope of the second filter says which way the level goes,
whatever the curve says.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import erfc, exp, log, sqrt

from monitor.core.signal.bins import BIN_MIN, BIN_S
from monitor.core.signal.learnt_curve import DX, POINTS, Doubles, LearntCurve, expected_scale
from monitor.core.signal.noise import Noise, rounding_mm2

SCALES = 21  # tried at each bin, within REACH_SD; all of `step` costs some 150 us
REACH_SD, REACH_LEAST = 4.0, 0.4  # of ln S about the expected
FREEDOM = 4.0  # Student's t: now and then a cycle is far off
FAINT_LN = 40.0  # a scale this much less likely than the best adds nothing that a double could hold beside it
FIRST_SDS = (2.0, 3.0)  # of the second filter at the first bin: level in mm, slope in mm an hour
HEIGHT_SD, ANY_HEIGHT_SD, ANY_SHARE = 0.08, 0.45, 0.06  # as a share of the usual height; weight of "any height"
BASE_SD_MM = 4.0  # of the starting level about the first bin: it settles by millimetres
MISFIT_MIN = 120.0  # how long a cycle stays on one side of the curve
# chance, at each bin, that a cycle which is like the earlier ones remains so, and that one which is not becomes so
HOLDS, RETURNS = 0.995, 0.002
FITS_FIRST = 0.9  # chance that a new cycle is like the earlier ones
EVIDENCE = (-4.0, 1.0)  # bounds for one bin: an odd one is no proof, and many good ones are soon forgotten
BEND_MM_PER_H = 3.0  # how much the slope of the second filter may change within an hour
MOST = (POINTS - 1) * DX - 1e-9  # where the learnt curve ends


@dataclass(slots=True)
class ScaleSums:
    """For one time scale S: the filter's two states for the curve (wander and misfit), and the sums over the bins of
    curve x curve, curve x constant and curve x level, each divided by the variance."""

    wander: float = 0.0
    misfit: float = 0.0
    curve_curve: float = 0.0
    curve_one: float = 0.0
    curve_level: float = 0.0


@dataclass(slots=True)
class CurveFilter:
    """The current cycle compared with the learnt curve at each of `scales_h`; see `step`."""

    scales_h: Doubles = field(default_factory=lambda: array("d"))
    ln_near: Doubles = field(default_factory=lambda: array("d"))  # logarithm of the prior; `ln_any`: if any height is
    ln_any: Doubles = field(default_factory=lambda: array("d"))
    height_mm: float = 0.0
    misfit_mm2: float = 0.0
    tau_h: float = 0.0
    bins: int = 0
    sums: list[ScaleSums] = field(default_factory=list)
    cov: list[float] = field(default_factory=list)
    states: list[float] = field(default_factory=lambda: [0.0] * 4)  # the filter's two for the level, two for a constant
    constant: list[float] = field(default_factory=lambda: [0.0] * 3)  # 1 x 1, 1 x level, level x level
    first_mm: float | None = None
    fits: float = FITS_FIRST
    evidence: float | None = None
    line: list[float] = field(default_factory=lambda: [0.0] * 3)  # level, slope, wander
    line_cov: list[float] = field(default_factory=list)
    past: float = 0.0  # chance that the top is past
    drop_mm: float = 0.0  # how far the level should have sunk since, if it is
    sinking: float = 0.0  # chance that the level is sinking, whatever the curve says
    scale_h: float = 0.0  # the likeliest time scale (mean of ln S)
    weights: Doubles = field(default_factory=lambda: array("d"))  # how likely each of `scales_h` is; their sum is 1


def begin(learnt: LearntCurve, shape: float, start_mm: float, noise: Noise) -> CurveFilter:
    """A filter before the first bin of a cycle, for the shape of its dilution and the height of the dough just fed."""
    mean, variance = expected_scale(learnt, shape)
    sd = sqrt(variance)
    reach = max(REACH_SD * sd, REACH_LEAST)
    places = [k / (SCALES // 2) - 1.0 for k in range(SCALES)]
    offs = [reach * (0.5 * abs(p) + 0.5 * p * p) * (1.0 if p >= 0.0 else -1.0) for p in places]  # denser in the middle
    widths = [
        (offs[min(k + 1, SCALES - 1)] - offs[max(k - 1, 0)]) / (2.0 if 0 < k < SCALES - 1 else 1.0)
        for k in range(SCALES)
    ]
    near = [
        w * (1.0 + (off / sd) ** 2 / FREEDOM) ** (-0.5 * (FREEDOM + 1.0)) for off, w in zip(offs, widths, strict=True)
    ]
    return CurveFilter(
        scales_h=array("d", [exp(mean + off) for off in offs]),
        ln_near=array("d", [log(one / sum(near)) for one in near]),
        ln_any=array("d", [log(one / sum(widths)) for one in widths]),
        height_mm=learnt.height_share * start_mm,
        misfit_mm2=learnt.misfit * (learnt.height_share * start_mm) ** 2,
        sums=[ScaleSums() for _ in range(SCALES)],
        cov=[noise.wander_mm2, 0.0, learnt.misfit * (learnt.height_share * start_mm) ** 2],
        line_cov=[FIRST_SDS[0] ** 2, 0.0, 0.0, FIRST_SDS[1] ** 2, 0.0, noise.wander_mm2],
    )


def step(f: CurveFilter, curve: Sequence[float], hours: float, level_mm: float, n: float, noise: Noise) -> None:
    """Take in one bin of 5 min: the equivalent hours that passed in it, its mean level (on any scale, mm) and its
    number of readings (0: it has no level). `past`, `drop_mm`, `fits`, `sinking` and `scale_h` are then those at its
    end. Costs some 150 us."""
    middle_h = f.tau_h + 0.5 * hours
    f.tau_h += hours
    f.bins += 1
    p0, p1 = exp(-BIN_MIN / noise.tau_min), exp(-BIN_MIN / MISFIT_MIN)
    a, b, c = f.cov
    a = p0 * p0 * a + (noise.wander_mm2 + rounding_mm2(noise)) * (1.0 - p0 * p0)
    b *= p0 * p1
    c = p1 * p1 * c + f.misfit_mm2 * (1.0 - p1 * p1)
    y0, y1, o0, o1 = f.states
    y0, y1, o0, o1 = y0 * p0, y1 * p1, o0 * p0, o1 * p1
    if n <= 0.0:
        f.cov, f.states = [a, b, c], [y0, y1, o0, o1]
        for sums in f.sums:
            sums.wander *= p0
            sums.misfit *= p1
        return
    if f.first_mm is None:
        f.first_mm = level_mm
    y = level_mm - f.first_mm
    total = a + 2.0 * b + c + noise.white_mm2 / n
    k0, k1 = (a + b) / total, (b + c) / total
    f.cov = [a - k0 * k0 * total, b - k0 * k1 * total, c - k1 * k1 * total]
    vy, v1 = y - y0 - y1, 1.0 - o0 - o1
    f.states = [y0 + k0 * vy, y1 + k1 * vy, o0 + k0 * v1, o1 + k1 * v1]
    one = f.constant
    one[0] += v1 * v1 / total
    one[1] += v1 * vy / total
    one[2] += vy * vy / total
    a22, r2 = one[0] + 1.0 / BASE_SD_MM**2, one[1]
    usual = f.height_mm
    tight, loose = 1.0 / (HEIGHT_SD * usual) ** 2, 1.0 / (ANY_HEIGHT_SD * usual) ** 2
    ln_tight = 0.5 * log(tight) + log(1.0 - ANY_SHARE) - 0.5 * tight * usual * usual
    ln_loose = 0.5 * log(loose) + log(ANY_SHARE) - 0.5 * loose * usual * usual
    lns: list[float] = []
    heights: list[float] = []
    share1, share_y = v1 / total, vy / total
    for scale_h, sums, ln_near, ln_any in zip(f.scales_h, f.sums, f.ln_near, f.ln_any, strict=True):
        x = middle_h / scale_h
        place = (x if x < MOST else MOST) / DX
        i = int(place)
        low = curve[i]
        z0, z1 = sums.wander * p0, sums.misfit * p1
        v = low + (curve[i + 1] - low) * (place - i) - z0 - z1
        sums.wander = z0 + k0 * v
        sums.misfit = z1 + k1 * v
        ff = sums.curve_curve = sums.curve_curve + v * v / total
        a12 = sums.curve_one = sums.curve_one + v * share1
        fy = sums.curve_level = sums.curve_level + v * share_y
        for weak, ln_weak in ((tight, ln_tight + ln_near), (loose, ln_loose + ln_any)):
            a11, r1 = ff + weak, fy + weak * usual
            det = a11 * a22 - a12 * a12
            height = (a22 * r1 - a12 * r2) / det
            base = (a11 * r2 - a12 * r1) / det
            lns.append(0.5 * (r1 * height + r2 * base - log(det)) + ln_weak)
            heights.append(height)
    best = max(lns)
    weights = [exp(ln - best) if ln > best - FAINT_LN else 0.0 for ln in lns]
    mass = sum(weights)
    past = drop = mean_ln = 0.0
    for k, scale_h in enumerate(f.scales_h):
        both = weights[2 * k] + weights[2 * k + 1]
        if both == 0.0:
            continue
        mean_ln += both * log(scale_h)
        if scale_h <= f.tau_h:
            past += both
            x = f.tau_h / scale_h
            place = (x if x < MOST else MOST) / DX
            i = int(place)
            down = 1.0 - curve[i] - (curve[i + 1] - curve[i]) * (place - i)
            drop += (weights[2 * k] * heights[2 * k] + weights[2 * k + 1] * heights[2 * k + 1]) * down
    f.weights = array("d", [(weights[2 * k] + weights[2 * k + 1]) / mass for k in range(SCALES)])
    f.past, f.drop_mm, f.scale_h = past / mass, drop / past if past > 0.0 else 0.0, exp(mean_ln / mass)
    evidence = best + log(mass) - 0.5 * one[2]
    alone = _alone(f, y, n, p0, noise)
    if f.evidence is not None:
        for_it = min(max(evidence - f.evidence - 0.5 * log(total) - alone, EVIDENCE[0]), EVIDENCE[1])
        fits = f.fits * HOLDS + (1.0 - f.fits) * RETURNS
        odds = fits * exp(for_it)
        f.fits = odds / (odds + 1.0 - fits)
    f.evidence = evidence
    f.sinking = 0.5 * erfc(f.line[1] / sqrt(2.0 * f.line_cov[3]))


def quantile_h(f: CurveFilter, share: float) -> float:
    """The quantile of the time scale S at `share`, in equivalent hours. At 0.5 it is at most `tau_h` exactly when the
    top is more likely past than not. Needs at least one bin."""
    below = 0.0
    for k, (scale_h, weight) in enumerate(zip(f.scales_h, f.weights, strict=True)):
        if below + weight >= share:
            before_h = f.scales_h[k - 1] if k else scale_h
            return before_h + (scale_h - before_h) * (share - below) / weight if scale_h > f.tau_h else scale_h
        below += weight
    return f.scales_h[-1]


def _alone(f: CurveFilter, y: float, n: float, keep: float, noise: Noise) -> float:
    """One step of the second filter, of level, slope and wander without a curve; the logarithm of this bin's
    likelihood."""
    d = BIN_S / 3600.0
    level, slope, wander = f.line
    ll, ls, lw, ss, sw, ww = f.line_cov
    bend = BEND_MM_PER_H**2
    ll, ls, lw = (
        ll + 2.0 * d * ls + d * d * ss + bend * d**3 / 3.0,
        ls + d * ss + bend * d * d / 2.0,
        keep * (lw + d * sw),
    )
    ss, sw, ww = (
        ss + bend * d,
        keep * sw,
        keep * keep * ww + (noise.wander_mm2 + rounding_mm2(noise)) * (1.0 - keep * keep),
    )
    level, wander = level + d * slope, keep * wander
    g0, g1, g2 = ll + lw, ls + sw, lw + ww
    total = g0 + g2 + noise.white_mm2 / n
    off = y - level - wander
    gain = off / total
    f.line = [level + g0 * gain, slope + g1 * gain, wander + g2 * gain]
    f.line_cov = [
        ll - g0 * g0 / total, ls - g0 * g1 / total, lw - g0 * g2 / total,
        ss - g1 * g1 / total, sw - g1 * g2 / total, ww - g2 * g2 / total,
    ]  # fmt: skip
    return -0.5 * (off * off / total + log(total))
