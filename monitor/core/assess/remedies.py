"""What to try, by a starter's age and by what was seen. Common practice throughout, unless it says otherwise; each
piece of advice names the page of the guide that says more.

Asked by `vigour`. The answers to notes are in `answers`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import takewhile
from statistics import fmean, median

from monitor.core.assess import answers, growing, norms, resting
from monitor.core.assess.advice import Advice
from monitor.core.assess.age import YOUNG_DAYS, Age
from monitor.core.assess.thrown_away import condemned
from monitor.core.forecast import growth_rate
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import feeding, phrases
from monitor.core.plan.weighing import Limits
from monitor.values import DAY_S, Cycle, Noted, Noting

RECENT_S = 3 * DAY_S  # a note is answered for about three feedings
THINNED = 0.9  # of its hours: what was washed out is slower than the forecast for a sound one
THINNED_H = (4.0, 48.0)  # bounds of what is then planned for
TOO_HIGH, TELLING_GAIN = (
    2.2,
    0.3,
)  # times its usual gain: sooner foam, mist or a moved jar; for a gain that says something
LIFE_RATIO = 1.15  # a rise that the sensor cannot have made
LIFE_DAYS = 14.0  # a rise within this time still shows that it lives
FALSE_DAYS, FALSE_RATIO = 4.0, 1.5  # gas of the first days is mostly from bacteria of the flour; and how high it lifts
DORMANT_DAYS, DAY_BY_DAY = 3.0, 7.0  # no life by then is usual for a new one; doubling then says that yeast has come
NEVER_S = -1e18  # born before all that was seen
LAST, EVERY_OF, LIFELESS_OF, DAILY_OF = 3, 5, 6, 3  # how many of the latest cycles say what it mostly does
SAME_HYDRATION = 0.15  # a stiffness that differs by less is the same
TOO_EARLY = 1.1  # of its hours to the peak: fed again before this, it was not ripe
EQUAL_PARTS_G = 95  # of starter to 100 g of flour: as much starter as flour
SWINGS_LEAST, SWINGS_C = 4, 3.0  # hours of so many cycles, and this much between the warmest and the coldest
WAKING_FEEDINGS = 2  # after the fridge: before that its rises are not its usual ones
LAGS = 4  # feedings until a culture is used to another flour or stiffness
ERRATIC_SPREAD = 0.15  # of the hours to the peak: about an hour in seven
HUNGRY_H = 13.0  # sinking for so long before each feeding, every day; ten to twelve hours now and then are harmless
SWINGS = 1.25  # hours of the clock differ by so much more than hours with the warmth allowed for


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What is known about a starter when advice is asked for."""

    cycles: Sequence[Cycle]
    shown: Sequence[Cycle]  # those that rose or lay flat, and their rise ratios
    ratios: Sequence[float]
    notes: Sequence[Noted]
    age: Age
    culture: Culture
    spread: float | None
    flagging: str | None
    changed: str | None
    verdict: str
    waiting: bool  # the open cycle is on its way up
    now_s: float

    @property
    def alive(self) -> bool:
        """Whether there was a sign of life within the last two weeks, not counting the false rise of the first days."""
        born_s = self.now_s - self.age.days * DAY_S if self.age.days is not None else NEVER_S
        last_s = min(max((cycle.fed_at_s for cycle in self.shown), default=self.now_s) + DAY_S, self.now_s)
        return any(
            ratio >= LIFE_RATIO
            and last_s - cycle.fed_at_s <= LIFE_DAYS * DAY_S
            and cycle.fed_at_s - born_s > FALSE_DAYS * DAY_S
            for cycle, ratio in zip(self.shown, self.ratios, strict=True)
        )

    @property
    def usual_c(self) -> float:
        """The mean temperature of the last cycles."""
        known = [c for cycle in self.cycles[-LAST:] for c in cycle.temperatures_c if c is not None]
        return fmean(known) if known else growth_rate.USUAL_C

    @property
    def every_h(self) -> float | None:
        """The usual hours between its feedings."""
        ended = [c for c in self.cycles[-EVERY_OF:] if c.ended_at_s is not None and not c.rested]
        return median((c.ended_at_s - c.fed_at_s) / 3600.0 for c in ended if c.ended_at_s) if ended else None


