"""Plans as JSON: the contract's objects, for the command line and for the page alike."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.core.plan import feeding
from monitor.core.plan.hours import Triple
from monitor.values import FeedPlan, Instead, Json

if TYPE_CHECKING:
    from monitor.core.plan.bake_plan import BakePlan
    from monitor.core.plan.daily import Daily


def three(hours: Triple) -> dict[str, Json]:
    """{"earliest", "likely", "latest"}, to a hundredth of an hour."""
    return {name: round(h, 2) for name, h in zip(("earliest", "likely", "latest"), hours, strict=True)}


def plan_json(made: FeedPlan) -> dict[str, Json]:
    """A plan, or the answer to "what if"."""
    out: dict[str, Json] = {
        **{name: _plain(grams) for name, grams in made.feeding.weights.items()},
        "ratio": feeding.ratio(made),
        "hours_to_peak": three(made.hours_to_peak),
        "hours_to_fall": three(made.hours_to_fall),
        "hours_to_half_sunk": three(made.hours_to_half_sunk),
        "hours_to_highest": three(made.hours_to_highest),
        "met": made.met,
        "because": made.because,
    }
    if made.instead:
        out["instead"] = [instead_json(one) for one in made.instead]
    if made.discard_g is not None:
        out["discard_g"] = made.discard_g
    if made.least_jar_ml is not None:
        out["least_jar_ml"] = made.least_jar_ml
    if made.caution is not None:
        out["caution"] = made.caution
    if made.at_night:
        out["at_night"] = True
    if made.by_day is not None:
        out["by_day"] = instead_json(made.by_day)
    return out


def _plain(grams: float | None) -> Json:
    return int(grams) if grams is not None and grams == int(grams) else grams


def instead_json(one: Instead) -> dict[str, Json]:
    """One thing that can be done instead."""
    out: dict[str, Json] = {"do": one.do, "hours_to_fall": three(one.hours_to_fall), "because": one.because}
    if one.feeding is not None:
        out.update({name: _plain(grams) for name, grams in one.feeding.weights.items()})
    if one.place_c is not None:
        out["place_c"] = one.place_c
    if one.times > 1:
        out["times"] = one.times
    return out


def bake_json(made: BakePlan, at_text: Callable[[float], str]) -> dict[str, Json]:
    """A bake; `at_text` writes a time, as RFC 3339."""
    feedings: list[Json] = [
        {
            "at": at_text(one.at_s),
            **{name: _plain(grams) for name, grams in one.feeding.weights.items()},
            "from": one.source,
            "place_c": one.place_c,
            "ratio": one.feeding.ratio,
            "hours_to_peak": three(one.hours.peak),
            "discard_g": one.discard_g,
            "at_night": one.at_night,
        }
        for one in made.feedings
    ]
    span = made.ready
    ready = {"earliest": span.earliest_s, "likely": span.likely_s, "latest": span.latest_s}
    out: dict[str, Json] = {
        "feedings": feedings,
        "ready": {name: at_text(at_s) for name, at_s in ready.items()},
        "take_g": made.take_g,
        "keep_g": made.keep_g,
        "discard_g": made.discard_g,
        "met": made.met,
        "because": made.because,
        "at_night": made.at_night,
        "cautions": list(made.cautions),
    }
    if made.instead:
        out["instead"] = list(made.instead)
    if made.by_day:
        out["by_day"] = list(made.by_day)
    if made.rest is not None:
        out["rest"] = {"from": at_text(made.rest.from_s), "until": at_text(made.rest.until_s)}
    if made.meanwhile is not None:
        out["meanwhile"] = bake_json(made.meanwhile, at_text)
    return out


def daily_json(daily: Daily) -> dict[str, Json]:
    """Today's feeding of who feeds once a day."""
    return {**plan_json(daily.plan), "sinking_h": three(daily.sinking_h), "line": daily.line}
