"""A planned bake: its values, the words for the reason, and what to look out for. `bake` finds the feedings."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import phrases
from monitor.core.plan.hours import Hours
from monitor.core.plan.ripeness import Seed
from monitor.core.plan.weighing import LOST, SURE_G, Limits, highest_rise, total_bounds
from monitor.values import H_S, Feeding, Span

LEAN = 20.0  # the leanest levain, where there is little seed
LITTLE_SHARE = 0.2  # of the levain: with less in the jar a baker wonders whether it is enough


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What the dough takes: its flour, and the ripe starter as a percentage of it (baker's percent)."""

    flour_g: float
    levain_pct: float = 20.0

    @property
    def take_g(self) -> int:
        """Ripe starter that goes into the dough."""
        return max(round(self.flour_g * self.levain_pct / 100.0), 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class BakeFeeding:
    """One feeding on the way. `source` says in words what its starter is taken from; `at_night`: its baker would have
    to get up for it."""

    at_s: float
    feeding: Feeding
    source: str
    place_c: float
    hours: Hours
    discard_g: int
    at_night: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """In the fridge from `from_s` on, about an hour after it was fed, until it is fed again at `until_s`."""

    from_s: float
    until_s: float
    already: bool = False  # it is in the fridge now
    waits: bool = True  # it has not begun to rise yet, and waits for that


@dataclass(frozen=True, slots=True, kw_only=True)
class BakePlan:
    """The feedings, when the levain will be ripe (90 %), what the dough takes, what is kept back, the discard in all,
    and what to look out for. `instead` is what can be done where the hour cannot be met; `by_day` is another hour where
    it can, but only with a feeding at night. `rest` is the rest in the fridge on the way; `meanwhile` is the same bake
    with one, where without it the starter would be fed for days only to keep it going."""

    feedings: tuple[BakeFeeding, ...]
    ready: Span
    take_g: int
    keep_g: int
    discard_g: int
    met: bool
    because: str
    cautions: tuple[str, ...] = ()
    instead: tuple[str, ...] = ()
    by_day: tuple[str, ...] = ()
    rest: Rest | None = None
    meanwhile: BakePlan | None = None

    @property
    def at_night(self) -> bool:
        """Whether its baker would have to get up for any of the feedings."""
        return any(one.at_night for one in self.feedings)


def made_g(one: BakeFeeding) -> int:
    """How much a feeding makes, in g."""
    return round(one.feeding.total_g or 0.0)


def lost_g(one: BakeFeeding) -> int:
    """How much of a feeding is lost as gas and on the jar's wall, in g."""
    return math.ceil(LOST * made_g(one))


def left_g(levain: BakeFeeding, recipe: Recipe, keep_g: int) -> int:
    """How much of the levain is left over, in g: the dough does not take it, and it is not kept."""
    return max(made_g(levain) - recipe.take_g - keep_g - lost_g(levain), 0)


def source_words(seed: Seed, clock: Callable[[float], str]) -> str:
    """In words: what the starter of the first feeding is taken from."""
    if seed.fed_at_s is None:
        return "the starter in the jar, ripe"
    return f"the starter in the jar, fed at {clock(seed.fed_at_s)}"


def because_words(
    culture: Culture,
    feedings: Sequence[BakeFeeding],
    likely_s: float,
    wanted_s: float,
    met: bool,
    clock: Callable[[float], str],
) -> str:
    """In words: when the levain is ripe, and what that is based on."""
    basis = "what most starters do" if culture.cycles == 0 else f"{culture.cycles} cycles of this starter"
    said = f"Going by {basis}, the levain ({phrases.about(feedings[-1].feeding)}) is ripe about {clock(likely_s)}"
    if met:
        return f"{said}: time to mix."
    late = "after" if likely_s > wanted_s else "before"
    return f"{said}, {phrases.hours(abs(likely_s - wanted_s) / H_S)} {late} the hour you want; nothing comes nearer."


def rest_words(made: BakePlan, clock: Callable[[float], str]) -> str:
    """In one sentence: what is done with the starter until it is woken."""
    assert made.rest is not None
    until = f"in the fridge, lid loose, until {clock(made.rest.until_s)}"
    if made.rest.already:
        return f"Leave it {until}."
    if made.feedings[0].at_s < made.rest.from_s:
        return f"Feed it at {clock(made.feedings[0].at_s)}, let it begin to rise, an hour or so, and put it {until}."
    when = f"Once it has begun to rise, at about {clock(made.rest.from_s)}, put it" if made.rest.waits else "Put it"
    return f"{when} {until}."


def meanwhile_words(made: BakePlan, clock: Callable[[float], str]) -> str:
    """In words: the same bake with a rest in the fridge, and what that saves."""
    other = made.meanwhile
    assert other is not None
    assert other.rest is not None
    woken = sum(one.at_s >= other.rest.until_s for one in other.feedings)
    saves = f"{len(other.feedings)} feedings instead of {len(made.feedings)}"
    if other.discard_g < made.discard_g:
        saves += f", {other.discard_g} g left over instead of {made.discard_g} g"
    return f"{rest_words(other, clock)} Then feed it {_times(woken)}, the last time as the levain: {saves}."


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _from_to(low: str, high: str) -> str:
    """In words: between two times, naming the day once where it is the same."""
    same_day = low.partition(" ")[2] == high.partition(" ")[2]
    return f"between {low.partition(' ')[0] if same_day else low} and {high}"


def cautions(
    culture: Culture,
    recipe: Recipe,
    feedings: Sequence[BakeFeeding],
    keep_g: int,
    hydration: float,
    limits: Limits,
    seed: Seed,
    low_s: float,
    high_s: float,
    clock: Callable[[float], str],
    one_long: str,
) -> tuple[str, ...]:
    """What to look out for, in whole sentences. `one_long` describes a single feeding that makes all of it from
    little."""
    in_levain_g = round(recipe.take_g / (1.0 + hydration))
    all_g, gone_g = made_g(feedings[-1]), lost_g(feedings[-1])
    over_g = left_g(feedings[-1], recipe, keep_g)
    out = [
        "The hour is that of mixing the dough, not of the oven.",
        f"Of the {all_g} g, {recipe.take_g} g go into the dough and {keep_g} g are kept; about {gone_g} g are lost as "
        f"gas and on the jar's wall{f', {over_g} g over' if over_g else ''}.",
        f"The {recipe.take_g} g of levain hold {in_levain_g} g of flour: if your {recipe.flour_g:g} g are all the "
        f"flour of the dough, add {recipe.flour_g - in_levain_g:g} g to it; if not, the bread is that much larger.",
        f"It may be ready {_from_to(clock(low_s), clock(high_s))}: look at it, and mix when it has about doubled and "
        "its top flattens. Early, it waits an hour or two in a cool place; late, wait for it.",
    ]
    if seed.ripe_at is not None:
        out.append(
            f"What is in the jar is not ripe before about {clock(seed.ripe_at.likely_s)}; don't take from it sooner."
        )
    rises = highest_rise(culture, limits)
    if limits.jar_ml is not None and all_g > total_bounds(culture, replace(limits, ripe_g=None))[1]:
        out.append(f"Your jar is too small for the {all_g} g: it may rise {rises:.1f} times, so take a bowl.")
    if limits.standing_g is not None and limits.standing_g < LITTLE_SHARE * all_g:
        one_g = all_g / (1.0 + LEAN * (1.0 + hydration))
        steps = "one feeding makes" if len(feedings) == 1 else f"{len(feedings)} feedings make"
        less = (
            f" Or one long feeding: {one_long}."
            if len(feedings) > 1 and limits.standing_g >= one_g and one_long
            else ""
        )
        out.append(f"{limits.standing_g:g} g are enough to begin with: {steps} {all_g} g of them.{less}")
    small = min(round(one.feeding.starter_g or 0.0) for one in feedings)
    if small < SURE_G:
        out.append(f"{small} g of starter needs a scale that shows tenths of a gram.")
    out.append("Raw flour and dough are not for tasting.")
    return tuple(out)
