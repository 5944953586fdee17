"""Mistaken reports and events that never happened, as they stand now: which of the corrections still count.

A correction may itself be taken back, and a feeding may be corrected twice: the latest correction counts, and names
what it replaces.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from monitor.values import TakenBack


@dataclass(slots=True)
class Mistakes:
    """`told`: reports made by mistake. `not_so`: names of events that never happened. `standing`: the corrections that
    count, by their place in the order of arrival. `count`: how often anything was taken back."""

    told: set[int] = field(default_factory=set)
    not_so: list[str] = field(default_factory=list)
    standing: dict[int, TakenBack] = field(default_factory=dict)
    count: int = 0


def of(corrections: Iterable[tuple[int, TakenBack]]) -> Mistakes:
    """Resolve (place, what was taken back), in order of arrival."""
    found = Mistakes()
    for seq, one in sorted(corrections, key=lambda pair: pair[0], reverse=True):
        found.count += 1
        if seq in found.told:
            continue
        found.told.update(one.mistakes)
        if one.event is None and one.instead is None:
            continue
        found.standing[seq] = one
        if one.event is not None and one.instead is None:
            found.not_so += one.event.split()
    return found
