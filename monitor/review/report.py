"""Recorded runs as one HTML file to keep or send: words, numbers and pictures, light and dark.

The file loads nothing from anywhere (its content security policy forbids it) and contains no script. Its charts are SVG
drawn by matplotlib, whose fixed colours are replaced by the file's own, so that they follow the reader's light or dark.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, select_autoescape
from markupsafe import Markup

from monitor import __version__
from monitor.core.display.units import Display, shown
from monitor.review import days, picture, still, words
from monitor.review.colours import CRUST, INK, ROLES, TIDE, WARM
from monitor.review.summary import CycleSummary, RunSummary
from monitor.settings import JarSettings
from monitor.values import Event, Noted, Reading

MOST_PICTURES = 30  # of single cycles, the newest: a picture is some 30 kB
MOST_OVER = 12  # curves laid over each other that can still be distinguished
SHORTEST_S = 2 * 3600.0  # the shortest curve worth laying over others: the end of an earlier cycle is not
WIDE_IN, HIGH_IN = 9.0, 4.2
_DASHES: tuple[Any, ...] = ("-", "--", ":", "-.", (0, (6, 2, 1, 2, 1, 2)), (0, (1, 4)))
_LINES = (TIDE, CRUST, WARM, INK)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One run under the name that its reader knows, with what is drawn of it; `events` are those that hold."""

    name: str
    jar: JarSettings
    summary: RunSummary
    readings: Sequence[Reading]
    events: Sequence[Event]


def report(parts: Sequence[Part], show: Display, zone: tzinfo, seen: Callable[[], object] = lambda: None) -> str:
    """The HTML file. One run is shown cycle by cycle, several side by side. `seen` is called after each picture.
    Raises PictureError without matplotlib."""
    pictures = _Pictures(show, zone, seen)
    several = len(parts) > 1
    text: str = _template().render(
        version=__version__,
        title=" and ".join(dict.fromkeys(shown(part.summary.jar) for part in parts)),
        several=several,
        over=_over(parts, show, pictures) if several else None,
        runs=[_run(part, show, pictures, with_cycles=not several) for part in parts],
    )
    return text


def pictures_in(parts: Sequence[Part]) -> int:
    """How many pictures a report of these runs has."""
    return len(parts) + 1 if len(parts) > 1 else 1 + min(len(parts[0].summary.cycles), MOST_PICTURES)


def _run(part: Part, show: Display, pictures: _Pictures, *, with_cycles: bool) -> dict[str, Any]:
    summary = part.summary
    whole = pictures.whole(part)
    told = [
        {
            "title": words.cycle_title(cycle, show),
            "lines": list(words.cycle_lines(cycle, show)),
            "notes": words.note_lines(cycle, show),
            "picture": pictures.one(part, cycle) if len(summary.cycles) > 1 else None,
        }
        for cycle in (summary.cycles[-MOST_PICTURES:] if with_cycles else ())
    ]
    return {
        "name": part.name,
        "lines": list(words.run_lines(summary, show)),
        "picture": whole,
        "rows": [_row(cycle, show) for cycle in summary.cycles],
        "middle": words.middles(summary.cycles, show) if len(summary.cycles) > 1 else None,
        "cycles": told,
        "left_out": len(summary.cycles) - len(told) if with_cycles else 0,
    }


def _row(cycle: CycleSummary, show: Display) -> tuple[str, ...]:
    began = "in the middle" if cycle.fed_at_s is None else words.local(cycle.fed_at_s, show)
    known = "-" if cycle.known_at_s is None else words.local(cycle.known_at_s, show)[11:]
    return (str(cycle.number), began, words.ratio(cycle) or "-", *words.cells(cycle, show), known)