def what_to_try(seen: Seen) -> tuple[Advice, ...]:
    """What to try, the most pressing first; nothing for a starter that goes into the bin."""
    if condemned(seen.notes) is not None:
        return ()  # the verdict already says what to do
    recent = [note for note in seen.notes if seen.now_s - note.time_s < RECENT_S]
    out = list(answers.to_all(recent, seen.culture, seen.age, seen.usual_c, seen.every_h))
    out += _by_age(seen)
    out += _woken(seen)
    out += _washing_out(seen)
    out += _by_rises(seen)
    out += _sinking_long(seen)
    said: dict[str, Advice] = {}
    for one in out:
        said.setdefault(one.say, one)
    return tuple(said.values())


def changed_lately(seen: Sequence[Cycle]) -> str | None:
    """Another flour or stiffness within its last few feedings, in words; None when all is as before."""
    for i in range(max(len(seen) - LAGS, 1), len(seen)):
        before, after = seen[i - 1], seen[i]
        if after.feeding.flour and before.feeding.flour and norms.flour_of(after) != norms.flour_of(before):
            return f"{after.feeding.flour} instead of {before.feeding.flour}"
        was, is_now = before.feeding.hydration, after.feeding.hydration
        if was and is_now and abs(is_now - was) > SAME_HYDRATION:
            return f"{is_now:.0%} hydration instead of {was:.0%}"
    return None


# branches: one advice each, in the order in which they matter
def _by_age(seen: Seen) -> Iterator[Advice]:
    age, ratios = seen.age, seen.ratios
    doubled = sum(round(ratio, 1) >= norms.DOUBLED for ratio in ratios)
    if age.dried and doubled < LAST:
        yield growing.FLAKES
        return
    if age.old or (age.days is None and doubled) or seen.verdict == "yes":
        return
    days = age.least_days
    if age.young:
        yield growing.today(days)
    late = [r for c, r in zip(seen.shown, ratios, strict=True) if seen.now_s - c.fed_at_s < DORMANT_DAYS * DAY_S]
    early = _false_rise(seen)
    if age.days is not None and days < 2.0:
        yield Advice(say="Expect nothing on its first day. Keep it at 24 to 27 °C.", guide="young")
    elif early and days < FALSE_DAYS + 1.0 and (not late or max(late) >= FALSE_RATIO):
        yield Advice(
            say="A rise in the first days is mostly not yeast but bacteria of the flour; it may smell, and then go "
            "quiet. Keep on feeding once a day, and do not bake with it yet.",
            guide="false rise",
        )
    elif age.young and not seen.alive and days >= DORMANT_DAYS:
        yield Advice(
            say="A pause after the first rise is normal: often days, sometimes weeks. Go on feeding once a day; if it "
            "gets thin, feed it every second day, or keep more: 2:1:1 with wholegrain (50 g with 25 g flour and 25 g "
            "water) daily.",
            guide="young",
        )
    elif age.young and doubled and days >= DAY_BY_DAY:
        yield Advice(
            say="It doubled: yeast is likely now. Feed it at each top from now on, and bake when three rises in a row "
            "were alike, about day 10 to 14.",
            guide="young",
        )
    elif days < YOUNG_DAYS + 1.0 and not doubled and seen.alive and not _steady(seen):
        yield Advice(
            say="It shows life: go on feeding. Wholegrain flour and 25 °C help; feed it only after its top.",
            guide="young",
        )
    elif not seen.alive and days < YOUNG_DAYS and (age.days is None or not seen.waiting):
        yield Advice(
            say="If it is a new one, say when it was begun: jartide begun JAR DATE."
            if age.days is None and seen.waiting
            else "If it is a new one, say when it was begun (jartide begun JAR DATE): carry on feeding once a day, at "
            "24 to 28 °C if you can."
            if age.days is None
            else "It is young: carry on feeding once a day, at 24 to 28 °C if you can.",
            guide="young",
        )


def _steady(seen: Seen) -> bool:
    """Whether the three rises before the last were as they should be."""
    own, before = norms.own_rise(seen.ratios) if seen.ratios else 1.0, seen.shown[-4:-1]
    return len(before) == 3 and all(norms.risen(cycle, own) for cycle in before)


