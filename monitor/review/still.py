"""One whole cycle as a still picture, by the same rules as on the page: the jar is the axis, labels are in lanes and
never on the curve, the stages are a ribbon below the time, and the title is a sentence.

Drawing only, of what `summary` has found. Needs matplotlib (the extra `pictures`). `days` and `picture` draw runs of
many cycles and those without a starting level.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any

import numpy as np

from monitor.core.display.titles import cycle_title
from monitor.core.display.units import Display
from monitor.core.vessel.level import rise_ratio
from monitor.review.colours import DOUGH, FEED, GRID, INK, ON, ONE, PEAK, PLATE, RISING, SETTLING, SINKING, SOFT, WARM
from monitor.review.picture import CELSIUS, new_figure
from monitor.review.summary import GAP_S, GAP_SAMPLES, HANDS_S, CycleSummary
from monitor.settings import JarSettings
from monitor.values import H_S, Event, EventKind, Reading

STAGES = {
    "settling": (SETTLING, "settling"),
    "rising": (RISING, "▲ rising"),
    "peak": (PEAK, "◆ at its peak"),
    "sinking": (SINKING, "▼ sinking"),
}
SIZE_IN = (12.0, 6.75)
BLOCK_S, SPREAD_S = 300.0, 600.0  # medians of five minutes, smoothed by ten
MOST_DOTS = 600
LEAST_TOP = 2.45  # rise ratio: the least height of the glass
NEAR_TOP = 0.98  # share of the rise from which on it is at its peak
NARROW_H = 1.5  # a bar shorter than this, of 13 h, has no room for its word
TOLD_SHARE = 0.16  # of the width: nearer to the peak its words would overlap the peak's
SIDE, WIDE = 0.125, 0.855  # of the figure: where the curve begins, and how wide it is


def draws(cycle: CycleSummary) -> bool:
    """Whether a cycle can be drawn in this way: its feeding and its starting level are known."""
    return cycle.fed_at_s is not None and cycle.start_mm is not None and cycle.start_mm > 0.0


def only_one(cycles: Sequence[CycleSummary]) -> CycleSummary | None:
    """The only cycle of a run, not counting the little that was seen before its feeding; None where the run has more,
    or none that can be drawn in this way."""
    drawn = [cycle for cycle in cycles if draws(cycle)]
    before = [cycle for cycle in cycles if not draws(cycle)]
    if len(drawn) != 1 or any(one.fed_at_s is not None or one.top is not None or one.notes for one in before):
        return None
    return drawn[0]


def one_cycle(
    readings: Sequence[Reading], events: Sequence[Event], cycle: CycleSummary, jar: JarSettings, zone: tzinfo,
    show: Display = CELSIUS,
) -> Any:  # fmt: skip
    """The figure of a cycle for which `draws` is true. Raises PictureError without matplotlib."""
    figure = new_figure(SIZE_IN)
    figure.set_layout_engine("none")
    figure.set_facecolor(PLATE)
    hours, ratios = _seen(readings, cycle, jar)
    line_h, line = _smoothed(hours, ratios)
    end_h = max((cycle.end_s - cycle.begin_s) / H_S, 1.0)
    top = max(LEAST_TOP, float(np.max(line)) + 0.45) if len(line) else LEAST_TOP
    axes = figure.add_axes((SIDE, 0.235, WIDE, 0.53), facecolor="none")
    _bare(axes)
    axes.set(xlim=(0, end_h), ylim=(0, top), xticks=[], yticks=[])
    for at in (1, 2, 3):
        if at < top:
            style: Any = (0, (6, 4)) if at == 1 else "-"
            axes.axhline(at, color=ONE if at == 1 else GRID, lw=1.2, ls=style, zorder=1)
    if len(line):
        drawn_h, drawn = _broken(line_h, line)
        axes.fill_between(drawn_h, 0, drawn, color=DOUGH, alpha=0.55, lw=0, zorder=1.5)
        axes.plot(drawn_h, drawn, color=INK, lw=3.2, solid_capstyle="round", zorder=4)
    step = -(-len(hours) // MOST_DOTS) or 1  # more dots could not be distinguished
    axes.scatter(hours[::step], ratios[::step], s=5, color=SOFT, alpha=0.38, linewidths=0, zorder=3)
    _glass(figure, (0.03, 0.235, 0.08, 0.53), top, float(line[-1]) if len(line) else 0.0)
    _peak(axes, cycle, line_h, line, top, zone)
    _told(axes, cycle, events, top, zone)
    _ribbon(figure, _stages(cycle, events, line_h, line, end_h), cycle, end_h, zone)
    _warmth(figure, readings, cycle, end_h, show)
    rise = cycle.rise_ratio[1] if cycle.rise_ratio else None
    taken = cycle.hours_to_peak[1] if cycle.hours_to_peak else None
    figure.text(0.03, 0.925, cycle_title(jar.name, cycle.begin_s, cycle.end_s, show, rise, taken), fontsize=21,
                fontweight="bold", color=INK, parse_math=False)  # fmt: skip
    figure.text(0.03, 0.883, f"{_fed(cycle, show)}Line: smoothed; dots: readings.", fontsize=12.5, color=SOFT)
    if cycle.notes:
        words = "; ".join(f"{note.what.value.replace('_', ' ')} {note.text}".strip() for note in cycle.notes[:3])
        figure.text(0.03, 0.02, f"Noted: {words[:120]}", fontsize=11, color=SOFT, parse_math=False)
    return figure


def _seen(readings: Sequence[Reading], cycle: CycleSummary, jar: JarSettings) -> tuple[list[float], list[float]]:
    """Hours since the feeding and rise ratios of the readings that can be dough."""
    hours, ratios = [], []
    empty_mm = jar.empty_mm or 0.0
    for reading in readings:
        if reading.distance_mm is None or not 5.0 < reading.distance_mm < empty_mm:
            continue
        if reading.time_s < cycle.begin_s + HANDS_S:
            continue
        ratio = rise_ratio(jar.geometry, empty_mm - reading.distance_mm, cycle.start_mm or 1.0)
        if ratio is not None and ratio < 2.0 * LEAST_TOP:
            hours.append((reading.time_s - cycle.begin_s) / H_S)
            ratios.append(ratio)
    return hours, ratios


def _smoothed(hours: Sequence[float], ratios: Sequence[float]) -> tuple[Any, Any]:
    """Medians of blocks, smoothed with weights of a normal curve."""
    if len(hours) < 3:
        return np.empty(0), np.empty(0)
    at, value = np.asarray(hours), np.asarray(ratios)
    block = np.floor(at * H_S / BLOCK_S).astype(int)
    some = np.unique(block)
    mid_h = (some + 0.5) * BLOCK_S / H_S
    middle = np.array([np.median(value[block == one]) for one in some])
    weight = np.exp(-0.5 * ((mid_h[:, None] - mid_h[None, :]) * H_S / SPREAD_S) ** 2)
    return mid_h, weight @ middle / weight.sum(axis=1)


def _broken(hours: Any, ratios: Any) -> tuple[Any, Any]:
    """The same with a break where nothing was heard for long: no line is drawn across it."""
    if len(hours) < 2:
        return hours, ratios
    steps = np.diff(hours)
    gaps = np.flatnonzero(steps > max(GAP_S / H_S, GAP_SAMPLES * float(np.median(steps)))) + 1
    return np.insert(hours, gaps, np.nan), np.insert(ratios, gaps, np.nan)


def _stages(
    cycle: CycleSummary, events: Sequence[Event], line_h: Any, line: Any, end_h: float
) -> list[tuple[str, float, float]]:
    """(stage, from, to) in hours since the feeding, as far as each is known."""

    def hour(at_s: float) -> float:
        return (at_s - cycle.begin_s) / H_S

    begins = {"settling": 0.0}
    rose = [e.happened_at_s for e in events if e.kind is EventKind.RISE_BEGAN and e.happened_at_s >= cycle.begin_s]
    if rose:
        begins["rising"] = hour(rose[0])
    if cycle.top is not None:
        peak_h = hour(cycle.top.peak_at.likely_s)
        high = float(np.max(line)) if len(line) else 1.0
        near = line_h[line >= 1.0 + NEAR_TOP * (high - 1.0)] if len(line) else []
        begins["peak"] = min(float(near[0]), peak_h) if len(near) else peak_h
        if cycle.top.fall_at is not None:
            begins["sinking"] = hour(cycle.top.fall_at.likely_s)
    order = sorted(begins.items(), key=lambda one: one[1])
    ends = [*(at for _, at in order[1:]), end_h]
    return [(stage, at, until) for (stage, at), until in zip(order, ends, strict=True) if until > at]


def _peak(axes: Any, cycle: CycleSummary, line_h: Any, line: Any, top: float, zone: tzinfo) -> None:
    """The peak with its range on the curve; its words in the lane above."""
    if cycle.top is None or not len(line):
        return
    span = cycle.top.peak_at
    low, at, high = ((at_s - cycle.begin_s) / H_S for at_s in (span.earliest_s, span.likely_s, span.latest_s))
    height = float(np.interp(at, line_h, line))
    axes.plot([at, at], [height + 0.1, top], color=SOFT, lw=1.2, ls=(0, (2, 2)), clip_on=False)
    axes.plot([low, high], [height] * 2, color=STAGES["peak"][0], lw=3.2, marker="|", ms=11, mew=3, zorder=5)
    axes.scatter([at], [height], marker="D", s=105, color=STAGES["peak"][0], zorder=6)
    left, right = axes.get_xlim()
    where = min(max(at, left + 0.06 * (right - left)), right - 0.07 * (right - left))
    for words, lift, size, weight, colour in (
        (f"peak {_clock(span.likely_s, zone)}", 0.10, 15, "bold", INK),
        (f"{_clock(span.earliest_s, zone)} to {_clock(span.latest_s, zone)}", 0.03, 12, "normal", SOFT),
    ):
        axes.text(where, top * (1.0 + lift), words, ha="center", fontsize=size, fontweight=weight, color=colour)


def _told(axes: Any, cycle: CycleSummary, events: Sequence[Event], top: float, zone: tzinfo) -> None:
    """When "feed now" could be said, with its words in the lane above if the peak's leave room."""
    falls = [e for e in events if e.kind is EventKind.FALL_BEGAN and cycle.begin_s <= e.happened_at_s < cycle.end_s]
    left, right = axes.get_xlim()
    if not falls or (at := (falls[0].decided_at_s - cycle.begin_s) / H_S) > right:
        return
    axes.plot([at, at], [0, top], color=FEED, lw=1.2, ls=(0, (2, 2)), clip_on=False)
    peak_h = left if cycle.top is None else (cycle.top.peak_at.likely_s - cycle.begin_s) / H_S
    words = f"feed now, sent {_clock(falls[0].decided_at_s, zone)}"
    if cycle.top is not None and at - peak_h < TOLD_SHARE * (right - left):  # there are the peak's words: at the foot
        before = at > (left + right) / 2
        axes.text(at + (-1 if before else 1) * 0.006 * (right - left), 0.05 * top, words, fontsize=12, color=FEED,
                  ha="right" if before else "left", fontweight="bold",
                  bbox={"fc": PLATE, "ec": "none", "alpha": 0.85, "pad": 2})  # fmt: skip
        return
    where = min(at, right - 0.07 * (right - left))
    axes.text(where, top * 1.03, words, ha="center", fontsize=12, color=FEED, fontweight="bold")


