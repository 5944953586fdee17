"""A chain of feedings that brings the starter to its peak (or another aim) at a wanted moment, each made from the one
before while that is ripe. Searched from the end to the beginning; `moment` and `bake` make grams and words of it.

Each feeding has an ordinary ratio. The search keeps the cheapest few chains at each step (a beam search). A chain is
cheap if it is near to the baker's usual feeding, has few feedings, and has them when people are awake.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from monitor.core.forecast.starter_model import Culture
from monitor.core.plan.alternatives import ratios_between
from monitor.core.plan.hours import Aim, Hours, WarmthFrom, hours_of
from monitor.core.plan.ripeness import Seed
from monitor.core.plan.waking import STEP_S, AwakeAt
from monitor.values import H_S

KEPT = 24  # chains kept at each step
LONGEST = 12  # feedings: six days of two
MORE_COST, NIGHT_COST = 0.4, 3.0  # for one more feeding, and for one while its baker is asleep
OFF_COST = 0.4  # for each hour that the moment is off the best of the last plateau
WAIT_COST = 0.02  # for each hour before the first feeding: of chains that are alike, the one that begins sooner
FIRST_GUESS_H = 8.0  # of a feeding's hours, from which the search of its time begins
SHARES = (0.0, 0.5, 1.0)  # of the way from peak to start of fall, when the next is fed
AWAKE_SHARE = 0.1  # of its hours: the last feeding may be moved so far to a time at which its baker is awake
LATE_H = 2.0  # the last of SHARES may also lie this long after the start of fall


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One feeding of a chain: when, and parts of flour to one of starter."""

    at_s: float
    parts: float
    hours: Hours


Scored = tuple[float, tuple[Link, ...]]


# branches: a search, with a branch for each way that a feeding can go
def chain(
    culture: Culture,
    seed: Seed,
    *,
    now_s: float,
    wanted_s: float,
    warmth_from: WarmthFrom,
    aim: Aim,
    hydration: float,
    usual: float,
    bounds: tuple[float, float],
    awake_at: AwakeAt | None = None,
    enough: Callable[[tuple[Link, ...]], bool] | None = None,
    last_shares: tuple[float, ...] | None = None,
) -> tuple[Link, ...]:
    """The cheapest chain in the order of its feedings; empty where none reaches from the seed to the moment. `usual` is
    the baker's parts of flour, `bounds` their least and most. `enough` says whether a chain makes as much as is wanted.
    With `last_shares` the moment may lie at any of these shares of the way from peak to fall of the last feeding; the
    first of them is best."""
    known: dict[tuple[float, int], Hours] = {}
    ratios = ratios_between(*bounds) or [usual]

    def hours(parts: float, at_s: float) -> Hours:
        key = (parts, math.floor(at_s / H_S))
        if key not in known:
            known[key] = hours_of(culture, warmth_from(key[1] * H_S), 1.0 + parts * (1.0 + hydration), hydration)
        return known[key]

    def fed_for(parts: float, until_s: float, share: float | None) -> Link:
        """The feeding that reaches its aim (or that share of the way from peak to fall) at `until_s`."""
        at_s = until_s - FIRST_GUESS_H * H_S
        for _ in range(3):  # the warmth depends on the hour; three turns settle it to minutes
            found = hours(parts, at_s)
            if share is None:
                takes_h = found.of(aim)[1]
            else:
                takes_h = found.peak[1] + share * (found.fall[1] - found.peak[1] + (LATE_H if share == 1.0 else 0.0))
            at_s = until_s - H_S * takes_h
        link = Link(at_s=STEP_S * round(at_s / STEP_S), parts=parts, hours=hours(parts, at_s))
        return _while_awake(link, takes_h, awake_at) if share is None else link

    def cost(link: Link) -> float:
        asleep = awake_at is not None and not awake_at(link.at_s)
        return MORE_COST + abs(math.log(link.parts / usual)) + (NIGHT_COST if asleep else 0.0)

    start_s = max(seed.ripe_s, now_s)
    open_chains: list[Scored] = []
    for parts in ratios:
        for share in last_shares or (None,):
            link = fed_for(parts, wanted_s, share)
            plateau_h = link.hours.fall[1] - link.hours.peak[1]
            off_h = 0.0 if share is None or last_shares is None else abs(share - last_shares[0]) * plateau_h
            open_chains.append((cost(link) + OFF_COST * off_h, (link,)))
    best: Scored | None = None
    for _ in range(LONGEST):
        going: list[Scored] = []
        for so_far, links in sorted(open_chains, key=lambda one: one[0])[:KEPT]:
            at_s = links[0].at_s
            if at_s < start_s - STEP_S or (best is not None and so_far >= best[0]):
                continue
            if at_s <= seed.spent_s and (enough is None or enough(links)):
                total = so_far + WAIT_COST * max(at_s - start_s, 0.0) / H_S
                if best is None or total < best[0]:
                    best = (total, links)
                continue
            if at_s < start_s:
                continue
            for parts in ratios:
                for share in SHARES:
                    link = fed_for(parts, at_s, share)
                    going.append((so_far + cost(link), (link, *links)))
        open_chains = _thinned(going)
    if best is None:
        return ()
    first, *rest = best[1]  # rounded to a quarter of an hour, the first may lie just in the past
    return (replace(first, at_s=max(first.at_s, now_s)), *rest)


def _while_awake(link: Link, takes_h: float, awake_at: AwakeAt | None) -> Link:
    """The same feeding at the nearest quarter of an hour at which its baker is awake, if that is near enough; its ratio
    is computed again afterwards, for the time that is left."""
    if awake_at is None or awake_at(link.at_s):
        return link
    steps = math.floor(AWAKE_SHARE * takes_h * H_S / STEP_S)
    for step in sorted(range(-steps, steps + 1), key=abs):
        if awake_at(link.at_s + step * STEP_S):
            return Link(at_s=link.at_s + step * STEP_S, parts=link.parts, hours=link.hours)
    return link


def _thinned(chains: list[Scored]) -> list[Scored]:
    """The cheapest of the chains that begin in the same hour."""
    cheapest: dict[int, Scored] = {}
    for one in chains:
        hour = math.floor(one[1][0].at_s / H_S)
        if hour not in cheapest or one[0] < cheapest[hour][0]:
            cheapest[hour] = one
    return list(cheapest.values())
