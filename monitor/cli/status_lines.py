"""What `jartide status` says of each jar, in 80 columns and readable without colour: the stage with its shape, a bar of
the rise, the cycle's curve with a character an hour, and beneath it what comes next and what is wrong.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import click

from monitor.core.display.units import Display, duration, sensor_troubles, shown
from monitor.review.text_curve import spark
from monitor.runs.daemon_status import state_of
from monitor.values import Stage

State = dict[str, Any]  # one of the jars of `daemon_status.body`
Curve = Sequence[tuple[float, float]]  # (time, level in mm)

WIDTH = 80
WORD, NAME, BAR, HOURS = 12, 12, 16, 24  # characters of a stage, a jar's name, the bar, and at most of the curve
INDENT = " " * (2 + WORD)
FULL_TIMES = 3.0  # what fills the bar: more than most starters rise
LEAST_MM = 12.0  # of a curve: less is drawn flat and not blown up to its noise
OLD_S = 600.0  # a level moves by millimetres in this time
HOUR_S = 3600.0

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
NEEDY = list(LOOKS)  # the neediest first


def stands(state: State) -> str:
    """How a jar stands, a key of `LOOKS`: its stage, or what matters more."""
    cycle = state["cycle"]
    if state["mould_noted_s"] is not None:
        return BIN
    if state["stage"] == Stage.FALLING and cycle is not None and cycle["fall_at_s"] is not None:
        return FEED
    if state["silent_since_s"] is not None:
        return SILENT
    return Stage(state["stage"])


def in_order(states: Sequence[State]) -> list[State]:
    """The neediest first, else as in the config."""
    return sorted(states, key=lambda state: NEEDY.index(stands(state)))


def headline(states: Sequence[State], show: Display, now_s: float) -> str:
    """What there is to do, and the time at the right."""
    hungry = [shown(state["jar"]) for state in states if stands(state) == FEED]
    ripe = [shown(state["jar"]) for state in states if stands(state) == Stage.PEAKED]
    if len(hungry) == 1:
        what = f"{hungry[0]} is to be fed"
    elif hungry:
        what = f"{len(hungry)} jars are to be fed"
    elif ripe:
        what = f"{ripe[0]} is at its peak" if len(ripe) == 1 else f"{len(ripe)} jars are at their peak"
    else:
        what = "Nothing to feed now"
    return f"{click.style(what, bold=True)}{show.stamp(now_s):>{WIDTH - len(what)}}"


def jar_lines(state: State, curve: Curve, show: Display, now_s: float, *, plain: bool) -> list[str]:
    """A jar's own lines, without an empty one. `plain`: ASCII only."""
    key = stands(state)
    shape, ascii_shape, word, colour = LOOKS[key]
    name = shown(state["jar"])
    level = state["level"]
    ratio = level["rise_ratio"] if level is not None else None
    first = click.style(f"{ascii_shape if plain else shape} {word:<{WORD}}", fg=colour, bold=True)
    drawn = spark(curve, width=min(HOURS, max(2, round(_hours(curve)))), plain=plain, least_span=LEAST_MM)
    graph = f"{_bar(ratio, plain)} {_times(ratio, plain):>5}  {drawn}".rstrip()
    if len(name) > NAME:  # a long name has its line
        lines = [f"{first}{click.style(name, bold=True)}", f"{INDENT}{'':{NAME}} {graph}".rstrip()]
    else:
        lines = [f"{first}{click.style(f'{name:<{NAME}}', bold=True)} {graph}".rstrip()]
    if key == BIN:
        noted = show.clock(state["mould_noted_s"], now_s)
        return lines + wrapped(f"mould or streaks were noted {noted}: throw all of it away, taste nothing")
    lines += wrapped("; ".join(_next(state, show, now_s)))
    lines += wrapped(", ".join(_measured(state, show)))
    for trouble in sensor_troubles(state_of(state), lambda at_s: show.clock(at_s, now_s)):
        lines += wrapped(trouble)
    if state["last_reading_s"] is None:
        lines += wrapped("no reading yet: does the device send? `jartide check` listens")
    if state["question"]:
        lines += wrapped(f"to answer: {state['question']}")
    return lines


def wrapped(text: str, indent: str = INDENT) -> list[str]:
    """A sentence within 80 columns, all of it indented."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def _hours(curve: Curve) -> float:
    return (curve[-1][0] - curve[0][0]) / HOUR_S if curve else 0.0


def _bar(ratio: float | None, plain: bool) -> str:
    full, empty = ("#", ".") if plain else ("█", "░")
    filled = 0 if ratio is None else min(BAR, max(0, round(ratio / FULL_TIMES * BAR)))
    return full * filled + empty * (BAR - filled)


def _times(ratio: float | None, plain: bool) -> str:
    return "" if ratio is None else f"{ratio:.1f}{'x' if plain else '×'}"


def _next(state: State, show: Display, now_s: float) -> list[str]:
    """What has happened last and what comes next."""
    cycle, stage, heard = state["cycle"], state["stage"], state["last_reading_s"]
    said = []
    if heard is not None and now_s - heard > max(OLD_S, 3 * (state["sampling_s"] or 0.0)):
        said.append(f"as of {show.clock(heard, now_s)}")
    if cycle is not None and cycle["fall_at_s"] is not None and stage == Stage.FALLING:
        said.append(f"sinking since {show.clock(cycle['fall_at_s'], now_s)}")
    for name, what in (("peak_at", "peak"), ("fall_at", "sinks")):
        span = state["forecast"] and state["forecast"][name]
        if span and span["latest_s"] < now_s:
            said.append(f"{'peak' if name == 'peak_at' else 'fall'} expected by {show.clock(span['latest_s'], now_s)}")
        elif span:
            likely, first, last = (show.clock(span[k], now_s) for k in ("likely_s", "earliest_s", "latest_s"))
            said.append(f"{what} about {likely} ({first} to {last})")
    if cycle is not None and cycle["fed_at_s"]:
        known = cycle["told"] or cycle["number"] > 0  # watching may begin in the middle of a cycle
        ago = duration(now_s - cycle["fed_at_s"])
        said.append(f"{'fed' if known else 'first seen'} {ago} ago ({show.clock(cycle['fed_at_s'], now_s)})")
    return said


def _measured(state: State, show: Display) -> list[str]:
    level = state["level"]
    said = []
    if level is not None and level["level_mm"] is not None:
        said.append(f"{show.length(level['level_mm'])} high")
    if state["slope_mm_per_h"] is not None:
        said.append(f"moving {show.speed(state['slope_mm_per_h'])}")
    if state["temperature_c"] is not None:
        said.append(show.temperature(state["temperature_c"]))
    return said
