"""A run of many cycles as a still picture: small multiples with a week in each row and each day's first rise 24 h wide;
for a season, a calendar whose days are filled as high as they rose. A few cycles are drawn side by side.

Drawing only, of what `summary` has found. Needs matplotlib (the extra `pictures`). `picture` draws what has no starting
level.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from statistics import median
from typing import Any

import numpy as np

from monitor.core.display.local_time import MONTHS
from monitor.core.display.units import Display, shown, times
from monitor.core.vessel.level import rise_ratio
from monitor.review import note_marks
from monitor.review.colours import DOUGH, GRID, INK, ONE, PEAK, PLATE, RESTING, SOFT
from monitor.review.picture import CELSIUS, new_figure
from monitor.review.still import draws
from monitor.review.summary import CycleSummary, RunSummary
from monitor.settings import JarSettings
from monitor.values import DAY_S, H_S, RESTS_BELOW_C, Noted

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
LEAST_DAYS, MOST_DAYS = 6, 77  # fewer days are drawn in a row, more as a season
WIDE_IN, LEFT_IN, ROW_IN, HEAD_IN, FOOT_IN = 12.0, 0.55, 1.35, 1.35, 0.35
FOOT, LEAST_TOP = 0.85, 2.6  # rise ratios: the bottom of a small curve's axis, and the least top
SMOOTH = np.exp(-0.5 * (np.arange(-3, 4) / 1.5) ** 2)  # of a curve of 120 points
COLD_C = 3.0  # a day this much colder than usual is marked
FEW, SEASON_MONTHS = 4, 4  # a row
LINE_IN = 0.22  # the height of a line of words beneath


@dataclass(frozen=True, slots=True)
class Day:
    """What is drawn for a day: its first rise, or that the jar was in the fridge."""

    cycle: CycleSummary | None
    resting: bool


def draws_run(run: RunSummary) -> bool:
    """Whether a run can be drawn in this way: it has two cycles or more with a starting level."""
    return sum(map(draws, run.cycles)) > 1


def whole_run(run: RunSummary, jar: JarSettings, zone: tzinfo, show: Display = CELSIUS) -> Any:
    """The figure of a run for which `draws_run` is true. Raises PictureError without matplotlib."""
    known = [cycle for cycle in run.cycles if draws(cycle)]
    by_day = _days(run.cycles, zone)
    first, last = min(by_day), max(by_day)
    if (last - first).days + 1 < LEAST_DAYS:
        figure = _few(run, known, jar, zone, show)
    elif (last - first).days + 1 > MOST_DAYS:
        figure = _season(run, by_day)
    else:
        figure = _weeks(run, known, by_day, jar, zone, show)
    _noted(figure, [note for cycle in run.cycles for note in cycle.notes], zone)
    return figure


def _noted(figure: Any, notes: Sequence[Noted], zone: tzinfo) -> None:
    """The words of the notes beneath, for which the sheet grows."""
    if not notes:
        return
    (axes,) = figure.axes
    high = figure.get_figheight()
    lines = note_marks.lines_of(notes, zone, WIDE_IN - 0.7)
    whole = high + LINE_IN * len(lines)
    figure.set_figheight(whole)
    axes.set_ylim(whole, 0)
    axes.text(0.35, high - 0.05, "\n".join(lines), fontsize=10.5, color=INK, va="top", linespacing=1.5,
              parse_math=False)  # fmt: skip


def _marked(axes: Any, numbers: Sequence[int], right: float, low: float) -> None:
    """Discs with the numbers of the day's notes, at the foot of its cell."""
    for k, number in enumerate(reversed(numbers)):
        disc = {"boxstyle": "circle,pad=0.3", "fc": INK, "ec": "none"}
        axes.text(right - 0.12 - 0.24 * k, low - 0.12, str(number), ha="center", va="center", fontsize=8, color=PLATE,
                  fontweight="bold", bbox=disc, zorder=6)  # fmt: skip


