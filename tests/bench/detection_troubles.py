"""What goes wrong between a jar and its readings, for the evaluation set: troubles of the dough and of the sensor.

`draw` picks which troubles a recording has; `kind_of_cycle` and `on_the_way_up` let the dough misbehave, `sense` turns
the true level into rows. Everything is invented, and chance comes only from the generator handed in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]
Marks = list[tuple[str, float, float]]

SENSOR = (
    "wild",
    "codes",
    "empty_cells",
    "bursts",
    "gaps",
    "gap_at_peak",
    "look",
    "mist",
    "frozen",
    "rows",
    "sampling_changes",
)
DOUGH = ("step_on_rise", "sag", "collapse", "start_changes", "dead", "weak", "early", "long")
NEWER = ("foam", "warm_up", "range_bias", "seep")  # of the set with tops as measured
CODES_MM = (0.0, -1.0, 8190.0, 8191.0, 65535.0)


def draw(rng: np.random.Generator, count: int | None, measured: bool) -> frozenset[str]:
    """So many troubles (None: none, a few or many; one recording in five is untroubled), the newer ones only where the
    tops are as measured."""
    if count is None:
        count = int(rng.choice([0, 1, 2, 3, 5, 8], p=[0.2, 0.15, 0.2, 0.2, 0.15, 0.1]))
    known = SENSOR + DOUGH + (NEWER if measured else ())
    return frozenset(str(name) for name in rng.choice(known, count, replace=False))


def kind_of_cycle(rng: np.random.Generator, wanted: frozenset[str]) -> str:
    """How the next cycle goes: a recording with a trouble of the dough has it in about half of its cycles."""
    kinds = ("sag", "collapse", "dead", "weak", "early", "long", "step_on_rise", "seep")
    choices = [name for name in kinds if name in wanted]
    return str(rng.choice(choices)) if choices and rng.uniform() < 0.6 else "plain"


def on_the_way_up(
    rng: np.random.Generator, kind: str, time_s: Floats, level_mm: Floats, height_mm: float
) -> tuple[Floats, tuple[tuple[str, float, float], ...]]:
    """A sag of about a millimetre, a sudden partial collapse, or a pause, at 30 to 80 % of the rise, then on again.
    Left out where the true maximum would no longer be the last one (by a millimetre)."""
    if kind not in {"sag", "collapse", "step_on_rise"}:
        return level_mm, ()
    top = int(np.argmax(level_mm))
    wanted_mm = level_mm[0] + rng.uniform(0.3, 0.8) * height_mm
    at = int(np.argmax(level_mm >= wanted_mm))
    if at == 0 or at >= top:
        return level_mm, ()
    since_s = time_s - time_s[at]
    if kind == "collapse":  # 5 to 15 % of the rise within a few minutes; part of it is made good while the rise goes on
        lost_mm = rng.uniform(0.05, 0.15) * height_mm
        gone = np.clip(since_s / rng.uniform(60.0, 600.0), 0.0, 1.0)
        back = rng.uniform(0.0, 0.8) * -np.expm1(-np.maximum(since_s, 0.0) / rng.uniform(3600.0, 10800.0))
        bent, lasts_s = level_mm - lost_mm * gone * (1.0 - back), 3600.0
    else:  # the surface stands or sinks a little for half an hour to two hours, as when a window is opened
        lasts_s = rng.uniform(1800.0, 7200.0)
        inside = (since_s > 0) & (since_s <= lasts_s)
        pause = np.where(since_s > lasts_s, np.interp(time_s - lasts_s, time_s, level_mm), level_mm)
        sag_mm = rng.uniform(0.6, 1.5) if kind == "sag" else 0.0
        bent = np.where(inside, level_mm[at], pause) - sag_mm * np.where(
            inside, np.sin(np.pi * since_s / (2 * lasts_s)) ** 2, 0.0
        )
        bent -= np.where(since_s > lasts_s, sag_mm * np.exp(-(since_s - lasts_s) / 3600.0), 0.0)
    last_top = int(np.argmax(bent))
    if time_s[last_top] < time_s[at] + lasts_s or bent[last_top] < bent[: at + 1].max() + 1.0:
        return level_mm, ()
    return bent, ((kind, float(time_s[at]), float(time_s[at] + lasts_s)),)


@dataclass(frozen=True, slots=True)
class Seen:
    """Rows in order of arrival, and for the limit: the good readings' times, and the sampling interval at each."""

    time_s: Floats
    distance_mm: Floats
    temperature_c: Floats
    seat_mm: Floats
    at_s: Floats
    good: NDArray[np.bool_]
    every_s: Floats
    marks: Marks