def _ribbon(
    figure: Any, stages: Sequence[tuple[str, float, float]], cycle: CycleSummary, end_h: float, zone: tzinfo
) -> None:
    """The stages as bars with their shapes and words, and the times beneath."""
    from matplotlib.patches import FancyBboxPatch

    axes = figure.add_axes((SIDE, 0.195, WIDE, 0.03), facecolor="none")
    _bare(axes)
    axes.set(xlim=(0, end_h), ylim=(0, 1), yticks=[])
    for stage, begin, end in stages:
        colour, words = STAGES[stage]
        gap = 0.002 * end_h
        axes.add_patch(FancyBboxPatch((begin + gap, 0.05), max(end - begin - 2 * gap, gap), 0.9, fc=colour, ec="none",
                                      boxstyle="round,pad=0,rounding_size=.07", mutation_aspect=6))  # fmt: skip
        roomy = end - begin > NARROW_H * end_h / 13.0
        if roomy or words[0] in "▲◆▼":
            axes.text((begin + end) / 2, 0.46, words if roomy else words[0], ha="center", va="center", fontsize=11,
                      color=ON, fontweight="bold")  # fmt: skip
    every = next((h for h in (1, 2, 3, 4, 6, 12, 24) if end_h / h <= 7), 24)
    first = datetime.fromtimestamp(cycle.begin_s, zone)
    to_next = (every - first.hour % every) - first.minute / 60.0
    ticks = [at for k in range(40) if 0.09 * end_h < (at := to_next + k * every) <= end_h]
    names = [_clock(cycle.begin_s + at * H_S, zone) for at in ticks]
    axes.set_xticks([0.0, *ticks], [f"fed {_clock(cycle.begin_s, zone)}", *names], fontsize=13, color=SOFT)
    begins = axes.get_xticklabels()[0]
    begins.set_color(INK)
    begins.set_ha("left")


