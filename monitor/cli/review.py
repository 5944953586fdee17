"""`jartide review RUN` and `jartide compare RUN RUN...`: recorded runs looked back upon, in the terminal or as JSON."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

import click

from monitor.cli.opening import config_option, refuse
from monitor.cli.recorded import recorded, reviewed
from monitor.core.display import Display, duration, shown
from monitor.review.summary import CycleSummary, Range, RunSummary
from monitor.review.summary_json import run_json
from monitor.review.text_curve import text_curve
from monitor.values import Span

_store_option = click.option(
    "--store", "store_path", type=click.Path(path_type=Path, dir_okay=False), help="The store, without a config."
)
_empty_option = click.option(
    "--empty-mm", type=click.FloatRange(20.0, 4000.0), help="Distance over the empty jar; else the run's own."
)


@click.command()
@config_option
@_store_option
@_empty_option
@click.option("--feedings", type=click.Path(path_type=Path), help="FEEDINGS.csv, for a run file.")
@click.option("--json", "as_json", is_flag=True, help="The same as one JSON object.")
@click.argument("run", metavar="RUN[:CYCLE]")
def review(
    run: str, config: Path, store_path: Path | None, empty_mm: float | None, feedings: Path | None, as_json: bool
) -> None:
    """Look back on a run: RUN is a run file (CSV), or the number of a run in the store.

    Times of the peak and of the start of the fall are refined by looking both ways; ranges hold 90 %.
    """
    named = recorded(run, config, store_path, empty_mm, feedings)
    summary = reviewed(named)
    if as_json:
        click.echo(json.dumps(run_json(run, summary), ensure_ascii=False))
        return
    for line in _run_lines(summary, named.show):
        click.echo(line)


@click.command()
@config_option
@_store_option
@_empty_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object a run, one a line.")
@click.argument("runs", metavar="RUN[:CYCLE] RUN[:CYCLE]...", nargs=-1, required=True)
def compare(
    runs: tuple[str, ...], config: Path, store_path: Path | None, empty_mm: float | None, as_json: bool
) -> None:
    """Lay runs, or cycles of runs, side by side: a line for each cycle, and the middle of each run's."""
    if len(runs) < 2:
        refuse("RUN: give at least two runs to compare, or use `jartide review` for one")
    found = [(name, reviewed(recorded(name, config, store_path, empty_mm, None))) for name in runs]
    if as_json:
        for name, summary in found:
            click.echo(json.dumps(run_json(name, summary), ensure_ascii=False))
        return
    wide = max(len(_label(name)) for name in runs) + 4
    click.echo(f"{'':{wide}}{'rise':>14}  {'to the peak':>18}  {'to the fall':>18}  {'mean':>8}")
    for name, summary in found:
        for cycle in summary.cycles:
            click.echo(f"{f'{_label(name)} {cycle.number}':{wide}}" + _compared(cycle))
        if len(summary.cycles) > 1:
            click.echo(f"{f'{_label(name)} mid':{wide}}" + _middle(summary.cycles))


# --- in words --------------------------------------------------------------------------------------------------------


def _run_lines(run: RunSummary, show: Display) -> Iterator[str]:
    began, ended = (_local(t, show) for t in (run.began_s, run.ended_s))
    yield f"{shown(run.jar)}: {began} to {ended} ({duration(run.ended_s - run.began_s)})"
    every = "" if run.sampling_s is None else f", one every {_seconds(run.sampling_s)}"
    yield f"{run.readings} readings{every}; {run.with_level} of a surface"
    if run.gaps:
        longest_s = max(b - a for a, b in run.gaps)
        yield f"{len(run.gaps)} silence{'s' if len(run.gaps) > 1 else ''}, the longest {duration(longest_s)}"
    if run.rejected:
        yield "not believed: " + ", ".join(f"{count} {reason}" for reason, count in run.rejected.items())
    for cycle in run.cycles:
        yield ""
        yield from _cycle_lines(cycle, show)