def sense(
    rng: np.random.Generator,
    wanted: frozenset[str],
    grid_s: Floats,
    true_mm: Floats,
    temperature_c: Floats,
    fed_s: tuple[float, ...],
    peaks_s: tuple[float, ...],
    empty_mm: float,
    every_s: float,
    white_mm: float,
    round_mm: float,
    wander_mm: float,
    wander_s: float,
) -> Seen:
    """The rows that a sensor with its troubles makes of the true level."""
    marks: Marks = []
    begin_s, end_s = float(grid_s[0]), float(grid_s[-1])
    at_s, step_s = _times(rng, wanted, begin_s, end_s, every_s, marks)
    feeding = np.searchsorted(np.array(fed_s), at_s, side="right")
    # a level never lies between two cycles: interpolate within the cycle that the reading falls into
    index = np.clip(np.searchsorted(grid_s, at_s, side="right") - 1, 0, grid_s.size - 1)
    after = np.minimum(index + 1, grid_s.size - 1)
    same = np.searchsorted(np.array(fed_s), grid_s[after], side="right") == feeding
    part = np.where(
        same & (after > index), (at_s - grid_s[index]) / np.maximum(grid_s[after] - grid_s[index], 1e-9), 0.0
    )
    level = true_mm[index] + part * (true_mm[after] - true_mm[index])
    good = np.ones(at_s.size, dtype=bool)
    keep = np.ones(at_s.size, dtype=bool)
    offset = rng.normal(0.0, 0.7, len(fed_s) + 1)[feeding]  # the lid never sits twice the same

    if "look" in wanted:
        for _ in range(int(rng.integers(1, 6))):
            look_s = rng.uniform(begin_s, end_s)
            if min((abs(look_s - f) for f in fed_s), default=1e9) < 2400.0:
                continue
            until = next((f for f in fed_s if f > look_s), end_s + 1)
            offset = offset + np.where(
                (at_s > look_s) & (at_s < until), rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 2.0), 0.0
            )
            marks.append(("look", look_s, look_s + rng.uniform(20.0, 180.0)))
    seat = offset
    if "mist" in wanted:
        for _ in range(int(rng.integers(1, 4))):
            middle_s, width_s = rng.uniform(begin_s, end_s), rng.uniform(1800.0, 5400.0)
            hump = np.clip(1.0 - np.abs(at_s - middle_s) / width_s, 0.0, 1.0)
            offset = offset + rng.choice([-1.0, 1.0]) * rng.uniform(0.5, 2.0) * hump**2 * (3.0 - 2.0 * hump)
            marks.append(("mist", middle_s - width_s, middle_s + width_s))

    if "foam" in wanted:  # old foam is coarse and lets the light in (ST AN5851): it reads further and further
        since_h = (at_s - np.concatenate(([begin_s], fed_s))[feeding]) / 3600.0
        offset = offset + rng.uniform(1.0, 4.0) * -np.expm1(-since_h / 8.0)
    if "warm_up" in wanted:  # fresh from power-up a ranging sensor is some mm off (Caroleo 2026, PMC12986679)
        off = np.random.default_rng(int(begin_s))  # of its own: what it draws moves nothing else
        for _ in range(int(rng.integers(1, 4))):
            on_s, size_mm = rng.uniform(begin_s, end_s), rng.choice([-1.0, 1.0]) * rng.uniform(2.0, 6.0)
            offset = offset + np.where(at_s >= on_s, size_mm * np.exp(-np.maximum(at_s - on_s, 0.0) / 600.0), 0.0)
            off_s = on_s - off.uniform(20.0, 600.0)
            keep &= ~((at_s >= off_s) & (at_s < on_s))
            marks.append(("warm_up", off_s, on_s + 1800.0))
    if "range_bias" in wanted:  # the same source: a bias that depends on the range
        offset = offset + rng.uniform(-0.05, 0.05) * (empty_mm - level)

    noise = rng.normal(0.0, white_mm, at_s.size) + _wander(rng, at_s, wander_mm, wander_s)
    distance = np.round((empty_mm - level + offset + noise) / round_mm) * round_mm

    # the lid is off while the jar is being fed, or looked into
    for fed in fed_s:
        off_s = rng.uniform(120.0, 720.0)
        good &= ~_lid_off(rng, at_s, distance, keep, fed - off_s, fed, empty_mm, str(rng.choice(LID_OFF)), marks)
    for _, from_s, to_s in [m for m in marks if m[0] == "look"]:
        good &= ~_lid_off(rng, at_s, distance, keep, from_s, to_s, empty_mm, str(rng.choice(LID_OFF[:4])), [])

    if "frozen" in wanted:
        for _ in range(int(rng.integers(1, 3))):
            from_s, long_s = rng.uniform(begin_s, end_s), rng.uniform(0.5, 3.0) * 3600.0
            if any(from_s - 3600.0 < f < from_s + long_s + 3600.0 for f in fed_s):
                continue
            stuck = (at_s >= from_s) & (at_s < from_s + long_s)
            if stuck.any():
                distance[stuck] = distance[np.argmax(stuck)]
                good &= ~stuck
                marks.append(("frozen", from_s, from_s + long_s))
    if "wild" in wanted:
        wild = rng.uniform(size=at_s.size) < rng.uniform(0.001, 0.01)
        distance[wild] = np.round(rng.uniform(5.0, empty_mm, int(wild.sum())))
        good &= ~wild
    if "codes" in wanted:
        bad = rng.uniform(size=at_s.size) < rng.uniform(0.002, 0.03)
        distance[bad] = rng.choice(CODES_MM, int(bad.sum()))
        good &= ~bad
    if "bursts" in wanted:
        for _ in range(int(rng.integers(1, 6))):
            from_s, long_s = rng.uniform(begin_s, end_s), rng.uniform(60.0, 900.0)
            burst = (at_s >= from_s) & (at_s < from_s + long_s)
            distance[burst] = np.where(
                rng.uniform(size=int(burst.sum())) < 0.5,
                rng.choice(CODES_MM, int(burst.sum())),
                np.round(rng.uniform(5.0, empty_mm, int(burst.sum()))),
            )
            good &= ~burst
            marks.append(("burst", from_s, from_s + long_s))
    if "empty_cells" in wanted:
        empty = rng.uniform(size=at_s.size) < rng.uniform(0.01, 0.08)
        distance[empty] = np.nan
        good &= ~empty
    if round_mm > 1.0:  # such a firmware rounds all that it sends, a hand and a table too
        distance = np.round(distance / round_mm) * round_mm
    for name, from_s, to_s in _gaps(rng, wanted, begin_s, end_s, peaks_s):
        keep &= ~((at_s >= from_s) & (at_s < to_s))
        marks.append((name, from_s, to_s))

    warmth = np.interp(at_s, grid_s, temperature_c) + rng.normal(0.0, 0.06, at_s.size)
    warmth = np.round(warmth * 16.0) / 16.0  # a DS18B20's step
    if rng.uniform() < 0.1:
        warmth[:] = np.nan  # no temperature sensor at all
    warmth[rng.uniform(size=at_s.size) < 0.002] = 85.0  # a DS18B20's power-on value
    order = _order(rng, wanted, at_s, step_s)
    order = order[keep[order]]
    return Seen(at_s[order], distance[order], warmth[order], seat[order], at_s[keep], good[keep], step_s[keep], marks)


