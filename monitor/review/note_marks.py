"""Notes in a picture: a number on the time axis for each, and their times and words beneath.

Called by `picture`, which draws everything else. Words are text only: what a person wrote is no formula for matplotlib.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import tzinfo
from textwrap import wrap
from typing import Any

from monitor.core.assess import notebook
from monitor.values import DAY_S, Noted

MOST_NUMBERED = 15  # notes that are written beneath the picture: a few lines
NOTE_CHARS = 40  # of a note's own text there
AFTER = 0.25  # of the picture's width: how far it goes on for a note after the last reading
NUMBER_IN = 0.19  # the width of a note's number in its disc
LINE_IN = 0.18  # the height of a line of words beneath the picture, by which it grows
CHARS_PER_IN = 10.0  # of those words; the date is to their right


def mark(axes: Any, below: Any, notes: Sequence[Noted], zone: tzinfo, ink: str, paper: str) -> None:
    """Marks `notes`, in order of time, at the foot of `axes` and words them under `below`, the axes beneath. Notes
    far from all readings are left out; of very many only the discs are drawn, and their number is given."""
    left, right = axes.get_xlim()
    some = [note for note in notes if left <= note.time_s / DAY_S <= right + AFTER * (right - left)]
    if not some:
        return
    at = [note.time_s / DAY_S for note in some]
    figure = axes.figure
    numbered = len(some) <= MOST_NUMBERED
    apart = (right - left) * NUMBER_IN / figure.get_figwidth()
    right = max(right, at[-1] + apart)
    axes.set_xlim(left, right)
    foot = axes.get_xaxis_transform()
    for time in at:
        axes.axvline(time, color=ink, linewidth=0.8, linestyle=(0, (1, 3)), zorder=1)
    discs = _side_by_side(at, apart, right) if numbered else at
    axes.plot(discs, [0.0] * len(at), marker="o", markersize=12 if numbered else 6, color=ink, linestyle="none",
              transform=foot, clip_on=False, zorder=4)  # fmt: skip
    for number, disc in enumerate(discs if numbered else (), 1):
        axes.annotate(str(number), (disc, 0.0), xycoords=foot, color=paper, fontsize=8, fontweight="bold",
                      ha="center", va="center_baseline", zorder=5)  # fmt: skip
    lines = lines_of(some, zone, figure.get_figwidth())
    figure.set_figheight(figure.get_figheight() + LINE_IN * len(lines))
    below.set_xlabel("\n".join(lines), loc="left", multialignment="left", color=ink, parse_math=False)


def lines_of(notes: Sequence[Noted], zone: tzinfo, wide_in: float) -> list[str]:
    """The notes' times and words as lines that fit beneath a picture, each note with its number unless there are too
    many; lines break between notes only."""
    numbered = len(notes) <= MOST_NUMBERED
    return wrap(_words(notes, zone, numbered), round(CHARS_PER_IN * wide_in), break_on_hyphens=False)


def _side_by_side(at: Sequence[float], apart: float, right: float) -> list[float]:
    """The places nearest to these, in order, that are `apart` from each other and none beyond `right`."""
    places: list[float] = []
    for time in at:
        places.append(max(time, places[-1] + apart) if places else time)
    limit = right
    for n in reversed(range(len(places))):
        places[n] = min(places[n], limit)
        limit = places[n] - apart
    return places


def _words(notes: Sequence[Noted], zone: tzinfo, numbered: bool) -> str:
    """The words beneath, in lines that only break between notes."""
    from matplotlib.dates import DateFormatter

    clock: Callable[[float], str] = DateFormatter("%a %H:%M", tz=zone)  # type: ignore[no-untyped-call]
    said = [f"● noted, {len(notes)} times"]
    if numbered:
        said = [
            f"{n}  {clock(note.time_s / DAY_S)} {notebook.says(note, NOTE_CHARS)}" for n, note in enumerate(notes, 1)
        ]
    return "\u00a0\u00a0\u00a0 ".join(one.replace(" ", "\u00a0") for one in said)
