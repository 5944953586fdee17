"""The evaluation set for detectors: recordings of jars with everything that goes wrong, and the truth beside them.

All data are invented. `recording(seed)` is a pure function of its seed; `TUNE` and `HELD_OUT` are disjoint ranges of
seeds, so that thresholds may be tuned on the one and scored once on the other; `HARSH` is a third. The curves come from
`detection_curves`, the sensor's troubles from `detection_troubles`.

Tops hold as long as bakers filmed and judged them. `EARLIER_TUNE` and so on are the ranges of the set before that,
whose tops were drawn freely and held longer, kept to the byte so that figures can be compared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench import detection_curves as curves
from tests.bench import detection_troubles as troubles
from tests.bench.detection_limit import limit_s, noise_mm2

Floats = NDArray[np.float64]
START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
GRID_S = 20.0  # spacing of the true curve
FALL_SHOWN_MM = 1.0  # a cycle counts as fallen when the surface ends at least this far below its maximum
TUNE, HELD_OUT = 2_010_000, 2_500_000  # first seed of each half
HARSH = 2_900_000  # from here on every recording has ten troubles at once: for tuning, not for the score
EARLIER_TUNE, EARLIER_HELD_OUT, EARLIER_HARSH = 10_000, 500_000, 900_000  # the same of the older set
FIRST_MEASURED = 2_000_000
# How long the fall waits after the rise's own top, over the time to that top. Set so that from the first touch of the
# highest until a tenth of the rise is lost it takes 0.23, 0.49 and 1.0 of the way up (10, 50, 90 %): five rises of home
# bakers judged by eye give 0.21 to 0.50 (bespokebread.sg 1:1:1 0.4 and 1:5:4 0.5, kingarthurbaking.com 0.21), and one
# that was filmed nearly 1 (matts-bread-log.blogspot.com 2008). Before it was 0.27, 0.61 and 1.28.
WAIT_RATIO = (-0.1, 0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueCycle:
    """What really happened between two feedings. `falls` is True, False (never goes down, or never rose) or None
    (it had begun to go down, but by less than a millimetre: a claim after the maximum is neither right nor wrong)."""

    begin_s: float
    end_s: float
    fed: bool  # the recording shows the feeding at its beginning
    jump_mm: float  # what the feeding did to the level
    peak_s: float
    peak_mm: float
    start_mm: float
    drop_mm: float
    falls: bool | None
    whole: bool  # False: the recording began in the middle of it
    rise: str
    fall: str
    limit_s: float | None  # after the maximum; None: cannot be known before the jar is fed again
    limit_drop_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """Rows in order of arrival (nan: an empty cell) and the truth. `true_mm` is the level on the grid `grid_s`."""

    seed: int
    jar: str
    empty_mm: float
    time_s: Floats
    distance_mm: Floats
    temperature_c: Floats
    seat_mm: Floats  # what the seat of the lid (not mist) adds to each row's distance
    cycles: tuple[TrueCycle, ...]
    troubles: tuple[str, ...]
    kitchen: str
    every_s: float
    white_mm: float
    round_mm: float
    wander_mm: float
    wander_s: float
    grid_s: Floats
    true_mm: Floats
    marks: tuple[tuple[str, float, float], ...]  # trouble, from, to

    @property
    def days(self) -> float:
        return float(self.grid_s[-1] - self.grid_s[0]) / 86400.0

    @property
    def feedings_s(self) -> tuple[float, ...]:
        return tuple(c.begin_s for c in self.cycles if c.fed)


def recordings(first_seed: int, days: float) -> list[int]:
    """Seeds from `first_seed` on whose recordings add up to at least `days` (lengths come from the seed alone)."""
    seeds: list[int] = []
    total = 0.0
    while total < days:
        seed = first_seed + len(seeds)
        seeds.append(seed)
        total += length_days(seed)
    return seeds


def length_days(seed: int) -> float:
    """1.5 to 4 days, so that most recordings hold two or three feedings."""
    return float(np.random.default_rng([seed, 1]).uniform(1.5, 4.0))


def tops_as_measured(seed: int) -> bool:
    """Is it of the set whose tops are as long as bakers filmed them, or of the older one?"""
    return seed >= FIRST_MEASURED


def _has_many_troubles(seed: int) -> bool:
    return seed >= HARSH or EARLIER_HARSH <= seed < FIRST_MEASURED


def _sampling(rng: np.random.Generator, measured: bool) -> float:
    often = [0.02, 0.06, 0.08, 0.16, 0.22, 0.14, 0.10, 0.19, 0.03]
    if not measured:
        often = [0.02, 0.08, 0.10, 0.18, 0.24, 0.14, 0.10, 0.11, 0.03]
    return float(rng.choice([5, 10, 20, 30, 60, 120, 180, 300, 600], p=often))


@dataclass(frozen=True, slots=True)
class _Drawn:
    """One cycle as drawn, before it is laid on the grid."""

    begin: int
    end: int
    rise: str
    fall: str
    start_mm: float
    kind: str
    level_mm: Floats
    marks: tuple[tuple[str, float, float], ...]


def _draw_cycle(
    rng: np.random.Generator,
    begin: int,
    grid_s: Floats,
    temperature_c: Floats,
    q10: float,
    start_mm: float,
    room_mm: float,
    kind: str,
    measured: bool,
) -> _Drawn:
    """One cycle from grid index `begin`: its level until the next feeding, whose moment it draws too."""
    rise, fall = str(rng.choice(list(curves.RISES))), str(rng.choice(list(curves.FALLS)))
    hours = curves.own_hours(grid_s[begin:], temperature_c[begin:], q10)
    top_h = rng.uniform(4.0, 11.0)
    ratio = {"weak": rng.uniform(0.2, 0.35), "dead": rng.uniform(0.0, 0.04)}.get(
        kind, float(np.exp(rng.uniform(np.log(0.3), np.log(1.7))))
    )
    height_mm = min(ratio * start_mm, room_mm - start_mm)
    risen = height_mm * curves.RISES[rise](rng, top_h)(hours)
    if measured:
        onset_h = top_h * (rng.uniform(0.95, 1.05) + rng.uniform(*WAIT_RATIO))
        gentle_h, longest_h = (0.2, 1.2), 9.0
    else:
        gentle_h, longest_h = (0.3, 4.0), 14.0
        onset_h = top_h * rng.uniform(0.85, 1.1) + (rng.uniform(0.5, 3.0) if rng.uniform() < 0.35 else 0.0)
    depth = rng.uniform(0.2, 0.4) if fall == "sagging" else rng.uniform(0.25, 0.75)
    since_h = np.maximum(hours - onset_h, 0.0)
    since_h = since_h**2 / (since_h + rng.uniform(*gentle_h) + 1e-9)  # no fall begins at its full pace
    sunk = height_mm * depth * curves.FALLS[fall](rng, rng.uniform(3.0, longest_h))(since_h)
    if kind == "seep":  # a skin, or a paste of rye: about a millimetre an hour and no collapse
        fall = "seeping"
        sunk = np.minimum(rng.uniform(0.6, 1.5) * since_h, height_mm)
    if kind == "dead":
        sunk = np.zeros_like(sunk)
    level = start_mm + risen - sunk
    if rng.uniform() < 0.3:  # fresh dough levels itself out in its first minutes
        level += rng.uniform(0.3, 1.5) * np.exp(-(grid_s[begin:] - grid_s[begin]) / rng.uniform(300.0, 1200.0))
    level, marks = troubles.on_the_way_up(rng, kind, grid_s[begin:], level, height_mm)
    span_h = (grid_s[begin:] - grid_s[begin]) / 3600.0
    horizon = int(np.searchsorted(span_h, 60.0))
    top = int(np.argmax(level[:horizon])) if horizon else 0
    after_h = rng.uniform(7.0, 17.0)
    if kind == "early":
        length_h = span_h[top] * rng.uniform(0.5, 0.95)
    elif kind == "dead":
        length_h = rng.uniform(12.0, 30.0)
    elif kind == "long":
        length_h = max(span_h[top] + after_h, rng.uniform(44.0, 52.0))
    else:
        length_h = span_h[top] + after_h
    end = min(begin + int(np.searchsorted(span_h, max(length_h, 2.0))), grid_s.size)
    return _Drawn(begin, end, rise, fall, start_mm, kind, level[: end - begin], marks)


def recording(seed: int, step_mm: float | None = None) -> Recording:
    """The recording of one seed; with `step_mm` its distances are rounded to that, as some firmware does."""
    rng = np.random.default_rng([seed, 0])
    measured = tops_as_measured(seed)
    grid_s = START_S + rng.uniform(0.0, 86400.0) // 1.0 + np.arange(0.0, length_days(seed) * 86400.0, GRID_S)
    roughness = str(rng.choice(["still", "daily", "rough"], p=[0.3, 0.35, 0.35]))
    temperature_c = curves.kitchen(rng, grid_s, roughness)
    q10 = rng.uniform(1.8, 3.5)
    room_mm = rng.uniform(120.0, 190.0)  # from the inside bottom to a little below the rim
    empty_mm = float(np.round(room_mm + rng.uniform(25.0, 60.0)))
    wanted = troubles.draw(rng, 10 if _has_many_troubles(seed) else None, measured)

    opening = str(rng.choice(["fed", "tail", "middle"], p=[0.6, 0.2, 0.2]))
    start_mm = rng.uniform(30.0, 65.0)
    drawn: list[_Drawn] = []
    begin = 0
    if opening == "middle":  # the recording begins some hours into a cycle: draw it longer and cut its beginning
        lead_h = rng.uniform(0.5, 14.0)
        lead = int(lead_h * 3600.0 / GRID_S)
        long_s = np.concatenate((grid_s[0] - GRID_S * np.arange(lead, 0, -1), grid_s))
        long_c = np.concatenate((np.full(lead, temperature_c[0]), temperature_c))
        one = _draw_cycle(rng, 0, long_s, long_c, q10, start_mm, room_mm, "plain", measured)
        if one.end > lead + int(2 * 3600 / GRID_S):
            drawn.append(
                _Drawn(0, one.end - lead, one.rise, one.fall, start_mm, "middle", one.level_mm[lead:], one.marks)
            )
            begin = one.end - lead
    elif opening == "tail":  # an hour or so of an old cycle's end, then a feeding
        begin = int(rng.uniform(0.5, 2.0) * 3600.0 / GRID_S)
        high_mm = min(start_mm * rng.uniform(1.3, 2.2), room_mm)
        drawn.append(
            _Drawn(
                0,
                begin,
                "none",
                "tail",
                start_mm,
                "middle",
                high_mm - np.arange(begin) * GRID_S / 3600.0 * rng.uniform(0.2, 3.0),
                (),
            )
        )
    while grid_s.size - begin > int(2.0 * 3600.0 / GRID_S):
        kind = troubles.kind_of_cycle(rng, wanted)
        drawn.append(_draw_cycle(rng, begin, grid_s, temperature_c, q10, start_mm, room_mm, kind, measured))
        begin = drawn[-1].end
        start_mm *= rng.uniform(0.97, 1.03)
        if "start_changes" in wanted:
            start_mm *= 1.0 + 0.15 * rng.choice([-1.0, 1.0])
        start_mm = float(np.clip(start_mm, 28.0, 70.0))
    grid_s, temperature_c = grid_s[:begin], temperature_c[:begin]
    true_mm = np.concatenate([c.level_mm for c in drawn])
    fed_s = tuple(float(grid_s[c.begin]) for c in drawn[1:])
    tops = [c for c in drawn if c.kind not in {"dead", "middle"}]
    peaks_s = tuple(float(grid_s[c.begin + int(np.argmax(c.level_mm))]) for c in tops)

    # what the sensor makes of it
    every_s = _sampling(rng, measured)
    white_mm = float(np.exp(rng.uniform(np.log(0.4), np.log(3.0))))
    round_mm = 1.0 if rng.uniform() < 0.85 else 0.1
    round_mm = round_mm if step_mm is None else step_mm
    wander_mm = float(rng.uniform(0.2, 0.8)) if rng.uniform() < 0.9 else 0.0
    wander_s = float(rng.uniform(5.0, 30.0)) * 60.0
    seen = troubles.sense(
        rng,
        wanted,
        grid_s,
        true_mm,
        temperature_c,
        fed_s,
        peaks_s,
        empty_mm,
        every_s,
        white_mm,
        round_mm,
        wander_mm,
        wander_s,
    )

    cycles: list[TrueCycle] = []
    for i, c in enumerate(drawn):
        begin_s = float(grid_s[c.begin])
        end_s = float(grid_s[c.end - 1])
        peak = int(np.argmax(c.level_mm))
        peak_mm, drop_mm = float(c.level_mm[peak]), float(c.level_mm[peak] - c.level_mm[-1])
        rose = peak_mm - c.level_mm[: peak + 1].min() >= 3.0
        risen = c.kind != "dead" and rose
        barely = risen and 0.02 < drop_mm < FALL_SHOWN_MM
        falls = None if barely else risen and drop_mm >= FALL_SHOWN_MM
        if c.kind == "middle" and not rose:
            falls = None  # the rise came before the recording: nothing can be asked
        peak_s = begin_s + peak * GRID_S
        useful = seen.good & (seen.at_s > peak_s) & (seen.at_s <= end_s)
        at_s = seen.at_s[useful]
        drops = np.interp(at_s, grid_s, peak_mm - true_mm) if at_s.size else at_s
        near_s = float(np.median(seen.every_s[useful])) if at_s.size else every_s
        spread = np.array([noise_mm2(white_mm, round_mm, wander_mm, wander_s, e) for e in seen.every_s[useful]])
        after_s = limit_s(at_s - peak_s, drops, spread, near_s) if falls else None
        at_limit = None if after_s is None else float(np.interp(peak_s + after_s, grid_s, peak_mm - true_mm))
        jump = 0.0 if i == 0 else float(c.level_mm[0] - drawn[i - 1].level_mm[-1])
        cycles.append(
            TrueCycle(
                begin_s=begin_s,
                end_s=end_s,
                fed=i > 0,
                jump_mm=jump,
                peak_s=peak_s,
                peak_mm=peak_mm,
                start_mm=c.start_mm,
                drop_mm=drop_mm,
                falls=falls,
                whole=c.kind != "middle",
                rise=c.rise,
                fall=c.fall,
                limit_s=after_s,
                limit_drop_mm=at_limit,
            )
        )
    return Recording(
        seed=seed,
        jar=f"seed-{seed}",
        empty_mm=empty_mm,
        time_s=seen.time_s,
        distance_mm=seen.distance_mm,
        temperature_c=seen.temperature_c,
        seat_mm=seen.seat_mm,
        cycles=tuple(cycles),
        troubles=tuple(sorted(wanted)),
        kitchen=roughness,
        every_s=every_s,
        white_mm=white_mm,
        round_mm=round_mm,
        wander_mm=wander_mm,
        wander_s=wander_s,
        grid_s=grid_s,
        true_mm=true_mm,
        marks=tuple(seen.marks) + tuple(m for c in drawn for m in c.marks),
    )
