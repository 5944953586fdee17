"""Trials on the page: how each stands, with the range of each mean; and to begin, end and forget them."""

from __future__ import annotations

import math
from dataclasses import asdict, replace

from monitor.core.assess.trial import FAIR, Summary, compare
from monitor.core.display.units import Display
from monitor.core.forecast.student_t import t_quantile
from monitor.runs import trials
from monitor.runs.report_body import Refused, label_of, table_of
from monitor.runs.store import Store
from monitor.runs.trials import LEAST_JARS, MOST_JARS, MOST_NAME, CannotTry, TrialRecord
from monitor.settings import Settings
from monitor.values import Json


def all_trials(store: Store, show: Display) -> list[Json]:
    """Every trial that was begun, with how it stands. Raises StoreTrouble."""
    return [_stands(store, one, show) for one in trials.every(store) if len(one.jars) >= LEAST_JARS]


def begin(store: Store, body: object, settings: Settings, now_s: float) -> Json:
    """Begin the trial that a body asks for. Raises Refused and StoreTrouble."""
    given = table_of(body, ("name", "jars"))
    name, jars = label_of(given, "name", MOST_NAME), given.get("jars")
    if not isinstance(jars, list) or not LEAST_JARS <= len(jars) <= MOST_JARS:
        raise Refused(f"jars: must be a list of {LEAST_JARS} to {MOST_JARS} names")
    known = {jar.name for jar in settings.jars}
    for jar in jars:
        if not isinstance(jar, str) or jar not in known:
            raise Refused(f"jars: there is no jar {str(jar)[:60]!r} in the config", 404)
    try:
        begun = trials.begin(store, name, jars, now_s)
    except CannotTry as error:
        raise Refused(str(error), 409) from None
    return {"trial": begun.name, "since_s": begun.since_s}


def end(store: Store, body: object, now_s: float) -> Json:
    """End the one that a body names. Raises Refused and StoreTrouble."""
    try:
        ended = trials.end(store, _name(body), now_s)
    except CannotTry as error:
        raise Refused(str(error), 404) from None
    return {"trial": ended.name, "since_s": ended.since_s}


def forget(store: Store, body: object) -> Json:
    """Forget the one that a body names; its jars and cycles stay. Raises Refused and StoreTrouble."""
    try:
        gone = trials.forget(store, _name(body))
    except CannotTry as error:
        raise Refused(str(error), 404) from None
    return {"trial": gone.name, "since_s": gone.since_s}


def likely_mean(measured: Summary) -> Json:
    """[low, mean, high]: the geometric mean of a measure and its 95 % range (Student's t on the logarithms); None where
    there is only one cycle."""
    if measured.cycles < 2:
        return None
    half = t_quantile(0.975, measured.cycles - 1) * measured.spread / math.sqrt(measured.cycles)
    return [round(measured.mean * math.exp(z), 3) for z in (-half, 0.0, half)]


def _stands(store: Store, record: TrialRecord, show: Display) -> Json:
    counted = trials.cycles(store, record)
    made = compare(counted)
    return {
        "trial": record.name,
        "since_s": record.since_s,
        "until_s": record.until_s if record.ended else None,
        "verdict": show.worded(made.verdict),
        "remarks": [show.worded(remark) for remark in made.remarks],
        "fair": FAIR,
        "jars": [
            {
                "jar": jar,
                "cycles": made.counted(jar),
                **{m: round(s.mean, 3) for m, s in named.items()},
                "spread": {m: likely_mean(s) for m, s in named.items()},
            }
            for jar, named in made.jars.items()
        ],
        "comparisons": [asdict(replace(one, words=show.worded(one.words))) for one in made.comparisons],
    }


def _name(body: object) -> str:
    name = table_of(body, ("name",)).get("name")
    if not isinstance(name, str):
        raise Refused("name: must be the name of a trial")
    return name
