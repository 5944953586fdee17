"""A small curve in characters, for a terminal: level over time, with the hours beneath and marks for what happened."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean

BESIDE = 10  # characters: the levels before a curve, and the last hour's number, which sticks out behind it
_EIGHTHS = " ▁▂▃▄▅▆▇█"
_PLAIN = " ...:::##"  # the same heights for a terminal that knows ASCII only


def text_curve(
    curve: Sequence[tuple[float, float]],
    marks: Sequence[tuple[float, str]],
    *,
    width: int = 72,
    height: int = 6,
    plain: bool = False,
) -> list[str]:
    """Lines of at most `width` + `BESIDE` characters: `height` of bars with the least and greatest level beside them,
    one of `marks` ((time, letter)) and one of hours since the first time. Nothing for fewer than two points."""
    if len(curve) < 2:
        return []
    begin_s, end_s = curve[0][0], curve[-1][0]
    width = min(width, len(curve))  # without holes where there are fewer points than characters
    levels = _columns(curve, width)
    seen = [level for level in levels if level is not None]
    low, high = min(seen), max(seen)
    span = max(high - low, 1.0)
    glyphs = _PLAIN if plain else _EIGHTHS
    filled = [0 if level is None else 1 + round((level - low) / span * (height * 8 - 1)) for level in levels]
    lines = []
    for row in range(height - 1, -1, -1):
        label = {height - 1: f"{high:.0f}", 0: f"{low:.0f}"}.get(row, "")
        lines.append(f"{label:>6}  " + "".join(glyphs[min(max(f - 8 * row, 0), 8)] for f in filled).rstrip())
    letters = [" "] * width
    for time_s, letter in marks:
        if begin_s <= time_s <= end_s:
            letters[_column(time_s, begin_s, end_s, width)] = letter
    lines.append(("        " + "".join(letters)).rstrip())
    hours = (end_s - begin_s) / 3600.0
    step_h = next((s for s in (1, 2, 3, 6, 12, 24, 48, 168) if hours / s <= min(12, width / 4)), 720)
    ruler = [" "] * (width + 6)
    for hour in range(0, int(hours) + 1, step_h):
        text = f"{hour}h" if hour == 0 else str(hour)
        at = _column(begin_s + hour * 3600.0, begin_s, end_s, width)
        ruler[at : at + len(text)] = text
    lines.append(("        " + "".join(ruler)).rstrip())
    return lines


def spark(curve: Sequence[tuple[float, float]], *, width: int, plain: bool = False, least_span: float = 1.0) -> str:
    """The same in one line of `width` characters, from its least to its greatest level; a curve that moves by less than
    `least_span` is not stretched to full height."""
    if len(curve) < 2:
        return ""
    levels = _columns(curve, min(width, len(curve)))
    seen = [level for level in levels if level is not None]
    low, span = min(seen), max(max(seen) - min(seen), least_span)
    glyphs = _PLAIN if plain else _EIGHTHS
    return "".join(" " if level is None else glyphs[1 + round((level - low) / span * 7)] for level in levels)


def _columns(curve: Sequence[tuple[float, float]], width: int) -> list[float | None]:
    """The mean level in each of `width` equal stretches; None where there was none."""
    columns: list[list[float]] = [[] for _ in range(width)]
    for time_s, level in curve:
        columns[_column(time_s, curve[0][0], curve[-1][0], width)].append(level)
    return [fmean(column) if column else None for column in columns]


def _column(time_s: float, begin_s: float, end_s: float, width: int) -> int:
    return min(int((time_s - begin_s) / (end_s - begin_s) * width), width - 1)
