"""What `jartide status` says about each jar, in 80 columns and readable without colour: the stage with its shape, a bar
of the rise, the cycle's curve with one character per hour, and below it what comes next and what is wrong.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import click

from monitor.core.assess.thrown_away import quoted
from monitor.core.display.face import about_words, question_words
from monitor.core.display.units import Display, duration, sensor_troubles, shown
from monitor.review.text_curve import spark
from monitor.values import H_S, JarState, Noted, Noting, Stage

Curve = Sequence[tuple[float, float]]  # (time, level in mm)

WIDTH = 80
WORD, NAME, BAR, HOURS = 12, 12, 16, 24  # characters of a stage, a jar's name, the bar, and at most of the curve
INDENT = " " * (2 + WORD)
FULL_TIMES = 3.0  # what fills the bar: more than most starters rise
LEAST_MM = 12.0  # height of a curve: a lower one is drawn flat instead of magnifying its noise
OLD_S = 600.0  # a level moves by millimetres in this time

FEED, BIN, SILENT = "FEED NOW", "THROW AWAY", "silent"
LOOKS = {  # stage -> (shape, the same for a terminal that knows ASCII only, word, colour)
    BIN: ("!", "!", BIN, "red"),
    FEED: ("!", "!", FEED, "red"),
    SILENT: ("?", "?", SILENT, "yellow"),
    Stage.PEAKED: ("◆", "#", "at its peak", "green"),
    Stage.FALLING: ("▼", "v", "sinking", "yellow"),
    Stage.FLAT: ("–", "-", "not rising", "magenta"),
    Stage.RISING: ("▲", "^", "rising", "blue"),
    Stage.SETTLING: ("…", ".", "settling", None),
    Stage.UNKNOWN: (" ", " ", "watching", None),
    Stage.RESTING: ("*", "*", "resting", "cyan"),
    Stage.AWAY: (" ", " ", "away", None),
}
URGENT = list(LOOKS)  # the most urgent first


@dataclass(frozen=True, slots=True)
class JarRow:
    """A jar as `jartide status` shows it: what the daemon last believed of it, the note by which it has
    to be thrown away (None: there is none, or it has been), and the levels of its open cycle."""

    state: JarState
    bin_note: Noted | None = None
    curve: Curve = ()


def urgency(row: JarRow) -> str:
    """What a jar needs, a key of `LOOKS`: its stage, or what matters more."""
    state = row.state
    if row.bin_note is not None:
        return BIN
    if state.stage is Stage.FALLING and state.cycle is not None and state.cycle.fall_at_s is not None:
        return FEED
    if state.silent_since_s is not None:
        return SILENT
    return state.stage


def in_order(rows: Sequence[JarRow]) -> list[JarRow]:
    """The most urgent first, else as in the config."""
    return sorted(rows, key=lambda row: URGENT.index(urgency(row)))


def headline(rows: Sequence[JarRow], show: Display, now_s: float) -> str:
    """What there is to do, and the time at the right."""
    hungry = [shown(row.state.jar) for row in rows if urgency(row) == FEED]
    ripe = [shown(row.state.jar) for row in rows if urgency(row) == Stage.PEAKED]
    if len(hungry) == 1:
        what = f"{hungry[0]} needs feeding"
    elif hungry:
        what = f"{len(hungry)} jars need feeding"
    elif ripe:
        what = f"{ripe[0]} is at its peak" if len(ripe) == 1 else f"{len(ripe)} jars are at their peak"
    else:
        what = "Nothing to feed now"
    return f"{click.style(what, bold=True)}{show.stamp(now_s):>{WIDTH - len(what)}}"


def jar_lines(row: JarRow, show: Display, now_s: float, *, plain: bool) -> list[str]:
    """A jar's own lines, without an empty one. `plain`: ASCII only."""
    state, curve, key = row.state, row.curve, urgency(row)
    shape, ascii_shape, word, colour = LOOKS[key]
    name = shown(state.jar)
    ratio = None if state.level is None else state.level.rise_ratio
    first = click.style(f"{ascii_shape if plain else shape} {word:<{WORD}}", fg=colour, bold=True)
    drawn = spark(curve, width=min(HOURS, max(2, round(_hours(curve)))), plain=plain, least_span=LEAST_MM)
    graph = f"{_bar(ratio, plain)} {_times(ratio, plain):>5}  {drawn}".rstrip()
    if len(name) > NAME:  # a long name gets its own line
        lines = [f"{first}{click.style(name, bold=True)}", f"{INDENT}{'':{NAME}} {graph}".rstrip()]
    else:
        lines = [f"{first}{click.style(f'{name:<{NAME}}', bold=True)} {graph}".rstrip()]
    if row.bin_note is not None:
        noted, read = show.clock(row.bin_note.time_s, now_s), row.bin_note.what is not Noting.MOULD
        said = f"you wrote {quoted(row.bin_note)} at {noted}: if so" if read else f"mould or streaks were noted {noted}"
        return lines + wrapped(f"{said}: throw all of it away, taste nothing")
    lines += wrapped("; ".join(_next(state, show, now_s)))
    lines += wrapped(", ".join(_measured(state, show)))
    for trouble in sensor_troubles(state, lambda at_s: show.clock(at_s, now_s)):
        lines += wrapped(trouble)
    if state.last_reading_s is None:
        lines += wrapped("no reading yet: is the device sending? `jartide check` listens")
    if asked := question_words(state, now_s, show):
        lines += wrapped(f"your answer, please: {asked}")
    return lines