def _false_rise(seen: Seen) -> bool:
    """Whether there was a good rise within the first four days, which is a false one."""
    if seen.age.days is None:
        return False
    born_s = seen.now_s - seen.age.days * DAY_S
    return any(
        ratio >= FALSE_RATIO and cycle.fed_at_s - born_s <= FALSE_DAYS * DAY_S
        for cycle, ratio in zip(seen.shown, seen.ratios, strict=True)
    )


def _woken(seen: Seen) -> Iterator[Advice]:
    """Whether it rests in the cold, or is out of it and has not been fed twice since."""
    last = seen.cycles[-1] if seen.cycles else None
    if last is None:
        return
    rests = [note for note in seen.notes if note.what in (Noting.REST, Noting.REST_OVER)]
    latest = max(rests, key=lambda note: note.time_s, default=None)
    if latest is None:
        return
    fed_since = sum(cycle.fed_at_s > latest.time_s for cycle in seen.cycles)
    if latest.what is Noting.REST and fed_since == 0:
        yield Advice(
            say="It is resting in the cold: feed it about once a week, or leave it longer and allow more time to wake "
            "it. When it comes out, say so: jartide rest JAR --over.",
            guide="fridge",
        )
    elif latest.what is Noting.REST_OVER and fed_since < WAKING_FEEDINGS:
        began = [note.time_s for note in rests if note.what is Noting.REST and note.time_s < latest.time_s]
        yield resting.waking((latest.time_s - max(began)) / DAY_S if began else None)


def _washing_out(seen: Seen) -> Iterator[Advice]:
    """Advice where it was fed before its top each time, which makes it thinner every day."""
    cut = list(takewhile(lambda c: _cut_short(seen.culture, c), reversed([c for c in seen.cycles if c.ended_at_s])))
    every_h = seen.every_h
    if len(cut) < 2 or every_h is None:
        return
    here = (seen.usual_c,)
    target_h = min(max(THINNED * every_h, THINNED_H[0]), THINNED_H[1])
    made = feeding.plan(seen.culture, target_h=target_h, temperatures_c=here, limits=Limits())
    starter_g, flour_g, _ = made.grams
    keep = f"keep about {starter_g:g} g" if starter_g < EQUAL_PARTS_G else "keep as much starter as flour, 100 g"
    yield Advice(
        say=f"It was fed before its top {len(cut)} times running, so it gets thinner each time and loses its "
        f"strength. Wait for its top once, however long that takes; then, at {phrases.degrees(seen.usual_c)} and fed "
        f"every {phrases.hours(every_h)}, {keep} to {flour_g:g} g of flour, or find it a warmer place: at 22 °C "
        "it takes about half as long.",
        guide="washing out",
    )


def _cut_short(culture: Culture, cycle: Cycle) -> bool:
    if cycle.ended_at_s is None or cycle.peak_at_s is not None or not cycle.sure or cycle.rested:
        return False
    if not cycle.fed_known:
        return False
    return (cycle.ended_at_s - cycle.fed_at_s) / 3600.0 < TOO_EARLY * norms.due_h(culture, cycle)[1]