def run_title(jar: str, first: date, last: date, rises: Sequence[float]) -> str:
    """A title as a person would write it: "Rye, 20 October to 28 November: doubled in 28 of 36 cycles"."""
    months = (first.month, first.year) != (last.month, last.year)
    begins = f"{first.day} {MONTHS[first.month - 1]}" if months else f"{first.day}"
    years = first.year != last.year
    when = f"{begins}{f' {first.year}' if years else ''} to {last.day} {MONTHS[last.month - 1]}"
    doubled = sum(rise >= 2.0 for rise in rises)
    said = f"{shown(jar)}, {when}{f' {last.year}' if years else ''}"
    if not rises:
        return said
    if not doubled:
        return f"{said}: never doubled, {times(max(rises))} at most"
    return f"{said}: doubled in {'every cycle' if doubled == len(rises) else f'{doubled} of {len(rises)} cycles'}"


def _days(cycles: Sequence[CycleSummary], zone: tzinfo) -> Mapping[date, Day]:
    """Each local day on which a cycle began, and each that one spent in the fridge."""
    found: dict[date, Day] = {}
    for cycle in cycles:
        cold = cycle.mean_c is not None and cycle.mean_c < RESTS_BELOW_C
        begins = _date(cycle.begin_s, zone)
        if draws(cycle) and (begins not in found or found[begins].cycle is None):
            found[begins] = Day(None if cold else cycle, cold)
        if cycle.least_c is not None and cycle.least_c < RESTS_BELOW_C:
            until = _date(max(cycle.end_s - DAY_S / 2, cycle.begin_s), zone)
            for k in range((until - begins).days + 1):
                found.setdefault(begins + timedelta(days=k), Day(None, True))
    return found


def _weeks(
    run: RunSummary, known: Sequence[CycleSummary], by_day: Mapping[date, Day], jar: JarSettings,
    zone: tzinfo, show: Display,
) -> Any:  # fmt: skip
    first, last = min(by_day), max(by_day)
    monday = first - timedelta(days=first.weekday())
    rows = (last - monday).days // 7 + 1
    title = run_title(run.jar, first, last, _rises(known))
    figure, axes = _sheet(
        HEAD_IN + rows * ROW_IN + FOOT_IN,
        title,
        "Each day’s first rise, 24 h wide. ◆ the peak; the number: how many times it rose.",
    )
    wide = (WIDE_IN - LEFT_IN - 0.2) / 7
    top = _top(known)
    usual_c = median([cycle.mean_c for cycle in known if cycle.mean_c is not None] or [20.0])
    for column, name in enumerate(WEEKDAYS):
        axes.text(LEFT_IN + (column + 0.5) * wide, HEAD_IN - 0.14, name, ha="center", fontsize=11, color=SOFT)
    on: dict[date, list[int]] = defaultdict(list)
    for number, note in enumerate((note for cycle in run.cycles for note in cycle.notes), 1):
        on[_date(note.time_s, zone)].append(number)
    for row in range(rows):
        for column in range(7):
            day = monday + timedelta(days=7 * row + column)
            if not first <= day <= last:
                continue
            x, y = LEFT_IN + column * wide, HEAD_IN + row * ROW_IN
            words = f"{day.day} {MONTHS[day.month - 1][:3]}" if day.day == 1 or day == first else f"{day.day}"
            here = by_day.get(day, Day(None, False))
            _cell(axes, here, jar, (x, y, wide * 0.92, ROW_IN - 0.1), top, 24.0, words, show, usual_c, on[day],
                  scale=column == 0 or day == first)  # fmt: skip
    return figure