def wrapped(text: str, indent: str = INDENT) -> list[str]:
    """A sentence within 80 columns, all of it indented."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def _hours(curve: Curve) -> float:
    return (curve[-1][0] - curve[0][0]) / H_S if curve else 0.0


def _bar(ratio: float | None, plain: bool) -> str:
    full, empty = ("#", ".") if plain else ("█", "░")
    filled = 0 if ratio is None else min(BAR, max(0, round(ratio / FULL_TIMES * BAR)))
    return full * filled + empty * (BAR - filled)


def _times(ratio: float | None, plain: bool) -> str:
    return "" if ratio is None else f"{ratio:.1f}{'x' if plain else '×'}"


def _next(state: JarState, show: Display, now_s: float) -> list[str]:
    """What has happened last and what comes next."""
    cycle, forecast, heard_s = state.cycle, state.forecast, state.last_reading_s
    said = []
    if heard_s is not None and now_s - heard_s > max(OLD_S, 3 * (state.sampling_s or 0.0)):
        said.append(f"as of {show.clock(heard_s, now_s)}")
    if cycle is not None and cycle.fall_at_s is not None and state.stage is Stage.FALLING:
        said.append(f"sinking since {show.clock(cycle.fall_at_s, now_s)}")
    spans = () if forecast is None else ((forecast.peak_at, "peak", "peak"), (forecast.fall_at, "fall", "sinks"))
    for span, late, what in spans:
        if span is not None and span.latest_s < now_s:
            said.append(f"{late} expected by {show.clock(span.latest_s, now_s)}, not seen so far")
        elif span is not None:
            likely, first, last = (show.clock(at_s, now_s) for at_s in (span.likely_s, span.earliest_s, span.latest_s))
            said.append(f"{what} about {likely} ({first} to {last})")
    if cycle is not None and cycle.fed_at_s:
        ago = duration(now_s - cycle.fed_at_s)
        when = about_words(cycle, now_s, show) or show.clock(cycle.fed_at_s, now_s)
        said.append(f"{'fed' if cycle.fed_known else 'first seen'} {ago} ago ({when})")
    if state.stage is Stage.UNKNOWN and heard_s is not None:
        said.append("feed it, and counting begins")
    return said


def _measured(state: JarState, show: Display) -> list[str]:
    said = []
    if state.level is not None and state.level.level_mm is not None:
        said.append(f"{show.length(state.level.level_mm)} high")
    if state.slope_mm_per_h is not None:
        said.append(f"moving {show.speed(state.slope_mm_per_h)}")
    if state.temperature_c is not None:
        said.append(show.temperature(state.temperature_c))
    return said