# branches: one advice each, in the order in which they matter
def _by_rises(seen: Seen) -> Iterator[Advice]:
    ratios = seen.ratios
    if seen.changed is not None:
        yield Advice(
            say=f"It had a change lately ({seen.changed}): three or four feedings that are slower and lower are usual. "
            "Carry on, and don't compare it with its rises before the change.",
            guide="flour",
        )
    if seen.flagging is not None:
        yield Advice(
            say="It is flagging: feed it at the start of its fall three times running, about 1:5:5. If it was fed "
            "before its top lately, wait for the top instead.",
            guide="flagging",
        )
    if not ratios:
        if _lifeless(seen):
            yield from _no_life(seen)
        return
    usual_gain = median(ratios[:-1]) - 1.0 if len(ratios) > 3 else 0.0
    if usual_gain > TELLING_GAIN and ratios[-1] - 1.0 > TOO_HIGH * usual_gain:
        yield Advice(
            say=f"It seems to have risen {ratios[-1]:.1f} times where {usual_gain + 1.0:.1f} is usual: look at the jar "
            "to see if it did. Mist or foam under the sensor, or a jar that was moved, can look like that; wipe the "
            "sensor and check its empty distance. Little is learnt from such a height.",
            guide="reading the curve",
        )
    last = seen.shown[-1]
    hydration = last.feeding.hydration or 1.0
    own = norms.own_rise(ratios)
    weak = len(ratios) >= 3 and not any(norms.risen(c, own) for c in seen.shown[-3:])
    if hydration >= norms.FOAM_HYDRATION and weak:
        yield Advice(
            say="It is so wet that its height proves nothing. Try some of it thicker: 10 g with 20 g flour and 20 g "
            "water; if that doubles within 10 h at 24 °C, it is strong.",
            guide="hydration",
        )
    elif weak and seen.alive and seen.flagging is None and not seen.age.young:
        yield Advice(
            say="To make it stronger: 25 to 27 °C, a fifth of wholegrain in its flour, and feed it at its top, for "
            "three to five days.",
            guide="weak",
        )
    elif ratios[-1] < norms.LEAST_RISE and _steady(seen):
        yield Advice(
            say="One flat cycle after steady ones says little: was it fed, was the water hot, the flour another, the "
            "place cold, the jar moved? Look whether it rose after all; feed it as ever, and see the next.",
            guide="reading the curve",
        )
    elif seen.verdict != "yes" and ratios[-1] < norms.LEAST_RISE and seen.alive and not seen.age.young:
        yield Advice(
            say="Unbleached or wholegrain flour first, then other water if yours is heavily treated; and feed it at "
            "the start of its fall.",
            guide="weak",
        )
    if _lifeless(seen):
        yield from _no_life(seen)
    if seen.spread is not None and seen.spread > ERRATIC_SPREAD and seen.verdict == "yes":
        yield Advice(
            say="To make it regular: weigh everything, use the same water, and feed it at the same stage each time.",
            guide="reading the curve",
        )
    yield from _swings(seen)


def _lifeless(seen: Seen) -> bool:
    """Whether it is at least two weeks old and nothing rose lately, though some cycles may have been too short to
    judge."""
    if seen.age.least_days < YOUNG_DAYS or seen.alive or seen.waiting:
        return False
    return not any(c.rise_at_s is not None and seen.now_s - c.fed_at_s < LIFE_DAYS * DAY_S for c in seen.cycles)


def _no_life(seen: Seen) -> Iterator[Advice]:
    if seen.usual_c < norms.COLD_C or seen.age.cold:
        yield Advice(
            say=f"Two weeks without a sign of life, but at {phrases.degrees(seen.usual_c)}: move it to 24 to 27 °C and "
            "give it another week before you change anything else.",
            guide="young",
        )
        return
    early = ", and the early rise was not yeast" if _false_rise(seen) else ""
    yield Advice(
        say=f"Two weeks without a sign of life lately{early}: first try another flour, wholegrain rye, which carries "
        "the most yeast; if nothing changes in a week, other water, as chlorine or chloramine can hold yeast back; "
        "after another week, start over with that flour and that water.",
        guide="young",
    )


def _swings(seen: Seen) -> Iterator[Advice]:
    """Whether its hours only differ because the kitchen's temperature does."""
    risen = [c for c in seen.shown[-LIFELESS_OF:] if c.peak_at_s is not None]
    hours = [(c.peak_at_s - c.fed_at_s) / 3600.0 for c in risen if c.peak_at_s is not None]
    if len(hours) >= SWINGS_LEAST and seen.spread is not None and seen.spread <= ERRATIC_SPREAD:
        if max(hours) / min(hours) < SWINGS + seen.spread:
            return
        warm = [fmean(norms.temperatures_of(c)) for c in risen]
        if max(warm) - min(warm) >= SWINGS_C:
            yield Advice(
                say=f"The starter is steady; the kitchen swings, from {phrases.degrees(min(warm))} to "
                f"{phrases.degrees(max(warm))}, so it takes {phrases.between(min(hours), max(hours))}. The "
                "forecast allows for that: go by its hour.",
                guide="swings",
            )


def _sinking_long(seen: Seen) -> Iterator[Advice]:
    """Whether it is fed long after it began to sink, every day."""
    over = [
        (c.ended_at_s - c.fall_at_s) / 3600.0
        for c in seen.cycles[-DAILY_OF:]
        if c.ended_at_s is not None and c.fall_at_s is not None and not c.rested
    ]
    every_h = seen.every_h
    if len(over) < 2 or every_h is None or median(over) <= HUNGRY_H:
        return
    yield answers.starves(seen.culture, seen.usual_c, every_h, median(over))
