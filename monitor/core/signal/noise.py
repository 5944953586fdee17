"""How noisy this jar's readings are, learnt from the readings: white noise and the slow wander of the surface.

`change_point.py` asks for the variance of a mean over any stretch; `surface.py` for that of one block. No decisions
here.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from math import exp, log, pi, sqrt

from monitor.core.signal.bins import BIN_MIN
from monitor.core.signal.block import Block

ROUNDING_MM2 = 1.0 / 12.0  # variance of rounding to 1 mm: the least that is ever believed
GATE_LEAST_MM = 3.0  # see `least_jump_mm`
FIRST_WHITE_MM2 = 1.5  # before anything is learnt: a ranging sensor of 1.2 mm
WHITE_MEMORY_N = 600.0  # differences; a sensor's noise changes with distance and light over hours
WHITE_PRIOR_N = 20.0  # so many differences FIRST_WHITE_MM2 is worth: it is soon forgotten
USUAL_MEMORY_N = 2880.0  # blocks: two days of minutes, in which a level crosses many steps of a coarse sensor
WANDER_MEMORY_N = 288.0  # bins: a day
SPANS = (1, 2, 4)  # in bins: third differences are taken of 5, 10 and 20 min means
# squared differences are clipped at this many times their mean, which 1.4 % of them exceed (chi-square of 1)
CLIP = 6.0
ROUGH_YOUNG_N, USUAL_ROUGH_MM2 = 10.0, 0.3  # until so many are in their mean, this and the white noise stand for it
EVEN_SHARE = 0.2  # of both gaps: three readings this evenly spaced have a second difference to learn from
JUMP_STEPS = 1.5  # of a coarse sensor: more than to the next step and back

# How foam surfaces wander by themselves: mostly by 0.2 to 0.8 mm over 5 to 30 min, now and then hardly at all or more.
# (An observed range, all of it equally likely; it matters only until this jar has shown how its own surface behaves.)
WANDER_SDS_MM = (0.05, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0, 1.3)
WANDER_TAUS_MIN = (5.0, 8.0, 12.0, 18.0, 27.0)
RARE = 0.3  # weight of a wander outside of 0.2 to 0.8 mm, beside 1 for one within


def _rough(span: int, tau_min: float) -> float:
    """A twentieth of the expected square of the third difference of four neighbouring means over span x 5 min, for an
    Ornstein-Uhlenbeck process of unit variance (from the covariances of its averages, in closed form). For white noise
    the same is the variance of one mean, as the squares of the weights 1, 3, 3, 1 add up to 20."""
    x = span * BIN_MIN / tau_min
    e = exp(-x)
    c0 = 2.0 / x * (1.0 - (1.0 - e) / x)
    c1, c2, c3 = ((1.0 - e) ** 2 / (x * x) * e**k for k in range(3))
    return (20.0 * c0 - 30.0 * c1 + 12.0 * c2 - 2.0 * c3) / 20.0


# (variance mm2, time constant min, ln of its weight, expected squares at SPANS)
WANDERS = tuple(
    (sd * sd, tau, 0.0 if 0.2 <= sd <= 0.8 else log(RARE), tuple(sd * sd * _rough(span, tau) for span in SPANS))
    for sd in WANDER_SDS_MM
    for tau in WANDER_TAUS_MIN
)


@dataclass(frozen=True, slots=True)
class LoneReading:
    """The only reading of a minute."""

    time_s: float
    distance_mm: float


@dataclass(slots=True)
class Noise:
    """Variances in mm2. At each of SPANS, `rough_mm2` is the running mean of a twentieth of the squared third
    difference, and `rough_white_mm2` of the part of it that is white noise."""

    white_mm2: float = FIRST_WHITE_MM2
    white_n: float = 0.0
    rough_mm2: list[float] = field(default_factory=lambda: [0.0] * len(SPANS))
    rough_white_mm2: list[float] = field(default_factory=lambda: [0.0] * len(SPANS))
    rough_n: list[float] = field(default_factory=lambda: [0.0] * len(SPANS))
    wander_mm2: float = 0.28  # mean of the range above
    tau_min: float = 14.0
    latest: list[LoneReading] = field(default_factory=list)  # of neighbouring minutes, at most two
    rounds_to_mm: float = 0.0  # the step of a coarse sensor; 0: too fine to matter
    usual_white_mm2: float = 0.0  # white noise over days, averaged over where the level stands between two steps
    usual_n: float = 0.0


def white_sd(noise: Noise) -> float:
    """White noise, one standard deviation in mm."""
    return sqrt(noise.white_mm2)


def learn_block(noise: Noise, block: Block) -> None:
    """Learn white noise from a minute with several readings, or from three neighbouring minutes with one reading
    each."""
    if block.step_n:
        learn_white(noise, block.step_square, block.step_n)
        noise.latest.clear()
        return
    if block.distance_mm is None or block.bad_n:
        noise.latest.clear()
        return
    noise.latest.append(LoneReading(block.time_s, block.distance_mm))
    if len(noise.latest) < 3:
        return
    a, b, c = noise.latest
    if abs((c.time_s - b.time_s) - (b.time_s - a.time_s)) < EVEN_SHARE * (c.time_s - a.time_s):
        learn_white_slow(noise, c.distance_mm - 2.0 * b.distance_mm + a.distance_mm)
    del noise.latest[0]


def _left_by_rounding() -> tuple[tuple[float, ...], tuple[float, ...]]:
    """(white variance as it is seen, variance that rounding leaves in a long mean), in squares of the step, for true
    white noise of 0 to 0.6 of a step. Both are averages over where the level may stand between two steps; together they
    make up the true noise's variance plus the 1/12 of a rounding."""
    seen, left = [], []
    for share in (0.02 * i for i in range(31)):
        harmonics = (exp(-((2.0 * pi * k * share) ** 2)) / (k * k) for k in range(1, 60))
        left.append(sum(harmonics) / (2.0 * pi * pi))
        seen.append(share * share + 1.0 / 12.0 - left[-1])
    return tuple(seen), tuple(left)


