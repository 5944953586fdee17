"""What a person reported, in a few words or as JSON, for the commands that mention it."""

from __future__ import annotations

from monitor.core.assess import notebook
from monitor.core.display.units import NAME_CHARS, one_line
from monitor.runs.history import HYDRATIONS
from monitor.values import Fed, Json, Noted, Noting, TakenBack


def words(item: Fed | Noted | TakenBack) -> str:
    """ "fed, 1:4:4 (Mia)", "a snooze of 3 h", "liquid on top", "discard: used 120 g"."""
    if isinstance(item, TakenBack):
        return notebook.says_was_none(item)
    if isinstance(item, Fed):
        return f"fed{ratio(item)}" + (f" ({one_line(item.by, NAME_CHARS)})" if item.by else "")
    return f"a snooze of {item.text} h" if item.what is Noting.SNOOZE else notebook.says(item)


def as_json(item: Fed | Noted) -> dict[str, Json]:
    """What a person reported, under the names that the page's API has for it; `what` is "fed" or a note's kind."""
    out: dict[str, Json] = {"jar": item.jar, "what": "fed" if isinstance(item, Fed) else item.what.value}
    out |= {"at_s": item.time_s, "by": item.by}
    if isinstance(item, Noted):
        return out | {"text": item.text}
    fed = item.feeding
    weighed: dict[str, Json] = {**fed.weights}
    return out | weighed | {"flour": fed.flour, "ratio": fed.ratio, "flour_lot": item.flour_lot, "seed": item.seed}


def ratio(item: Fed) -> str:
    """ ", 1:4:4", or why there is none although something was weighed; "" if nothing was."""
    fed = item.feeding
    if fed.grams is None:
        return " (no ratio: starter, flour and water are all needed)" if fed.weighed else ""
    return f", {fed.ratio}" if fed.ratio else " (no starter, so no ratio)"


def doubt(item: Fed) -> str:
    """A warning for grams that look like a typing error; "" for others. They are kept as they were reported."""
    hydration = item.feeding.hydration
    if hydration is None or HYDRATIONS[0] <= hydration <= HYDRATIONS[1]:
        return ""
    return f" Water is {100.0 * hydration:.0f} % of the flour: if that was a slip, enter it again with the right grams."
