"""`jartide replay RUN.csv`: what would have been decided from a recorded run, and when."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import click

from monitor.cli.numbers import Within
from monitor.cli.opening import form_options, run_file_from
from monitor.cli.progress import ROW_CHARS, progress, watched
from monitor.core.detect.verdict import FallVerdict, Gate
from monitor.core.display.refusals import Refusal, words
from monitor.runs import rfc3339
from monitor.runs.run_file import jar_of
from monitor.sources import replay as source
from monitor.values import Event, Json

WHY_NOT = {
    Gate.NO_RISE: "no rise has been seen in this cycle",
    Gate.CLOSED: "it was fed more than three days ago",
    Gate.NOT_LOWER: "it is as high as it has ever been",
    Gate.LOW_TOP: "the top is too little above the lowest level",
    Gate.SILENCE: "it sank while no readings came, and may have been fed then",
    Gate.FED_IN_SILENCE: "it was fed while no readings came",
    Gate.NOISE: "the drop is still within noise",
    Gate.HEADSPACE: "gas above the dough could look like this drop to an ultrasonic sensor",
    Gate.SAG: "it may be a sag on the way up, which comes back",
    Gate.STEPPING: "the level is stepping down right now, as when hands are at the jar",
}
SPANS = ("peak_at", "fall_at")  # a forecast's times, printed beside the evidence


@click.command()
@click.argument("run", type=click.Path(path_type=Path), metavar="RUN.csv")
@click.option("--empty-mm", type=Within(20.0, 4000.0), help="Distance over the empty jar.  [default: the file's own]")
@click.option(
    "--feedings", type=click.Path(path_type=Path), help="FEEDINGS.csv: fed_at,starter_g,flour_g,water_g,flour."
)
@click.option("--forecasts", is_flag=True, help="Also print the hourly forecasts.")
@click.option("--explain", is_flag=True, help="Also say why the start of the fall was not decided earlier.")
@form_options(machine="jsonl")
def replay(run: Path, empty_mm: float | None, feedings: Path | None, forecasts: bool, explain: bool, form: str) -> None:
    """Run a recorded file through the same step function that watches a jar, and print what it decides.

    A cycle may have several peak_reached: the first comes as soon as the top has probably passed, later ones date it
    better, and the last one counts. If the dough climbs on after the first, rise_began comes again and replaces it.
    """
    opened, told = run_file_from(run, feedings)
    geometry = opened.geometry
    if geometry is None and opened.header.get("geometry"):
        click.echo(f"{run}: geometry {opened.header['geometry']} is not known; a straight wall is assumed", err=True)
    distance_mm = opened.empty_mm if empty_mm is None else empty_mm
    if distance_mm is None:
        click.echo(f"{run}: no empty distance (`# empty_mm:` or --empty-mm); no levels, only changes", err=True)
    jar = jar_of(opened.jar, opened.header, distance_mm, geometry)
    rejected: Counter[str] = Counter()
    if explain and forecasts:
        raise click.UsageError("--explain and --forecasts: one of them at a time")
    beside = False if sys.stdout.isatty() else None  # no bar among the events themselves
    with progress(run.stat().st_size // ROW_CHARS, run.name, on=beside) as seen:
        rows = watched(opened.rows(), seen)
        if explain:
            _explain(source.explained(rows, told, jar, rejected, opened.not_so), form)
        else:
            for event in source.replay(rows, told, jar, rejected, forecasts=forecasts, not_so=opened.not_so):
                click.echo(line(event) if form == "jsonl" else sentence(event))
    if opened.rejected_count:
        rejected[Refusal.BAD_ROW] += opened.rejected_count
    for reason, count in sorted(rejected.items()):
        if count:
            click.echo(f"{run}: {count} rows rejected: {words(reason)}", err=True)
    for bad_row in opened.rejected[:5]:
        click.echo(f"{run}, line {bad_row.line}: {bad_row.reason}: {bad_row.detail}", err=True)


def _explain(said: Iterable[Event | FallVerdict], form: str) -> None:
    """The events, and between them why there was no fall yet: one line for each stretch with the same reason."""
    if form != "jsonl":
        click.echo("Times are UTC; lines are in the order in which they could be known.")
    stretch: list[FallVerdict] = []
    for one in said:
        if isinstance(one, Event) or (stretch and stretch[-1].refused_by is not one.refused_by):
            _print_stretch(stretch, form)
            stretch = []
        if isinstance(one, Event):
            click.echo(line(one) if form == "jsonl" else _as_known(one))
        else:
            stretch.append(one)
    _print_stretch(stretch, form)


def _as_known(event: Event) -> str:
    """One event for a person, by when it could be known."""
    late = event.decided_at_s - event.happened_at_s >= 60.0
    since = f" (it happened at {when(event.happened_at_s)[11:16]})" if late else ""
    return f"{when(event.decided_at_s)}  {event.kind.value.replace('_', ' ')}{since}"


def _print_stretch(stretch: list[FallVerdict], form: str) -> None:
    gate = stretch[-1].refused_by if stretch else None
    if gate is None:  # the fall is believed: the event says so itself
        return
    strongest = max(stretch, key=lambda verdict: verdict.z)
    from_at, to_at = when(stretch[0].decided_at_s), when(stretch[-1].decided_at_s)
    if form == "jsonl":
        numbers = {"z": round(strongest.z, 2), "needed_z": strongest.needed_z, "drop_mm": round(strongest.drop_mm, 2)}
        click.echo(json.dumps({"kind": "no_fall_yet", "from": from_at, "to": to_at, "because": gate.value, **numbers}))
        return
    share = min(strongest.z / strongest.needed_z, 1.0) if strongest.needed_z > 0.0 else 0.0
    numbers_said = f" ({strongest.drop_mm:.1f} mm down; the evidence is at {share:.0%} of what is needed)"
    click.echo(f"{from_at} to {to_at}  no fall yet: {WHY_NOT[gate]}{numbers_said if strongest.z > 0.0 else ''}")


def line(event: Event) -> str:
    """One event as one JSON object; times in RFC 3339, whole seconds."""
    evidence = dict(event.evidence)
    out: dict[str, Json] = {
        "kind": event.kind.value,
        "jar": event.jar,
        "happened_at": when(event.happened_at_s),
        "decided_at": when(event.decided_at_s),
    }
    for name in SPANS:
        if name in evidence:
            span = evidence.pop(name)
            out[name] = {k.removesuffix("_s"): when(v) for k, v in span.items()} if isinstance(span, dict) else None  # type: ignore[arg-type]
    out["evidence"] = evidence
    if event.replaces is not None:
        out["replaces"] = event.replaces
    return json.dumps(out)


def when(time_s: float) -> str:
    """RFC 3339 in UTC, whole seconds."""
    return rfc3339.text(float(round(time_s)))


def sentence(event: Event) -> str:
    """One event for a person."""
    late_min = (event.decided_at_s - event.happened_at_s) / 60.0
    known = "" if late_min < 1.0 else f" (known {late_min:.0f} min later)"
    for name, what in zip(SPANS, (" peak", ", start of fall"), strict=True):
        span = event.evidence.get(name)
        if isinstance(span, dict):
            earliest, likely, latest = (when(float(span[f"{k}_s"])) for k in ("earliest", "likely", "latest"))  # type: ignore[arg-type]
            known += f"{what} {likely} ({earliest} to {latest})"
    return f"{when(event.happened_at_s)}  {event.kind.value.replace('_', ' ')}{known}"
