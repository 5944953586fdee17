"""The answer to a note: what a smell, a liquid, a float test, water or bread shows, and what to do. Given right when
the note is made, and again by `assess` for some days. Common practice, except where it says otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from monitor.core.assess import taste
from monitor.core.assess.advice import Advice
from monitor.core.assess.age import NEVER_DAYS, Age
from monitor.core.assess.thrown_away import READ, THROW_AWAY, insects_inside, streaked
from monitor.core.forecast.starter_model import Culture
from monitor.core.plan import phrases
from monitor.core.plan.alternatives import FRIDGE_C, Wish, alternatives
from monitor.core.plan.weighing import Limits, hydration_of
from monitor.values import DAY_S, Noted, Noting, of_grams

DAILY_HOOCH = 3  # notes within the days that count: then it is no single case
USUAL_EVERY_H = 24.0  # between feedings, where the jar has not shown it: once a day
LEANEST = 10.0  # 1:10:10, beyond which it is better to feed more often or to find a cooler place
WARM_C, HOT_C = 22.0, 26.0  # from here a cooler place helps; from here it is the first thing to say
TASTES = (Noting.SOUR, Noting.MILD)
NO = re.compile(r"\b(sank|sunk|sinks|failed|fail|no|not|didn't|did not)\b")

HOOCH_ONCE = Advice(
    say="Hooch means hungry, and is harmless in itself: stir it in or pour it off, and feed it now, and sooner next "
    "time, or keep less starter. It is a thin liquid, clear to grey.",
    guide="hooch",
)
ACETONE = Advice(
    say="A smell of acetone means very hungry: feed it now, about 1:5:5, and earlier from now on. The smell goes "
    "within a feeding or two.",
    guide="acetone",
)
VINEGAR = Advice(
    say="A smell of vinegar means overripe: feed it at its top, at 24 to 26 °C, about 1:5:5, and it turns milder "
    "within a few feedings.",
    guide="vinegar",
)
SICK_YOUNG = Advice(
    say="In the first week a smell of cheese or of vomit is normal and passes: go on feeding, and do not bake "
    "with it yet.",
    guide="smells",
)
SICK_OLD = Advice(
    say="In an old one that is unusual: three feedings of 1:5:5, each at its top. If it still smells foul after "
    "that, or shows any colour, throw it away. Don't taste it.",
    guide="smells",
)
FLOAT = Advice(
    say="The float test says little: a starter that has been stirred or handled sinks, however strong it is. Doubling "
    "and falling the same way each time says more.",
    guide="float",
)
WATER = Advice(
    say="Chlorine leaves if the water stands open overnight. Chloramine stays for days: a carbon filter, or twenty "
    "minutes of boiling, removes it. Try other water in a second jar before you blame the tap; your water is safe to "
    "drink.",
    guide="water",
)
BLEACHED = Advice(
    say="Bleached flour can work, but slower and weaker: unbleached, or a fifth of wholegrain in it, helps.",
    guide="bleached",
)
FLIES_OUTSIDE = Advice(
    say="Fruit flies outside the jar: put fine mesh under the loose lid, and a vinegar trap beside it. If you "
    "ever see flies or larvae inside, throw it away.",
    guide="flies",
)
FLIES_INSIDE = Advice(
    say="Flies or larvae inside: throw all of it away, wash the jar hot, and begin again, from a spare or a new one.",
    guide="flies",
)
GREY = Advice(
    say="A grey or dark liquid on top is hooch, not mould. If you are unsure, ask somebody to look; if still in doubt, "
    "throw it away.",
    guide="hooch",
)
SEALED = Advice(
    say="Loosen the lid now, facing away from you: the gas has to get out. Then only let it rest on the jar.",
    guide="lid",
)
DISCARD = Advice(
    say="Without discarding the jar would at least double with every feeding, and the acid would stay. It makes "
    "pancakes, crackers and waffles: fried or baked through, never raw.",
    guide="discard",
)
DISCARD_YOUNG = Advice(
    say="Without discarding the jar would at least double with every feeding, and the acid would stay. That of "
    "so young a starter goes into the bin: what lives in it is mostly not yeast yet.",
    guide="discard",
)
STREAKED = Advice(say=THROW_AWAY, guide="mould")


def to_one(note: Noted, age: Age | None = None, culture: Culture | None = None) -> Advice | None:
    """The answer to a single note; None for one that needs none."""
    text = note.text.lower()
    if note.what is Noting.MOULD or (note.what in READ and streaked(text)):
        return STREAKED
    if note.what in READ and insects_inside(text):
        return FLIES_INSIDE
    if note.what is Noting.HOOCH:
        return GREY if re.search(r"\b(grey|gray|dark|black)\b", text) else HOOCH_ONCE
    if note.what is Noting.DISCARD:
        return DISCARD_YOUNG if age is not None and (age.young or age.perhaps_young) else DISCARD
    if note.what is Noting.FLOAT_TEST:
        return FLOAT if NO.search(text) else None
    if culture is not None and note.what in (Noting.SOUR, Noting.MILD):
        return taste.milder(culture) if note.what is Noting.SOUR else taste.sourer(culture)
    if note.what in (Noting.SMELL, Noting.REMARK):
        return _by_words(text, age)
    return None


def _by_words(text: str, age: Age | None) -> Advice | None:
    young = age is not None and not age.old and (age.days if age.days is not None else age.watched_days) < NEVER_DAYS
    for words, said in (
        (r"acetone|nail|solvent|varnish|glue", ACETONE),
        (r"vinegar|sharp", VINEGAR),
        (r"chees\w*|sick|vomit|feet|sock\w*|rotten|foul|putrid", SICK_YOUNG if young else SICK_OLD),
        (r"float\w*", FLOAT),
        (r"bleach\w*", BLEACHED),
        (r"water|chlor\w*|tap", WATER),
        (r"fly|flies|gnats?", FLIES_OUTSIDE),
        (
            r"seal\w*|clip(?:s|ped)?|screw\w*|airtight|lid\W+(?:\w+\W+){0,2}(?:shut|tight\w*|closed|bulg\w*)|tight lid",
            SEALED,
        ),
    ):
        if re.search(rf"\b({words})\b", text):
            return said
    return None


def to_all(
    notes: Sequence[Noted], culture: Culture, age: Age, usual_c: float, every_h: float | None
) -> Iterator[Advice]:
    """The answers to the notes of the last days; hooch every day is a different matter than hooch once."""
    hooch = [note for note in notes if note.what is Noting.HOOCH]
    days = {int(note.time_s // DAY_S) for note in hooch}
    if len(days) >= DAILY_HOOCH:
        yield starves(culture, usual_c, every_h or USUAL_EVERY_H, None)
    taste_s = max((note.time_s for note in notes if note.what in TASTES), default=0.0)
    for note in notes:
        if note.what in TASTES and note.time_s < taste_s:
            continue  # it was sour once and has been mild since: the last bread counts
        if note.what is Noting.DISCARD:
            continue  # that was answered when it was noted
        said = to_one(note, age, culture)
        if said is not None and not (note.what is Noting.HOOCH and len(days) >= DAILY_HOOCH):
            yield said


def starves(culture: Culture, usual_c: float, every_h: float, sinking_h: float | None) -> Advice:
    """What to do about a starter that has been hungry for too long day after day: what a plan for its hours offers."""
    limits = Limits()
    wish = Wish(
        culture=culture, target_h=every_h, temperatures_c=(usual_c,), hydration=hydration_of(culture, limits),
        limits=limits,
    )  # fmt: skip
    ways = alternatives(wish, wish.grams(LEANEST))
    twice = next((one for one in ways if one.times > 1), None)
    place = next((one for one in ways if one.place_c is not None and one.place_c != FRIDGE_C), None)
    said = [f"keep less, at the least a tenth of the flour: {phrases.weigh(of_grams(wish.grams(LEANEST)))}"]
    if twice is not None:
        said.append(twice.do)
    if place is not None or usual_c >= WARM_C:
        said.append("keep it at 18 to 22 °C")
    if usual_c >= HOT_C:
        said += ["mix it with water of 10 to 15 °C", "put it into the fridge once it is at its top"]
    how = "day by day" if sinking_h is None else f"for about {phrases.hours(sinking_h)} each time before it is fed"
    return Advice(say=f"It is hungry {how}. One of these: {'; or '.join(said)}.", guide="hungry")
