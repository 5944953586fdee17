"""What a person told, in a few words, for the commands that name it again."""

from __future__ import annotations

from monitor.core.assess import notebook
from monitor.core.display.units import feeding_ratio
from monitor.runs.history import HYDRATIONS
from monitor.values import Fed, Noted, Noting


def words(item: Fed | Noted) -> str:
    """ "fed, 1:4:4", "a snooze of 3 h", "liquid on top", "discard: used 120 g"."""
    if isinstance(item, Fed):
        return f"fed{ratio(item)}"
    return f"a snooze of {item.text} h" if item.what is Noting.SNOOZE else notebook.says(item)


def ratio(item: Fed) -> str:
    """ ", 1:4:4", or why there is none where something was weighed; "" where nothing was."""
    grams = (item.starter_g, item.flour_g, item.water_g)
    if item.starter_g is None or item.flour_g is None or item.water_g is None:
        return "" if grams == (None, None, None) else " (no ratio is known without all of starter, flour and water)"
    made = feeding_ratio(item.starter_g, item.flour_g, item.water_g)
    return f", {made}" if made else " (without starter there is no ratio)"


def doubt(item: Fed) -> str:
    """A sentence for grams that look like a slip of the finger; "" for others. They are taken as they were told."""
    if item.flour_g is None or item.water_g is None:
        return ""
    hydration = item.water_g / item.flour_g
    if HYDRATIONS[0] <= hydration <= HYDRATIONS[1]:
        return ""
    return f" Water is {100.0 * hydration:.0f} % of the flour: if that was a slip, say it again with the right grams."