def _over(parts: Sequence[Part], show: Display, pictures: _Pictures) -> Markup:
    """The levels of all cycles above their starts, by hours since the feeding."""
    named = [
        (f"{part.name}:{cycle.number}", cycle)
        for part in parts
        for cycle in part.summary.cycles
        if cycle.end_s - cycle.begin_s > SHORTEST_S and len(cycle.curve) > 1
    ][-MOST_OVER:]
    figure = picture.new_figure((WIDE_IN, HIGH_IN + 0.8))
    axes = figure.subplots()
    for n, (name, cycle) in enumerate(named):
        foot_mm = cycle.start_mm if cycle.start_mm is not None else cycle.curve[0][1]
        axes.plot(
            [(t - cycle.begin_s) / 3600.0 for t, _ in cycle.curve],
            [mm - foot_mm for _, mm in cycle.curve],
            color=_LINES[n % len(_LINES)], linestyle=_DASHES[n % len(_DASHES)], linewidth=1.8, label=name,
        )  # fmt: skip
    axes.set_xlabel("hours since the feeding")
    picture.lengths(axes, "above its start", show)
    picture.plain(axes)
    key = figure.legend(loc="outside upper left", ncols=3, frameon=False, labelcolor=INK, handlelength=4)
    for said in key.get_texts():
        said.set_parse_math(False)  # the name of a file is no formula
    return pictures.inline(figure)


class _Pictures:
    """Turns figures into inline SVG with unique names, so that a page with many of them has each name once."""

    def __init__(self, show: Display, zone: tzinfo, seen: Callable[[], object]) -> None:
        self._show = show
        self._zone = zone
        self._seen = seen
        self._count = 0

    def whole(self, part: Part) -> Markup | None:
        """A whole run: its days, or its only cycle; None when no surface was read in it."""
        cycles = part.summary.cycles
        if part.jar.empty_mm is None or not days.draws_run(part.summary):
            return self.one(part, cycles[0]) if len(cycles) == 1 else self._drawn(part, cycles)
        return self.inline(days.whole_run(part.summary, part.jar, self._zone, self._show))

    def one(self, part: Part, cycle: CycleSummary) -> Markup | None:
        """One cycle; None when no surface was read in it."""
        if part.jar.empty_mm is None or not still.draws(cycle):
            return self._drawn(part, [cycle])
        readings = [r for r in part.readings if cycle.begin_s <= r.time_s < cycle.end_s]
        events = [e for e in part.events if cycle.begin_s <= e.happened_at_s < cycle.end_s]
        return self.inline(still.one_cycle(readings, events, cycle, part.jar, self._zone, self._show))

    def _drawn(self, part: Part, cycles: Sequence[CycleSummary]) -> Markup | None:
        """The stretch of a run that some of its cycles cover; None when no surface was read in it."""
        begin_s, end_s = cycles[0].begin_s, cycles[-1].end_s
        notes: list[Noted] = [note for cycle in cycles for note in cycle.notes]
        try:
            figure = picture.drawn(
                [r for r in part.readings if begin_s <= r.time_s <= end_s],
                [e for e in part.events if begin_s <= e.happened_at_s <= end_s],
                empty_mm=part.jar.empty_mm, title="", zone=self._zone, size_in=(WIDE_IN, HIGH_IN), show=self._show,
                tops=[cycle.top for cycle in cycles if cycle.top is not None], notes=notes,
            )  # fmt: skip
        except picture.NoSurface:
            return None
        return self.inline(figure)

    def inline(self, figure: Any) -> Markup:
        """The figure as markup that takes its colours and its width from the page around it."""
        import matplotlib

        text = io.StringIO()
        with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "jartide"}):
            picture.saved(figure, text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
        svg = text.getvalue()
        svg = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
        svg = re.sub(
            r'(<svg[^>]*?) width="[^"]*"', r"\1", re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1), count=1
        )
        self._count += 1
        svg = re.sub(r'( id="|url\(#|href="#)', rf"\g<1>p{self._count}-", svg)
        for colour, role in ROLES.items():
            svg = svg.replace(colour, f"var(--{role})")
        self._seen()
        return Markup(svg)  # drawn by matplotlib, which escapes what is text


def _template() -> Any:
    folder = Path(__file__).parent / "templates"
    made = Environment(
        loader=FileSystemLoader(folder),
        autoescape=select_autoescape(default=True),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return made.get_template("report.html")
