"""A recorded stretch of one jar as a still picture: the level with its turning points and what was noted, the
temperature beneath.

Drawing only: what happened comes in as events, notes and the smoother's tops, decided elsewhere. Needs matplotlib (the
extra `pictures`). The report's pictures (`report.py`) use the same parts.
"""

from __future__ import annotations

import warnings
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from datetime import tzinfo
from pathlib import Path
from statistics import median
from typing import Any, TextIO

from monitor.core.display.units import MM_PER_INCH, Display
from monitor.review import note_marks
from monitor.review.colours import CRUST, GRID, INK, PEAK, PLATE, SETTLING, SINKING, TIDE, WARM
from monitor.review.smoother import Top
from monitor.review.summary import HANDS_S, covered, without
from monitor.runs.reading_columns import PairColumns
from monitor.values import Event, EventKind, Noted, Reading, Span

# markers differ in shape as well as in colour, so that nothing depends on colour alone
_MARKS = {
    EventKind.FED: ("fed", CRUST, "^"),
    EventKind.PEAK_REACHED: ("peak", PEAK, "D"),
    EventKind.FALL_BEGAN: ("fall known: feed now", SINKING, "v"),
    EventKind.STAYED_FLAT: ("stayed flat", SETTLING, "s"),
}
_MOST_POINTS = 4000  # more than a picture has pixels across; min and max of each bin are kept, so no peak is lost
_CALM = 7  # readings whose median decides how high the picture is: a hand over the jar is in fewer
_WORD_ROOM = 0.17  # of the width: the room that the longest words need to the right of their mark
_WORDED_PER_IN = 1.1  # marks that still have room for their words, by the picture's width
CELSIUS = Display()  # for somebody without a config


class PictureError(Exception):
    """The picture cannot be drawn; the text says why and what would help."""


class NoSurface(PictureError):
    """There is nothing to draw."""