LID_OFF = ("code", "far", "near", "empty", "no_rows", "unseen", "table")


def _lid_off(
    rng: np.random.Generator, at_s: Floats, distance: Floats, keep: NDArray[np.bool_], from_s: float, to_s: float,
    empty_mm: float, how: str, marks: Marks,
) -> NDArray[np.bool_]:  # fmt: skip
    """Writes what the sensor reads while the lid is off into `distance` (or drops the rows); returns which rows."""
    off = (at_s >= from_s) & (at_s < to_s)
    count = int(off.sum())
    if how == "unseen":  # quick hands: one sample at most
        off &= at_s >= to_s - 20.0
        count = int(off.sum())
    marks.append((f"lid:{how}", from_s, to_s))
    if how == "code":
        distance[off] = rng.choice(CODES_MM[2:])
    elif how in {"far", "unseen"}:
        distance[off] = np.round(rng.uniform(empty_mm + 40.0, 1500.0) + rng.normal(0.0, 3.0, count))
    elif how == "near":
        distance[off] = np.round(rng.uniform(5.0, 60.0, count))
    elif how == "empty":
        distance[off] = np.nan
    elif how == "no_rows":
        keep &= ~off
    elif how == "table":
        distance[off] = np.round(empty_mm + rng.uniform(3.0, 12.0) + rng.normal(0.0, 1.0, count))
    return off


