"""A reviewed run in words, for the terminal and the report: times and units as the household reads them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from statistics import median

from monitor.core.assess import notebook
from monitor.core.display import refusals
from monitor.core.display.units import NAME_CHARS, Display, duration, one_line, shown
from monitor.review.summary import CycleSummary, Range, RunSummary
from monitor.values import Span


def run_lines(run: RunSummary, show: Display) -> Iterator[str]:
    """What was recorded: jar, time, readings, silences, what was not believed; what became of the discard."""
    began, ended = (local(t, show) for t in (run.began_s, run.ended_s))
    yield f"{shown(run.jar)}: {began} to {ended} ({duration(run.ended_s - run.began_s)})"
    every = "" if run.sampling_s is None else f", one every {_seconds(run.sampling_s)}"
    yield f"{run.readings} readings{every}; {run.with_level} show a surface"
    if run.gaps:
        longest_s = max(b - a for a, b in run.gaps)
        yield f"{len(run.gaps)} silence{'s' if len(run.gaps) > 1 else ''}, the longest {duration(longest_s)}"
    if run.rejected:
        yield "rejected: " + ", ".join(f"{count} {refusals.words(why)}" for why, count in run.rejected.items())
    if totals_g := notebook.discarded_g([note for cycle in run.cycles for note in cycle.notes]):
        yield f"discard noted: {notebook.discard_words(totals_g)}"


def cycle_title(cycle: CycleSummary, show: Display) -> str:
    """Which cycle it is, and how long it was watched."""
    if cycle.fed_at_s is None:
        began = f"from {local(cycle.begin_s, show)}, in the middle of it"
    else:
        began = f"fed {local(cycle.fed_at_s, show)}"
    return f"cycle {cycle.number}: {began}, watched for {duration(cycle.end_s - cycle.begin_s)}"


def cycle_lines(cycle: CycleSummary, show: Display) -> Iterator[str]:
    """What it was fed, as far as that was reported, and what became of it: rise, peak, fall, warmth, jumps."""
    if fed := _fed(cycle, show):
        yield fed
    if cycle.top is None:
        early = (
            "no peak" if cycle.reached_ratio is None else f"fed before its peak: rose {reached(cycle.reached_ratio)}"
        )
        yield "stayed flat" if cycle.flat else early
    else:
        if cycle.rise_ratio is not None:
            yield f"rose to {spread(cycle.rise_ratio, 2)} times its starting level"
        elif cycle.rise_mm is not None:
            yield f"rose by {spread(cycle.rise_mm, 0)} mm"
        yield f"peak {when(cycle.top.peak_at, show)}{_after(cycle.hours_to_peak)}"
        if cycle.top.fall_at is not None:
            known = "" if cycle.known_at_s is None else f"; could be told at {local(cycle.known_at_s, show)}"
            yield f"fall {when(cycle.top.fall_at, show)}{_after(cycle.hours_to_fall)}{known}"
    if cycle.mean_c is not None and cycle.least_c is not None and cycle.most_c is not None:
        mean, least, most = (show.temperature(c) for c in (cycle.mean_c, cycle.least_c, cycle.most_c))
        yield f"{mean} on average, from {least} to {most}"
    if cycle.disturbed:
        yield f"{cycle.disturbed} jump{'s' if cycle.disturbed > 1 else ''} of the level without a feeding"


def note_lines(cycle: CycleSummary, show: Display) -> list[str]:
    """The notes of a cycle, each with its time: "2026-03-02 19:10, liquid on top"."""
    return [f"{local(note.time_s, show)}, {notebook.says(note)}" for note in cycle.notes]


def cells(cycle: CycleSummary, show: Display) -> tuple[str, str, str, str]:
    """A cycle in a table: rise, to the peak, to the fall, mean temperature."""
    rise = "flat" if cycle.flat else "-"
    if cycle.rise_ratio is not None:
        rise = f"{cycle.rise_ratio[1]:.2f} times"
    elif cycle.rise_mm is not None:
        rise = f"{cycle.rise_mm[1]:.0f} mm"
    elif cycle.reached_ratio is not None:
        rise = reached(cycle.reached_ratio)
    peak, fall = (
        "-" if hours is None else f"{spread(hours, 1)} h" for hours in (cycle.hours_to_peak, cycle.hours_to_fall)
    )
    return rise, peak, fall, "-" if cycle.mean_c is None else show.temperature(cycle.mean_c)


def middles(cycles: tuple[CycleSummary, ...], show: Display) -> tuple[str, str, str, str]:
    """The median of each of these columns over the cycles that began with a feeding; what was left of one when watching
    began may be half an hour."""

    def middle(values: list[float], digits: int, unit: str) -> str:
        return f"{median(values):.{digits}f} {unit}" if values else "-"

    fed = [c for c in cycles if c.fed_at_s is not None]
    warm = [c.mean_c for c in fed if c.mean_c is not None]
    return (
        middle([c.rise_ratio[1] for c in fed if c.rise_ratio is not None], 2, "times"),
        middle([c.hours_to_peak[1] for c in fed if c.hours_to_peak is not None], 1, "h"),
        middle([c.hours_to_fall[1] for c in fed if c.hours_to_fall is not None], 1, "h"),
        show.temperature(median(warm)) if warm else "-",
    )


def reached(rise_ratio: float) -> str:
    """2.86 -> "2.86 or more": how high one had risen that was fed before its peak."""
    return f"{rise_ratio:.2f} or more"


def _fed(cycle: CycleSummary, show: Display) -> str:
    """ "25 g of starter, 100 g of flour (rye), 100 g of water: 1:4:4"; "" when nothing was reported."""
    fed = cycle.fed
    if fed is None:
        return ""
    flour = f" ({one_line(fed.feeding.flour, NAME_CHARS)})" if fed.feeding.flour else ""
    parts = ((fed.feeding.starter_g, "starter"), (fed.feeding.flour_g, f"flour{flour}"), (fed.feeding.water_g, "water"))
    told = [f"{show.weight(grams)} of {what}" for grams, what in parts if grams is not None]
    if flour and fed.feeding.flour_g is None:
        told.append(f"flour{flour}")
    known = ratio(cycle)
    return ", ".join(told) + (f": {known}" if known else "")


def ratio(cycle: CycleSummary) -> str | None:
    """The reported ratio of its feeding, such as "1:4:4"; None if it was not reported in full."""
    return None if cycle.fed is None else cycle.fed.feeding.ratio


def local(time_s: float, show: Display) -> str:
    """A local day and time: 2026-03-02 07:40."""
    return f"{datetime.fromtimestamp(time_s + show.offset_s(time_s), UTC):%Y-%m-%d %H:%M}"


def when(span: Span, show: Display) -> str:
    """A time with its range: "2026-03-02 07:40 (between 07:10 and 08:05)"."""
    sides = " and ".join(local(t, show)[11:] for t in (span.earliest_s, span.latest_s))
    return f"{local(span.likely_s, show)} (between {sides})"


def spread(values: Range, digits: int) -> str:
    """A number with its range: "2.10 (2.02 to 2.21)"."""
    low, likely, high = (f"{value:.{digits}f}" for value in values)
    return likely if low == high else f"{likely} ({low} to {high})"


def _after(hours: Range | None) -> str:
    return "" if hours is None else f", {spread(hours, 1)} h after the feeding"


def _seconds(length_s: float) -> str:
    return f"{length_s:g} s" if length_s < 120.0 else f"{length_s / 60.0:g} min"