_SEEN, _LEFT = _left_by_rounding()


def rounding_mm2(noise: Noise) -> float:
    """Variance in mm2 that a coarse sensor's rounding leaves in a mean however long, as the level may stand anywhere
    between two steps. It is less where noise carries single readings over the edge (dither: Carbone and Petri 1994,
    IEEE Trans. Instrum. Meas. 43:389). The lesser of the noise now and over days counts: at an edge every reading may
    jump, and in the middle of a step none does."""
    square = noise.rounds_to_mm**2
    if square == 0.0:
        return 0.0
    white = min(noise.white_mm2, noise.usual_white_mm2) / square
    place = bisect_right(_SEEN, white)
    return square * (_LEFT[0] if place == 0 else _LEFT[place - 1])


def least_jump_mm(noise: Noise) -> float:
    """The least change between neighbouring blocks that counts, mm. Lids are set back 1 or 2 mm off, mist does up to
    2 mm, and a coarse sensor goes to the next step and back as far as its noise does not even that out."""
    return max(GATE_LEAST_MM, JUMP_STEPS * sqrt(12.0 * rounding_mm2(noise)))


def spreads(noise: Noise, z: float) -> float:
    """How many spreads are as rare as `z` spreads of a normal law, while the white noise is known from few differences
    only: Student's quantile (Wallace 1959, Ann. Math. Stat. 30:1124). After an hour of readings it is about `z`."""
    n = noise.white_n + 1.0
    return sqrt(n * (exp(z * z / n) - 1.0))


def learn_white(noise: Noise, step_square: float, step_n: int) -> None:
    """Learn white noise from a sum of `step_n` squared differences of neighbours, which have twice its variance (von
    Neumann et al. 1941, Ann. Math. Stat. 12:153)."""
    if step_n:
        noise.white_n = min(noise.white_n + step_n, WHITE_MEMORY_N)
        gain = min(1.0, step_n / (noise.white_n + WHITE_PRIOR_N))
        now_mm2 = step_square / (2.0 * step_n)
        noise.white_mm2 = max(ROUNDING_MM2, noise.white_mm2 + gain * (now_mm2 - noise.white_mm2))
        noise.usual_n = min(noise.usual_n + 1.0, USUAL_MEMORY_N)
        noise.usual_white_mm2 += (now_mm2 - noise.usual_white_mm2) / noise.usual_n


def learn_white_slow(noise: Noise, second_difference: float) -> None:
    """Learn white noise where blocks are single readings: the second difference of three equally spaced ones has six
    times its variance."""
    square = min(second_difference**2 / 6.0, CLIP * noise.white_mm2)
    learn_white(noise, 2.0 * square, 1)


def learn_wander(noise: Noise, k: int, third_mm: float, white_mm2: float) -> None:
    """Learn the wander from a third difference of four neighbouring means over SPANS[k] bins each, in which no trend up
    to a parabola is left. `white_mm2` is the white variance of one such mean."""
    usual = noise.rough_mm2[k] if noise.rough_n[k] > ROUGH_YOUNG_N else USUAL_ROUGH_MM2 + white_mm2
    square = min(third_mm * third_mm / 20.0, CLIP * usual)
    noise.rough_n[k] = n = min(noise.rough_n[k] + 1.0, WANDER_MEMORY_N)
    noise.rough_mm2[k] += (square - noise.rough_mm2[k]) / n
    noise.rough_white_mm2[k] += (white_mm2 - noise.rough_white_mm2[k]) / n


def fit_wander(noise: Noise) -> None:
    """Set the wander to its posterior mean (of variance, and of variance times time constant) over WANDERS. A mean of n
    squares is a scaled chi-square, with likelihood exp(-n/2 (ln m + seen / m)) where m is expected. Differences
    overlap, so n of them count as n / (2 span) independent ones."""
    shares = [n / (4.0 * span) for n, span in zip(noise.rough_n, SPANS, strict=True)]
    seen = list(zip(shares, noise.rough_white_mm2, noise.rough_mm2, strict=True))
    logs = []
    for _, _, weight, expected in WANDERS:
        total = weight
        for m, (share, white, rough) in zip(expected, seen, strict=True):
            if share > 0.0:
                m += white
                total -= share * (log(m) + rough / m)
        logs.append(total)
    top = max(logs)
    mass = variance = power = 0.0
    for (v, tau, _, _), one in zip(WANDERS, logs, strict=True):
        w = exp(one - top)
        mass += w
        variance += w * v
        power += w * v * tau
    noise.wander_mm2 = variance / mass
    noise.tau_min = power / variance


def sd_of_mean_mm(noise: Noise, minutes: float, readings: float) -> float:
    """One standard deviation, in mm, of the mean of so many readings over so many minutes while the level does not
    move."""
    return sqrt(noise.white_mm2 / readings + wander_of_mean(noise, minutes))


def wander_of_mean(noise: Noise, minutes: float) -> float:
    """Variance in mm2 that the wander leaves in a mean over `minutes`."""
    x = max(minutes, 0.1) / noise.tau_min
    return noise.wander_mm2 * 2.0 / x * (1.0 - (1.0 - exp(-x)) / x) + rounding_mm2(noise)