def _warmth(figure: Any, readings: Sequence[Reading], cycle: CycleSummary, end_h: float, show: Display) -> None:
    warm = [(r.time_s, r.temperature_c) for r in readings if r.temperature_c is not None and -20 < r.temperature_c < 60]
    if len(warm) < 3:
        return
    axes = figure.add_axes((SIDE, 0.075, WIDE, 0.05), facecolor="none")
    _bare(axes)
    step = max(1, len(warm) // 200)
    some = warm[::step]
    axes.plot([(t - cycle.begin_s) / H_S for t, _ in some], [c for _, c in some], color=WARM, lw=2, ls=(0, (5, 3)))
    axes.set(xlim=(0, end_h), xticks=[], yticks=[])
    for x, words, align in ((0, f"warmth {show.temperature(warm[0][1])}", "left"),
                            (1, show.temperature(warm[-1][1]), "right")):  # fmt: skip
        axes.text(x, 1.25, words, transform=axes.transAxes, ha=align, fontsize=12, color=WARM, fontweight="bold")


def _glass(figure: Any, where: tuple[float, float, float, float], top: float, level: float) -> None:
    """The jar that is the axis, at the scale of the curve, with dough as high as the curve's end."""
    from matplotlib.patches import FancyBboxPatch, PathPatch
    from matplotlib.path import Path

    axes = figure.add_axes(where, facecolor="none")
    _bare(axes)
    axes.set(xlim=(0, 1), ylim=(0, top), xticks=[], yticks=[])
    neck, side, round_ = top - 0.42, 0.1, 0.16
    points = [
        (side, top), (side, neck + 0.24), (0, neck + 0.16), (0, neck), (0, 0.14), (0, 0), (round_, 0), (1 - round_, 0),
        (1, 0), (1, 0.14), (1, neck), (1, neck + 0.16), (1 - side, neck + 0.24), (1 - side, top), (side, top),
    ]  # fmt: skip
    curve, line = Path.CURVE3, Path.LINETO
    codes = [Path.MOVETO, line, curve, curve, line, curve, curve, line, curve, curve, line, curve, curve, line,
             Path.CLOSEPOLY]  # fmt: skip
    glass = PathPatch(Path(points, codes), fc="none", ec=INK, lw=2.4, clip_on=False)
    axes.add_patch(glass)
    (dough,) = axes.fill([0, 1, 1, 0], [0, 0, level, level], color=DOUGH, lw=0, zorder=0.5)
    dough.set_clip_path(glass)
    for left, wide, low in ((0.04, 0.92, top + 0.02), (0.38, 0.24, top + 0.12)):
        axes.add_patch(FancyBboxPatch((left, low), wide, 0.09, boxstyle="round,pad=0,rounding_size=.03", fc=INK,
                                      ec="none", clip_on=False))  # fmt: skip
    for at in (1, 2, 3):
        if at < 0.91 * top:
            axes.plot([0.6, 1], [at, at], color=INK, lw=2.2)
            axes.text(0.93, at + 0.05, f"{at}×", ha="right", va="bottom", fontsize=13, fontweight="bold", color=INK)


def _fed(cycle: CycleSummary, show: Display) -> str:
    """What was fed, where that was reported."""
    fed = cycle.fed
    if fed is None or fed.feeding.grams is None:
        return ""
    grams = " + ".join(show.weight(g) for g in fed.feeding.grams)
    return f"Fed {grams}{f' ({fed.feeding.flour})' if fed.feeding.flour else ''}. "


def _clock(at_s: float, zone: tzinfo) -> str:
    return datetime.fromtimestamp(at_s, UTC).astimezone(zone).strftime("%H:%M")


def _bare(axes: Any) -> None:
    for side in axes.spines.values():
        side.set_visible(False)
    axes.tick_params(length=0)
