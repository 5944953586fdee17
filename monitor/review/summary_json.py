"""A run's summary as JSON values: times in RFC 3339 UTC, a missing value null, ranges of 90 % as three numbers."""

from __future__ import annotations

from monitor.review.summary import CycleSummary, Range, RunSummary
from monitor.runs import rfc3339
from monitor.values import Feeding, Json, Span


def run_json(name: str, run: RunSummary) -> dict[str, Json]:
    """One run with its cycles; `name` is what it was asked for by."""
    return {
        "run": name,
        "jar": run.jar,
        "began_at": _time(run.began_s),
        "ended_at": _time(run.ended_s),
        "readings": run.readings,
        "with_level": run.with_level,
        "sampling_s": run.sampling_s,
        "gaps": [{"from": _time(a), "to": _time(b)} for a, b in run.gaps],
        "rejected": dict(run.rejected),
        "cycles": [_cycle_json(cycle) for cycle in run.cycles],
    }


def _cycle_json(cycle: CycleSummary) -> dict[str, Json]:
    top = cycle.top
    fed = cycle.fed
    return {
        "cycle": cycle.number,
        "began_at": _time(cycle.begin_s),
        "ended_at": _time(cycle.end_s),
        "fed_at": _time(cycle.fed_at_s),
        **(Feeding() if fed is None else fed.feeding).weights,
        "flour": None if fed is None else fed.feeding.flour,
        "starting_level_mm": _round(cycle.start_mm, 1),
        "peak_at": None if top is None else _span(top.peak_at),
        "peak_level_mm": None if top is None else _three(top.peak_mm, 1),
        "fall_at": None if top is None or top.fall_at is None else _span(top.fall_at),
        "fall_known_at": _time(cycle.known_at_s),
        "rise_mm": _three(cycle.rise_mm, 1),
        "rise_ratio": _three(cycle.rise_ratio, 3),
        "reached_ratio": _round(cycle.reached_ratio, 3),
        "hours_to_peak": _three(cycle.hours_to_peak, 2),
        "hours_to_fall": _three(cycle.hours_to_fall, 2),
        "mean_temperature_c": _round(cycle.mean_c, 2),
        "least_temperature_c": _round(cycle.least_c, 2),
        "greatest_temperature_c": _round(cycle.most_c, 2),
        "stayed_flat": cycle.flat,
        "disturbed": cycle.disturbed,
        "notes": [{"at": _time(note.time_s), "what": note.what.value, "text": note.text} for note in cycle.notes],
        "curve": [[_time(t), round(level, 2)] for t, level in cycle.curve],
    }


def _time(time_s: float | None) -> str | None:
    return None if time_s is None else rfc3339.text(float(round(time_s)))


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _three(values: Range | None, digits: int) -> Json:
    if values is None:
        return None
    return {name: round(v, digits) for name, v in zip(("low", "likely", "high"), values, strict=True)}


def _span(span: Span) -> Json:
    return {"earliest": _time(span.earliest_s), "likely": _time(span.likely_s), "latest": _time(span.latest_s)}