def _few(run: RunSummary, known: Sequence[CycleSummary], jar: JarSettings, zone: tzinfo, show: Display) -> Any:
    columns = min(FEW, len(known))
    rows = -(-len(known) // columns)
    high = 2.6
    first, last = _date(known[0].begin_s, zone), _date(known[-1].begin_s, zone)
    title = run_title(run.jar, first, last, _rises(known))
    figure, axes = _sheet(
        HEAD_IN + rows * high + FOOT_IN,
        title,
        "Cycle by cycle, from each feeding on. ◆ the peak; the number: how many times it rose.",
    )
    wide = (WIDE_IN - LEFT_IN - 0.2) / columns
    longest_h = max((cycle.end_s - cycle.begin_s) / H_S for cycle in known)
    usual_c = median([cycle.mean_c for cycle in known if cycle.mean_c is not None] or [20.0])
    notes = [note for cycle in run.cycles for note in cycle.notes]
    numbers = {(note.time_s, note.text): number for number, note in enumerate(notes, 1)}
    for i, cycle in enumerate(known):
        x, y = LEFT_IN + i % columns * wide, HEAD_IN + i // columns * high
        at = datetime.fromtimestamp(cycle.begin_s, zone)
        words = f"{at:%a} {at.day} {MONTHS[at.month - 1][:3]}, fed {at:%H:%M}"
        _cell(axes, Day(cycle, False), jar, (x, y, wide * 0.94, high - 0.15), _top(known), longest_h, words, show,
              usual_c, [numbers[note.time_s, note.text] for note in cycle.notes], scale=i % columns == 0)  # fmt: skip
    return figure


def _cell(
    axes: Any, day: Day, jar: JarSettings, where: tuple[float, float, float, float], top: float, hours: float,
    words: str, show: Display, usual_c: float, numbers: Sequence[int], *, scale: bool,
) -> None:  # fmt: skip
    """One small curve with its day, its rise ratio and what there is to say about it."""
    x, y, wide, high = where
    low, room = y + high - 0.05, high - 0.42
    _marked(axes, numbers, x + wide, low)

    def height(ratio: float) -> float:
        return low - room * (min(max(ratio, FOOT), top) - FOOT) / (top - FOOT)

    axes.text(x, y + 0.2, words, fontsize=11, color=SOFT)
    for ratio in (1, 2):
        style: Any = (0, (5, 4)) if ratio == 1 else "-"
        axes.plot([x, x + wide], [height(ratio)] * 2, color=ONE if ratio == 1 else GRID, lw=1.1, ls=style, zorder=1)
        if scale:
            axes.text(x - 0.07, height(ratio) + 0.04, f"{ratio}×", ha="right", fontsize=9.5, color=SOFT)
    if day.resting:
        axes.text(x + wide, y + 0.2, "✻", ha="right", fontsize=12, color=RESTING)
        axes.text(x + wide / 2, height(1.5), "fridge", ha="center", va="center", fontsize=11, fontweight="bold",
                  color=RESTING)  # fmt: skip
        return
    cycle = day.cycle
    if cycle is None:
        return
    at_h, ratios = _curve(cycle, jar, hours)
    if len(at_h):
        xs, ys = x + wide * at_h / hours, np.array([height(ratio) for ratio in ratios])
        axes.fill_between(xs, ys, low, color=DOUGH, alpha=0.55, lw=0, zorder=1.5)
        axes.plot(xs, ys, color=INK, lw=2.0, solid_capstyle="round", zorder=3)
    rise = cycle.rise_ratio[1] if cycle.rise_ratio else None
    axes.text(x + wide, y + 0.2, "–" if rise is None else f"{rise:.1f}", ha="right", fontsize=11.5, fontweight="bold",
              color=INK)  # fmt: skip
    if cycle.top is not None and len(at_h):
        peak_h = (cycle.top.peak_at.likely_s - cycle.begin_s) / H_S
        if peak_h <= at_h[-1]:
            axes.plot(x + wide * peak_h / hours, height(float(np.interp(peak_h, at_h, ratios))), marker="D", ms=5.5,
                      color=PEAK, zorder=4)  # fmt: skip
    if cycle.mean_c is not None and cycle.mean_c < usual_c - COLD_C:
        axes.text(x + wide / 2, height(2) - 0.06, f"cold, {show.temperature(cycle.mean_c)}", ha="center", fontsize=9.5,
                  color=SOFT)  # fmt: skip


def _season(run: RunSummary, by_day: Mapping[date, Day]) -> Any:
    """Months side by side; each day is filled as high as it rose, and a line marks double."""
    first, last = min(by_day), max(by_day)
    months = (last.year - first.year) * 12 + last.month - first.month + 1
    cell, gap = 0.37, 0.25
    rows = -(-months // SEASON_MONTHS)
    high = 6 * cell + 0.75
    rises = _rises([day.cycle for day in by_day.values() if day.cycle is not None])
    figure, axes = _sheet(
        HEAD_IN + rows * high,
        run_title(run.jar, first, last, rises),
        "A day is filled as high as its first rise went: empty is 1×, full is 3×, the line double. ✻ the fridge.",
    )
    from matplotlib.patches import Rectangle

    for k in range(months):
        year, month = first.year + (first.month - 1 + k) // 12, (first.month - 1 + k) % 12 + 1
        x0, y0 = 0.35 + k % SEASON_MONTHS * (7 * cell + gap), HEAD_IN - 0.1 + k // SEASON_MONTHS * high
        axes.text(x0, y0 + 0.1, f"{MONTHS[month - 1]} {year}", fontsize=12.5, fontweight="bold", color=INK)
        for column, name in enumerate(WEEKDAYS):
            axes.text(x0 + (column + 0.5) * cell, y0 + 0.32, name[0], ha="center", fontsize=9, color=SOFT)
        day = date(year, month, 1)
        before = day.weekday()
        while day.month == month:
            place = before + day.day - 1
            x, y = x0 + place % 7 * cell, y0 + 0.4 + place // 7 * cell
            here, side = by_day.get(day, Day(None, False)), cell * 0.88
            known = here.cycle.rise_ratio[1] if here.cycle is not None and here.cycle.rise_ratio else None
            axes.add_patch(Rectangle((x, y), side, side, fc="none", ec=GRID, lw=1))
            if known is not None:
                full = side * min(max(known - 1.0, 0.0) / 2.0, 1.0)
                axes.add_patch(Rectangle((x, y + side - full), side, full, fc=DOUGH, ec="none", alpha=0.75))
                axes.plot([x, x + side], [y + side - full] * 2, color=INK, lw=1.6, solid_capstyle="butt")
                axes.plot([x, x + side], [y + side / 2] * 2, color=ONE, lw=0.8)
            if here.resting:
                axes.text(x + side / 2, y + side / 2, "✻", ha="center", va="center", fontsize=11, color=RESTING)
            day += timedelta(days=1)
    return figure


def _sheet(high: float, title: str, key: str) -> tuple[Any, Any]:
    """An empty figure with its title, and axes that count in inches from the upper left corner."""
    figure = new_figure((WIDE_IN, high))
    figure.set_layout_engine("none")
    figure.set_facecolor(PLATE)
    axes = figure.add_axes((0, 0, 1, 1), facecolor="none")
    axes.set(xlim=(0, WIDE_IN), ylim=(high, 0), xticks=[], yticks=[])
    for side in axes.spines.values():
        side.set_visible(False)
    axes.text(0.35, 0.55, title, fontsize=20, fontweight="bold", color=INK, parse_math=False)
    axes.text(0.35, 0.87, key, fontsize=12, color=SOFT)
    return figure, axes


def _curve(cycle: CycleSummary, jar: JarSettings, hours: float) -> tuple[Any, Any]:
    """Hours since the feeding and smoothed rise ratios."""
    some = [
        ((at_s - cycle.begin_s) / H_S, ratio)
        for at_s, mm in cycle.curve
        if (at_s - cycle.begin_s) / H_S <= hours
        and (ratio := rise_ratio(jar.geometry, mm, cycle.start_mm or 1.0)) is not None
    ]
    if len(some) < len(SMOOTH):
        return np.empty(0), np.empty(0)
    at_h, ratios = np.array([h for h, _ in some]), np.array([r for _, r in some])
    weight = np.convolve(np.ones_like(ratios), SMOOTH, "same")
    return at_h, np.convolve(ratios, SMOOTH, "same") / weight


def _rises(cycles: Sequence[CycleSummary]) -> list[float]:
    return [cycle.rise_ratio[1] for cycle in cycles if cycle.rise_ratio is not None]


def _top(known: Sequence[CycleSummary]) -> float:
    return max(LEAST_TOP, *(rise + 0.15 for rise in _rises(known)), LEAST_TOP)


def _date(at_s: float, zone: tzinfo) -> date:
    return datetime.fromtimestamp(at_s, zone).date()
