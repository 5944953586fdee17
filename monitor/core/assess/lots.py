"""Lots of flour and seed, traceable both ways: which lots are in a jar, and which jars a lot went into.

Pure, on feedings as `monitor.runs.lots` finds them; `jartide lot` shows it. Each feeding keeps a part of what was there
before, so that a lot never leaves a jar completely: its part only shrinks, by the starter's share of each feeding. One
step back and one step forward is what Regulation (EC) 178/2002, article 18, requires of people who make food.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from monitor.core.forecast.dilution import USUAL_DILUTION

SEED = "seed"
BEFORE = ("", None)  # the flour that was in the jar before anything was reported


@dataclass(frozen=True, slots=True, kw_only=True)
class LotFeeding:
    """One feeding: the flour and its lot, and the seed where the starter was not the jar's own (a jar or a lot). What
    nobody reported is None."""

    jar: str
    at_s: float
    flour: str | None = None
    flour_lot: str | None = None
    seed: str | None = None
    starter_g: float | None = None
    flour_g: float | None = None
    water_g: float | None = None
    by: str | None = None


Feedings: TypeAlias = Mapping[str, Sequence[LotFeeding]]  # of each jar, in order of time
Part: TypeAlias = tuple[str, str | None]  # (flour, its lot), or (SEED, its lot)
Parts: TypeAlias = dict[Part, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Got:
    """A jar that a lot went into: when, how it first came there, and what part of the jar's flour it is by now."""

    jar: str
    at_s: tuple[float, ...]  # feedings with it; of what came by a jar's seed, when the seed was taken
    by_way_of: str | None  # the jar whose starter brought it
    part: float


def contents(feedings: Feedings, jar: str, at_s: float) -> Parts:
    """The part of a jar's flour that is of each lot at a time, largest first; they add up to one.

    >>> fed = [LotFeeding(jar="a", at_s=n, flour="rye", flour_lot=f"L{n}", starter_g=20, flour_g=40, water_g=40)
    ...        for n in (1, 2)]
    >>> {lot: round(part, 2) for (_, lot), part in contents({"a": fed}, "a", 3).items()}
    {'L2': 0.8, 'L1': 0.16, None: 0.04}
    """
    parts: Parts = {BEFORE: 1.0}
    for one, after in _in_order(feedings, at_s):
        if one.jar == jar:
            parts = after
    return dict(sorted(parts.items(), key=lambda item: -item[1]))


def got(feedings: Feedings, lot: str, now_s: float) -> tuple[Got, ...]:
    """The jars that a lot went into, of flour or of seed, also by way of other jars; the earliest first."""
    times: dict[str, list[float]] = {}
    ways: dict[str, str | None] = {}
    holds: dict[str, float] = {}
    for one, parts in _in_order(feedings, now_s):
        brought = one.seed if one.seed is not None and holds.get(one.seed, 0.0) > 0.0 else None
        if lot in (one.flour_lot, one.seed) or brought is not None:
            times.setdefault(one.jar, []).append(one.at_s)
            ways.setdefault(one.jar, brought)
        holds[one.jar] = sum(part for (_, of), part in parts.items() if of == lot)
    found = [Got(jar=jar, at_s=tuple(some), by_way_of=ways[jar], part=holds[jar]) for jar, some in times.items()]
    return tuple(sorted(found, key=lambda one: (one.at_s[0], one.jar)))


def _in_order(feedings: Feedings, until_s: float) -> Iterator[tuple[LotFeeding, Parts]]:
    """Every feeding of every jar in order of time, with the parts of its jar's flour after it."""
    now: dict[str, Parts] = {}
    every = [one for some in feedings.values() for one in some if one.at_s <= until_s]
    for one in sorted(every, key=lambda one: one.at_s):
        parts = now.get(one.jar, {BEFORE: 1.0})
        if one.seed is not None and one.seed != one.jar:
            parts = now.get(one.seed, {BEFORE: 1.0}) if one.seed in feedings else {(SEED, one.seed): 1.0}
        kept = _kept(one)
        after = {part: kept * share for part, share in parts.items()}
        new = (one.flour or "", one.flour_lot)
        after[new] = after.get(new, 0.0) + 1.0 - kept
        now[one.jar] = after
        yield one, after


def _kept(one: LotFeeding) -> float:
    """The part of the flour that comes from the starter kept, which is about as wet as what it is fed with."""
    if one.starter_g is None or one.flour_g is None or one.water_g is None:
        return 1.0 / USUAL_DILUTION
    total_g = one.starter_g + one.flour_g + one.water_g
    return one.starter_g / total_g if total_g > 0.0 else 1.0