def thin(
    times_s: Sequence[float], values: Sequence[float], most: int = _MOST_POINTS
) -> tuple[list[float], list[float]]:
    """Keeps the least and the greatest value of each of `most / 2` equal bins, in order of time."""
    count = len(times_s)
    if count <= most:
        return list(times_s), list(values)
    bins = max(1, most // 2)
    keep: list[int] = []
    for k in range(bins):
        span = range(k * count // bins, (k + 1) * count // bins)
        low, high = min(span, key=values.__getitem__), max(span, key=values.__getitem__)
        keep += sorted({low, high})
    return [times_s[i] for i in keep], [values[i] for i in keep]


def final_marks(events: Sequence[Event]) -> list[Event]:
    """The events that a picture shows: only the last one of a cycle's refined peaks."""
    shown: list[Event] = []
    for event in events:
        if event.kind is EventKind.PEAK_REACHED:
            for k in range(len(shown) - 1, -1, -1):
                if shown[k].kind is EventKind.FED:
                    break
                if shown[k].kind is EventKind.PEAK_REACHED:
                    del shown[k]
                    break
        if event.kind in _MARKS:
            shown.append(event)
    return shown


def draw(
    readings: Sequence[Reading],
    events: Sequence[Event],
    *,
    empty_mm: float | None,
    title: str,
    zone: tzinfo,
    path: Path,
    tops: Sequence[Top] = (),
    notes: Sequence[Noted] = (),
    show: Display = CELSIUS,
) -> None:
    """Draws the run to `path`; its ending decides the format (.png, .svg, .pdf).

    With `empty_mm` the height above the inside bottom is drawn, without it the distance, upside down. Readings of no
    surface (no distance, or beyond the empty jar) are left out. With `tops` (of the smoother, one a cycle) the peaks
    and falls are the smoother's, each with its range; without, those that were decided at the time. `notes` are numbers
    on the time axis, with their words beneath. Raises PictureError when nothing can be drawn.
    """
    write(drawn(readings, events, empty_mm=empty_mm, title=title, zone=zone, tops=tops, notes=notes, show=show), path)


def write(figure: Any, path: Path) -> None:
    """Write a figure to a file; its ending decides the format. Raises PictureError."""
    try:
        saved(figure, path, dpi=110, facecolor=figure.get_facecolor())
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or problem
        raise PictureError(f"cannot write the picture {path}: {why}") from None


def saved(figure: Any, out: Path | TextIO, **how: Any) -> None:
    """Write a figure. A letter that its font lacks (an emoji in a note) is drawn as a box, without a warning."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", r"Glyph \d+ .* missing from font")
        figure.savefig(out, **how)


def drawn(
    readings: Sequence[Reading],
    events: Sequence[Event],
    *,
    empty_mm: float | None,
    title: str,
    zone: tzinfo,
    tops: Sequence[Top] = (),
    notes: Sequence[Noted] = (),
    show: Display = CELSIUS,
    size_in: tuple[float, float] = (11.0, 6.5),
) -> Any:
    """What `draw` draws, as a matplotlib figure. Raises PictureError."""
    far_mm = (empty_mm if empty_mm is not None else 2000.0) + 20.0
    seen = PairColumns()
    for r in readings:
        if r.distance_mm is not None and 5.0 < r.distance_mm < far_mm:
            seen.append(r.time_s, r.distance_mm)
    times_s, distances_mm = seen.in_order()
    if not times_s:
        raise NoSurface("nothing to draw: no reading of a surface in this run")
    heights = array("d", (empty_mm - d if empty_mm is not None else -d for d in distances_mm))
    figure = new_figure(size_in)
    top, below = figure.subplots(2, 1, sharex=True, height_ratios=(4, 1))
    thin_s, thin_mm = thin(times_s, heights)
    top.plot([day(t) for t in thin_s], thin_mm, color=TIDE, linewidth=1.0, zorder=2)
    _mark(top, final_marks(events), tops, lambda at_s: _beside(times_s, heights, at_s), zone)
    low, high = calm_range(_at_rest(times_s, heights, events) or heights)
    top.set_ylim(low - 0.16 * (high - low) - 1.0, high + 0.2 * (high - low) + 2.0)
    lengths(top, "height above the bottom" if empty_mm is not None else "distance (upside down)", show)
    top.set_title(title, loc="left", color=INK, parse_math=False)
    _warmth(below, readings, show)
    _dates(below, zone)
    note_marks.mark(top, below, notes, zone, INK, PLATE)
    for axes in (top, below):
        plain(axes)
    return figure


def _at_rest(times_s: Sequence[float], heights: Sequence[float], events: Sequence[Event]) -> list[float]:
    """The heights of the starter itself, without those of hands and lids, beside which a night would look flat."""
    fed_s = [event.happened_at_s for event in events if event.kind is EventKind.FED]
    kept_s, kept = covered(times_s, heights, events)
    return without(kept_s, kept, [(at_s - HANDS_S, at_s + HANDS_S) for at_s in fed_s])[1]


def new_figure(size_in: tuple[float, float]) -> Any:
    """An empty figure that belongs to no window. Raises PictureError without matplotlib."""
    try:
        from matplotlib.figure import Figure
    except ImportError:
        raise PictureError(
            "pictures need matplotlib: pip install 'jartide[pictures]' (in its own folder '.[pictures]')"
        ) from None
    return Figure(figsize=size_in, layout="constrained")


def plain(axes: Any) -> None:
    """Give an axis the look of all our axes."""
    axes.grid(color=GRID, linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(GRID)
    axes.tick_params(colors=INK)
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_color(INK)


def lengths(axes: Any, words: str, show: Display) -> None:
    """Label the vertical axis of what was drawn in mm; for readers of inches its ticks are at round ones."""
    axes.set_ylabel(f"{words}, {show.length_unit}")
    if show.length_unit == "in":
        from matplotlib.ticker import AutoLocator

        low_in, high_in = (mm / MM_PER_INCH for mm in axes.get_ylim())
        ticks_in = [tick for tick in AutoLocator().tick_values(low_in, high_in) if low_in <= tick <= high_in]
        axes.set_yticks([tick * MM_PER_INCH for tick in ticks_in], [f"{tick:g}" for tick in ticks_in])


def calm_range(values: Sequence[float]) -> tuple[float, float]:
    """Least and greatest median of `_CALM` neighbours: how high a curve goes, not counting single readings."""
    count = max(len(values) - _CALM + 1, 1)
    middles = [median(values[k : k + _CALM]) for k in range(0, count, max(1, count // _MOST_POINTS))]
    return min(middles), max(middles)


def day(time_s: float) -> float:
    """A time as matplotlib's date number: days since 1970."""
    return time_s / 86400.0


def _mark(
    axes: Any, events: Sequence[Event], tops: Sequence[Top], height: Callable[[float], float], zone: tzinfo
) -> None:
    """Draw markers with their words: what happened, with the smoother's times and ranges in place of the decided
    ones."""
    from matplotlib.dates import DateFormatter

    clock: Callable[[float], str] = DateFormatter("%H:%M", tz=zone)  # type: ignore[no-untyped-call]
    crowded = max(len(events), len(tops)) > _WORDED_PER_IN * axes.figure.get_figwidth()
    kinds: dict[str, tuple[str, str]] = {}  # word: (colour, marker)

    def point(at_s: float, at_mm: float, word: str, more: str, colour: str, marker: str, side: int = 1) -> None:
        axes.plot(day(at_s), at_mm, marker=marker, color=colour, markersize=9, linestyle="none", zorder=3)
        kinds[word] = colour, marker
        if not crowded:
            said(f"{word}{more}", at_s, at_mm, colour, side)

    def said(words: str, at_s: float, at_mm: float, colour: str, side: int, **where: Any) -> None:
        by, align = (7 * side, 9), "left" if side > 0 else "right"
        where = {"xytext": by, "textcoords": "offset points", "ha": align, **where}
        axes.annotate(words, (day(at_s), at_mm), color=colour, fontsize=10, **where)
        if side > 0:
            left, right = axes.get_xlim()
            axes.set_xlim(right=max(right, day(at_s) + _WORD_ROOM * (right - left)))

    for event in events:
        word, colour, marker = _MARKS[event.kind]
        if tops and event.kind is EventKind.PEAK_REACHED:
            continue
        at_s = event.decided_at_s if event.kind is EventKind.FALL_BEGAN else event.happened_at_s
        axes.axvline(day(at_s), color=colour, linewidth=0.8, linestyle=":", zorder=1)
        if tops and event.kind is EventKind.FALL_BEGAN:
            # its words go to the foot, as those of the fall itself are near
            axes.plot(day(at_s), height(at_s), marker="1", color=colour, markersize=9, linestyle="none", zorder=3)
            kinds[word] = colour, "1"
            if not crowded:
                said(word, at_s, 0.0, colour, 1, xycoords=axes.get_xaxis_transform())
        else:
            point(at_s, height(at_s), word, "", colour, marker)
    for top in tops:
        turns = ((top.peak_at, "peak", PEAK, "D", -1), (top.fall_at, "fall", SINKING, "v", 1))
        for span, word, colour, marker, side in turns:
            if span is not None:
                at_mm = height(span.likely_s)
                _range(axes, span, at_mm, colour)
                point(span.likely_s, at_mm, word, f" {clock(day(span.likely_s))}", colour, marker, side)
    if crowded:
        for word, (colour, marker) in kinds.items():
            axes.plot([], [], marker=marker, color=colour, linestyle="none", label=word)
        axes.legend(loc="upper left", ncols=len(kinds), frameon=False, labelcolor=INK)


def _range(axes: Any, span: Span, at_mm: float, colour: str) -> None:
    """Draw the 90 % range of a time, as a bar with ends."""
    sides = [[day(span.likely_s) - day(span.earliest_s)], [day(span.latest_s) - day(span.likely_s)]]
    axes.errorbar([day(span.likely_s)], [at_mm], xerr=sides, color=colour, linewidth=1.6, capsize=4, zorder=3)


def _warmth(axes: Any, readings: Sequence[Reading], show: Display) -> None:
    warm = PairColumns()
    for r in readings:
        if r.temperature_c is not None and -20 < r.temperature_c < 60:
            warm.append(r.time_s, r.temperature_c)
    times_s, celsius = warm.in_order()
    if times_s:
        thin_s, thin_c = thin(times_s, array("d", map(show.degrees, celsius)))
        axes.plot([day(t) for t in thin_s], thin_c, color=WARM, linewidth=1.2, linestyle="--")
    axes.set_ylabel(show.degree)


def _dates(axes: Any, zone: tzinfo) -> None:
    from matplotlib import dates as mdates

    dates: Any = mdates  # its stubs leave these classes untyped
    axes.xaxis.set_major_locator(locator := dates.AutoDateLocator(tz=zone))
    axes.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, tz=zone))


def _beside(times_s: Sequence[float], heights: Sequence[float], at_s: float) -> float:
    """The median height of the readings within 10 min, as a single one may be a hand over the jar."""
    near = heights[bisect_left(times_s, at_s - 600.0) : bisect_right(times_s, at_s + 600.0)]
    return median(near) if near else heights[min(range(len(times_s)), key=lambda i: abs(times_s[i] - at_s))]