def _cycle_lines(cycle: CycleSummary, show: Display) -> Iterator[str]:
    if cycle.fed_at_s is None:
        began = f"from {_local(cycle.begin_s, show)}, in the middle of it"
    else:
        fed = cycle.fed
        grams = "" if fed is None or fed.flour_g is None else f" with {show.weight(fed.flour_g)} of flour"
        began = f"fed {_local(cycle.fed_at_s, show)}{grams}"
    yield f"cycle {cycle.number}: {began}, watched for {duration(cycle.end_s - cycle.begin_s)}"
    if cycle.top is None:
        yield "  stayed flat" if cycle.flat else "  no peak"
    else:
        if cycle.rise_ratio is not None:
            yield f"  rose to {_range(cycle.rise_ratio, 2)} times its starting level"
        elif cycle.rise_mm is not None:
            yield f"  rose by {_range(cycle.rise_mm, 0)} mm"
        yield f"  peak {_when(cycle.top.peak_at, cycle.hours_to_peak, show)}"
        if cycle.top.fall_at is not None:
            known = "" if cycle.known_at_s is None else f"; could be told at {_local(cycle.known_at_s, show)}"
            yield f"  fall {_when(cycle.top.fall_at, cycle.hours_to_fall, show)}{known}"
    if cycle.mean_c is not None and cycle.least_c is not None and cycle.most_c is not None:
        mean, least, most = (show.temperature(c) for c in (cycle.mean_c, cycle.least_c, cycle.most_c))
        yield f"  {mean} on average, from {least} to {most}"
    if cycle.disturbed:
        yield f"  {cycle.disturbed} jump{'s' if cycle.disturbed > 1 else ''} of the level without a feeding"
    if sys.stdout.isatty():
        marks = [] if cycle.top is None else [(cycle.top.peak_at.likely_s, "P")]
        if cycle.top is not None and cycle.top.fall_at is not None:
            marks.append((cycle.top.fall_at.likely_s, "F"))
        plain = "utf" not in (sys.stdout.encoding or "").lower()
        for line in text_curve(cycle.curve, marks, plain=plain):
            yield f"  {line}"


def _local(time_s: float, show: Display) -> str:
    """A local day and time: 2026-03-02 07:40."""
    return f"{datetime.fromtimestamp(time_s + show.offset_s(time_s), UTC):%Y-%m-%d %H:%M}"


def _seconds(length_s: float) -> str:
    return f"{length_s:g} s" if length_s < 120.0 else f"{length_s / 60.0:g} min"


def _range(values: Range, digits: int) -> str:
    low, likely, high = (f"{value:.{digits}f}" for value in values)
    return likely if low == high else f"{likely} ({low} to {high})"


def _when(span: Span, hours: Range | None, show: Display) -> str:
    sides = " and ".join(_local(t, show)[11:] for t in (span.earliest_s, span.latest_s))
    after = "" if hours is None else f", {_range(hours, 1)} h after the feeding"
    return f"{_local(span.likely_s, show)} (between {sides}){after}"


def _label(name: str) -> str:
    return Path(name).name


def _compared(cycle: CycleSummary) -> str:
    rise = "flat" if cycle.flat else "-"
    if cycle.rise_ratio is not None:
        rise = f"{cycle.rise_ratio[1]:.2f} times"
    elif cycle.rise_mm is not None:
        rise = f"{cycle.rise_mm[1]:.0f} mm"
    peak, fall = (
        "-" if hours is None else f"{_range(hours, 1)} h" for hours in (cycle.hours_to_peak, cycle.hours_to_fall)
    )
    warm = "-" if cycle.mean_c is None else f"{cycle.mean_c:.1f} °C"
    return f"{rise:>14}  {peak:>18}  {fall:>18}  {warm:>8}"


def _middle(cycles: tuple[CycleSummary, ...]) -> str:
    def middle(values: list[float], form: str) -> str:
        return format(median(values), form) if values else "-"

    rise = middle([c.rise_ratio[1] for c in cycles if c.rise_ratio is not None], ".2f")
    peak = middle([c.hours_to_peak[1] for c in cycles if c.hours_to_peak is not None], ".1f")
    fall = middle([c.hours_to_fall[1] for c in cycles if c.hours_to_fall is not None], ".1f")
    warm = middle([c.mean_c for c in cycles if c.mean_c is not None], ".1f")
    units = (" times", " h", " h", " °C")
    texts = (t if t == "-" else t + unit for t, unit in zip((rise, peak, fall, warm), units, strict=True))
    return "{:>14}  {:>18}  {:>18}  {:>8}".format(*texts)
