"""How noisy this jar's readings are, learnt from the readings: white noise and the slow wander of the surface.

`peak.py` asks for the variance of a mean over any stretch; `lid.py` for that of one block. No decisions here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from math import exp, sqrt

from monitor.core.minute import Block

ROUNDING_MM2 = 1.0 / 12.0  # variance of rounding to 1 mm: the least that is ever believed
FIRST_WHITE_MM2 = 1.5  # before anything is learnt: a ranging sensor of 1.2 mm
FIRST_WANDER = (0.30, 12.0)  # variance mm2, time constant min: a foam surface in a kitchen
WHITE_MEMORY_N = 600.0  # differences; a sensor's noise changes with distance and light over hours
WANDER_MEMORY = 288.0  # bins: a day
WANDER_HEAD_START = 36.0  # bins' worth of belief in FIRST_WANDER: three hours
SPANS = (1, 2, 4)  # bins a side of the third difference: 5, 10, 20 min
TAUS_MIN = (3.0, 5.0, 8.0, 12.0, 18.0, 27.0, 40.0)
BIN_MIN = 5.0
CLIP = (
    6.0  # squared differences are clipped at this many times their mean (a chi-square of 1 exceeds it 1.4 % of times)
)


@cache
def _rough(span: int, variance: float, tau_min: float) -> float:
    """Expected squared third difference over 20 of means over span x 5 min of an Ornstein-Uhlenbeck process."""
    x = span * BIN_MIN / tau_min
    e = exp(-x)
    c0 = 2.0 / x * (1.0 - (1.0 - e) / x)
    c1, c2, c3 = ((1.0 - e) ** 2 / (x * x) * e**k for k in range(3))
    return variance * (20.0 * c0 - 30.0 * c1 + 12.0 * c2 - 2.0 * c3) / 20.0


@dataclass(slots=True)
class Noise:
    """Variances in mm2. `rough_mm2` holds the mean squared third difference over 20 at each of SPANS."""

    white_mm2: float = FIRST_WHITE_MM2
    white_n: float = 0.0
    rough_mm2: list[float] = field(default_factory=lambda: [_rough(s, *FIRST_WANDER) for s in SPANS])
    rough_n: list[float] = field(default_factory=lambda: [WANDER_HEAD_START] * len(SPANS))
    wander_mm2: float = FIRST_WANDER[0]
    tau_min: float = FIRST_WANDER[1]
    latest: list[list[float]] = field(default_factory=list)  # [time_s, mm] of the last lone readings


def white_sd(noise: Noise) -> float:
    """White noise, one standard deviation in mm."""
    return sqrt(noise.white_mm2)


def learn_block(noise: Noise, block: Block) -> None:
    """White noise from a minute with several readings; from three neighbouring ones where a minute holds but one."""
    if block.step_n:
        learn_white(noise, block.step_square, block.step_n)
        noise.latest.clear()
        return
    if block.distance_mm is None or block.bad_n:
        noise.latest.clear()
        return
    noise.latest.append([block.time_s, block.distance_mm])
    if len(noise.latest) < 3:
        return
    (t0, x0), (t1, x1), (t2, x2) = noise.latest
    if abs((t2 - t1) - (t1 - t0)) < 0.2 * (t2 - t0):
        learn_white_slow(noise, x2 - 2.0 * x1 + x0)
    del noise.latest[0]


def learn_white(noise: Noise, step_square: float, step_n: int) -> None:
    """Neighbour differences of white noise have twice its variance (von Neumann et al. 1941, Ann. Math. Stat. 12:153)."""
    if step_n:
        noise.white_n = min(noise.white_n + step_n, WHITE_MEMORY_N)
        gain = min(1.0, step_n / (noise.white_n + 20.0))
        noise.white_mm2 = max(ROUNDING_MM2, noise.white_mm2 + gain * (step_square / (2.0 * step_n) - noise.white_mm2))


def learn_white_slow(noise: Noise, second_difference: float) -> None:
    """For single-reading blocks: a second difference of equally spaced readings has six times the variance."""
    square = min(second_difference**2 / 6.0, CLIP * noise.white_mm2)
    learn_white(noise, 2.0 * square, 1)


def learn_wander(noise: Noise, means: list[list[float]], white_part: list[float]) -> None:
    """Third differences of neighbouring means over 5, 10 and 20 min leave no trend up to a parabola. `means[i]` holds
    four means at SPANS[i], newest last (empty: not to be had); `white_part[i]` the white variance of one such mean.
    """
    for i, four in enumerate(means):
        if not four:
            continue
        third = four[3] - 3.0 * four[2] + 3.0 * four[1] - four[0]
        square = max(0.0, min(third * third / 20.0, CLIP * (noise.rough_mm2[i] + white_part[i])) - 0.0)
        noise.rough_n[i] = min(noise.rough_n[i] + 1.0, WANDER_MEMORY)
        noise.rough_mm2[i] += (square - white_part[i] - noise.rough_mm2[i]) / noise.rough_n[i]


def fit_wander(noise: Noise) -> None:
    """Variance and time constant of an Ornstein-Uhlenbeck wander from the three scales, by least relative squares."""
    best = None
    seen = [max(r, 0.0) for r in noise.rough_mm2]
    for tau in TAUS_MIN:
        shape = [_rough(s, 1.0, tau) for s in SPANS]
        weight = [1.0 / (x * x) for x in shape]
        variance = sum(w * x * y for w, x, y in zip(weight, shape, seen, strict=True)) / len(SPANS)
        miss = sum((y - variance * x) ** 2 for x, y in zip(shape, seen, strict=True))
        if best is None or miss < best[0]:
            best = (miss, variance, tau)
    assert best is not None
    noise.wander_mm2 = min(max(best[1], 0.01), 4.0)
    noise.tau_min = best[2]


def wander_of_mean(noise: Noise, minutes: float) -> float:
    """Variance in mm2 that the wander leaves in a mean over `minutes`."""
    x = max(minutes, 0.1) / noise.tau_min
    return noise.wander_mm2 * 2.0 / x * (1.0 - (1.0 - exp(-x)) / x)