def _times(
    rng: np.random.Generator, wanted: frozenset[str], begin_s: float, end_s: float, every_s: float, marks: Marks
) -> tuple[Floats, Floats]:
    """Times of measuring, with a little jitter, and the sampling interval at each; it may change once or twice."""
    bounds, steps = [begin_s, end_s], [every_s]
    if "sampling_changes" in wanted:
        cuts = np.sort(rng.uniform(begin_s, end_s, int(rng.integers(1, 3))))
        bounds = [begin_s, *(float(c) for c in cuts), end_s]
        steps += [float(rng.choice([10, 30, 60, 120, 300, 600])) for _ in cuts]
        marks += [("sampling", float(c), float(c)) for c in cuts]
    parts = [np.arange(a, b, s) for a, b, s in zip(bounds, bounds[1:], steps, strict=False)]
    at_s = np.concatenate(parts)
    step_s = np.concatenate([np.full(p.size, s) for p, s in zip(parts, steps, strict=True)])
    at_s = np.round(at_s + rng.uniform(-0.05, 0.05, at_s.size) * step_s)  # the run file's times are whole seconds
    return np.maximum.accumulate(at_s), step_s


def _wander(rng: np.random.Generator, at_s: Floats, sd_mm: float, tau_s: float) -> Floats:
    """The breathing surface: an Ornstein-Uhlenbeck process, exact at uneven times (piecewise for speed)."""
    if sd_mm == 0.0 or at_s.size == 0:
        return np.zeros(at_s.size)
    keep = np.exp(-np.diff(at_s) / tau_s)
    usual = float(np.median(keep)) if keep.size else 0.0
    shocks = rng.normal(0.0, sd_mm, at_s.size)
    if np.allclose(keep, usual, atol=0.02):
        scaled = shocks * np.sqrt(1.0 - usual**2)
        scaled[0] = shocks[0]
        return np.asarray(lfilter([1.0], [1.0, -usual], scaled))
    out = np.empty(at_s.size)
    value = out[0] = shocks[0]
    for i, k in enumerate(keep.tolist(), start=1):
        value = k * value + (1.0 - k * k) ** 0.5 * shocks[i]
        out[i] = value
    return out


def _gaps(
    rng: np.random.Generator, wanted: frozenset[str], begin_s: float, end_s: float, peaks_s: tuple[float, ...]
) -> Marks:
    found: Marks = []
    if "gaps" in wanted:
        for _ in range(int(rng.integers(1, 5))):
            from_s = rng.uniform(begin_s, end_s)
            found.append(("gap", from_s, from_s + float(np.exp(rng.uniform(np.log(180.0), np.log(10800.0))))))
    if "gap_at_peak" in wanted and peaks_s:
        for peak_s in peaks_s:
            if rng.uniform() < 0.6:
                long_s = rng.uniform(0.3, 3.0) * 3600.0
                from_s = peak_s - rng.uniform(0.1, 0.9) * long_s
                found.append(("gap_at_peak", from_s, from_s + long_s))
    return found


def _order(rng: np.random.Generator, wanted: frozenset[str], at_s: Floats, step_s: Floats) -> NDArray[np.int64]:
    """The order in which rows arrive: some doubled, some swapped with a neighbour, a few late by up to half an hour."""
    order = np.arange(at_s.size, dtype=np.int64)
    if "rows" not in wanted or at_s.size < 10:
        return order
    place = order.astype(np.float64)
    swapped = rng.uniform(size=at_s.size) < 0.005
    place[swapped] += 1.5
    late = rng.uniform(size=at_s.size) < 0.003
    place[late] += rng.uniform(60.0, 1800.0, int(late.sum())) / step_s[late]
    twice = order[rng.uniform(size=at_s.size) < 0.01]
    all_rows = np.concatenate((order, twice))
    return all_rows[np.argsort(np.concatenate((place, place[twice] + 0.5)), kind="stable")]
