"""A recorded stretch of one jar as a still picture: the level with its turning points, the temperature beneath.

Drawing only: what happened comes in as events, decided elsewhere. Needs matplotlib (the extra `pictures`).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from pathlib import Path
from statistics import median
from typing import Any

from monitor.values import Event, EventKind, Reading

# markers differ in shape as well as in colour, so that nothing hangs on colour alone
_MARKS = {
    EventKind.FED: ("fed", "#8a5a00", "^"),
    EventKind.PEAK_REACHED: ("peak", "#1b6e3c", "D"),
    EventKind.FALL_BEGAN: ("fall known: feed now", "#a3271f", "v"),
    EventKind.STAYED_FLAT: ("stayed flat", "#555555", "s"),
}
_MOST_POINTS = 4000  # more than a picture has pixels across; min and max of each bin are kept, so no peak is lost


class PictureError(Exception):
    """The picture cannot be drawn; the text says why and what would help."""


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
    """The events that a picture shows: of a cycle's refined peaks only the last one."""
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
) -> None:
    """Draws the run to `path`; its ending decides the format (.png, .svg, .pdf).

    With `empty_mm` the height above the inside bottom is drawn, without it the distance, upside down. Readings of no
    surface (no distance, or beyond the empty jar) are left out. Raises PictureError when nothing can be drawn.
    """
    try:
        import matplotlib
    except ImportError:
        raise PictureError("pictures need matplotlib: pip install 'jartide[pictures]'") from None
    matplotlib.use("Agg")
    from matplotlib import dates as mdates
    from matplotlib import pyplot as plt

    far_mm = (empty_mm if empty_mm is not None else 2000.0) + 20.0
    seen = sorted(
        (r.time_s, r.distance_mm) for r in readings if r.distance_mm is not None and 5.0 < r.distance_mm < far_mm
    )
    if not seen:
        raise PictureError("nothing to draw: no reading of a surface in this run")
    times_s = [t for t, _ in seen]
    heights = [empty_mm - d if empty_mm is not None else -d for _, d in seen]
    warm = sorted(
        (r.time_s, r.temperature_c) for r in readings if r.temperature_c is not None and -20 < r.temperature_c < 60
    )

    figure, (top, below) = plt.subplots(
        2, 1, sharex=True, figsize=(11, 6.5), height_ratios=(4, 1), layout="constrained"
    )
    thin_s, thin_mm = thin(times_s, heights)
    top.plot([_day(t) for t in thin_s], thin_mm, color="#30506e", linewidth=1.0, zorder=2)
    for event in final_marks(events):
        word, colour, marker = _MARKS[event.kind]
        at_s = event.decided_at_s if event.kind is EventKind.FALL_BEGAN else event.happened_at_s
        at_mm = _beside(times_s, heights, at_s)
        top.axvline(_day(at_s), color=colour, linewidth=0.8, linestyle=":", zorder=1)
        top.plot(_day(at_s), at_mm, marker=marker, color=colour, markersize=9, zorder=3)
        top.annotate(word, (_day(at_s), at_mm), xytext=(7, 9), textcoords="offset points", color=colour, fontsize=10)
    top.set_ylabel("height above the bottom, mm" if empty_mm is not None else "distance, mm (upside down)")
    top.set_title(title, loc="left")
    top.margins(y=0.12)
    if warm:
        thin_s, thin_c = thin([t for t, _ in warm], [c for _, c in warm])
        below.plot([_day(t) for t in thin_s], thin_c, color="#7a4b8f", linewidth=1.0)
    below.set_ylabel("°C")
    dates: Any = mdates  # its stubs leave these classes untyped
    below.xaxis.set_major_locator(locator := dates.AutoDateLocator(tz=zone))
    below.xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, tz=zone))
    for axes in (top, below):
        axes.grid(color="#dddddd", linewidth=0.6)
        axes.spines[["top", "right"]].set_visible(False)
    try:
        figure.savefig(path, dpi=110)
    except (OSError, ValueError) as problem:
        raise PictureError(f"cannot write the picture {path}: {problem}") from None
    finally:
        plt.close(figure)


def _beside(times_s: Sequence[float], heights: Sequence[float], at_s: float) -> float:
    """The middle height of the readings within 10 min: one reading may be a hand over the jar."""
    near = [h for t, h in zip(times_s, heights, strict=True) if abs(t - at_s) <= 600.0]
    return median(near) if near else heights[min(range(len(times_s)), key=lambda i: abs(times_s[i] - at_s))]


def _day(time_s: float) -> float:
    """Matplotlib's date number: days since 1970."""
    return time_s / 86400.0
