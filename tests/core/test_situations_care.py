"""Situations 25 to 48: rest, smells, liquid, water and flour, knocks, the bake, little and much, mould, flies, lids.

What is said and what must not be is common practice, and where the test names one, a published source;
arithmetic is done beside it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from monitor import guide
from monitor.core.assess import answers, resting, taste
from monitor.core.assess.age import age_of
from monitor.core.display.units import Display
from monitor.core.forecast import starter_model as starter_models
from monitor.core.notify.due import due
from monitor.core.plan import bake, feeding
from monitor.core.plan.bake_plan import Recipe
from monitor.core.plan.ripeness import seed_of
from monitor.core.plan.weighing import Limits
from monitor.settings import JarSettings, NoticeSettings
from monitor.values import EventKind, Feeding, Noting, Stage, of_grams
from tests.core.believed import FED, span, state
from tests.core.believed import cycle as open_cycle
from tests.core.believed import note as jar_note
from tests.core.kitchen_stories import DAY, H, T, begun, culture, cycle, holds, judge, note, said
from tests.core.kitchen_stories import daily as days
from tests.core.stories import BEGAN_S, run, story

SATURDAY_9 = datetime.fromisoformat("2026-03-07T09:00:00+00:00").timestamp()


def answer(what: Noting, text: str = "", age_days: float = 700.0) -> str:
    """What a note is answered with, for a starter of that age."""
    age = age_of([], [replace(begun(age_days), time_s=T)], T)
    said = answers.to_one(note(what, text), age, culture())
    return "" if said is None else said.say


def page(topic: str) -> str:
    """A page of the guide on one line."""
    found = guide.page(topic)
    assert found is not None, topic
    return " ".join(found.text.split())


def test_25_a_week_in_the_fridge() -> None:
    said = resting.waking(7.0).say
    holds(said, ["once or twice", "1:2:2 to 1:5:5", "24 °C", "doubles in its usual time"], ("dead", "throw"))
    # and a rest teaches no seven-day cycle
    rested = replace(cycle(0.0, peak_h=168.0, fall_h=170.0, end_h=172.0, ratio=1.5, c=4.0), rested=True)
    before = culture()
    assert starter_models.learn(before, rested).cycles == before.cycles


def test_26_two_months_in_the_fridge() -> None:
    said = resting.waking(60.0).say
    holds(
        said, ["look carefully for mould", "10 to 20 g", "1:2:2", "24 °C", "24 h", "two to four days"], ("bake today",)
    )
    assert "harmless" in said


def test_27_woken_from_flakes() -> None:
    dried = note(Noting.BEGUN, "dried")
    made = judge([cycle(0.0)], 20.0, [dried])
    says = ["after about a day", "three to seven days", "Discard nothing at its first two feedings", "three times"]
    holds(said(made), says, ("did not rise", "flat ", "has not begun"))
    assert judge(days([2.3] * 2), 48.0, [dried]).verdict != "yes"
    assert age_of([], [dried], T).days is None  # no new birthday


def test_28_hooch_once() -> None:
    holds(
        answer(Noting.HOOCH), ["hungry", "harmless in itself", "stir it in or pour it off", "feed"], ("mould", "throw")
    )


def test_29_hooch_every_day_wants_another_feeding_and_not_only_feeding() -> None:
    daily = days([2.5] * 5, 6.5, c=24.0, grams=(50.0, 100.0, 100.0))
    notes = [note(Noting.HOOCH, "", 24.0 * i + 20.0) for i in range(1, 5)]
    text = said(judge(daily, 120.0, notes))
    holds(text, ["1:10:10", "twice", "18 to 22 °C"])
    assert "Hooch means hungry" not in text  # not only "feed it"


def test_30_acetone() -> None:
    holds(answer(Noting.SMELL, "like acetone"), ["hungry", "feed it now", "1:5:5", "earlier"], ("poison", "ruined"))


def test_31_vinegar() -> None:
    holds(answer(Noting.SMELL, "vinegar"), ["overripe", "at its top", "24 to 26 °C", "1:5:5"], ("mould",))


def test_32_cheese_is_the_days_of_the_young_and_unusual_in_the_old() -> None:
    holds(answer(Noting.SMELL, "old cheese", 3.0), ["normal and passes", "go on"], ("safe", "throw"))
    holds(answer(Noting.SMELL, "like vomit"), ["three feedings of 1:5:5", "foul", "throw it away"], ("is safe",))
    assert "Don't taste it" in answer(Noting.SMELL, "like vomit")


def test_33_too_sour() -> None:
    holds(
        answer(Noting.SOUR),
        ["(1:5:5)", "25 to 26 °C", "at its top", "Bakers differ"],
        ("taste raw", "taste the starter"),
    )


def test_34_too_mild() -> None:
    text = answer(Noting.MILD)
    holds(text, ["(1:2:2)", "20 °C", "3 to 5 h past its top", "rye"])  # more than one lever
    peak_h = taste.hours_of(culture(), (20.0,), 5.0, 1.0).peak[1]
    assert 6.0 <= peak_h <= 12.0  # 5.9 to 14 h in the trade's table


def test_of_a_sour_and_a_mild_bread_the_last_is_answered() -> None:
    notes = [note(Noting.SOUR, "", 240.0), note(Noting.MILD, "", 264.0)]
    holds(said(judge(days([2.5] * 12), 265.0, notes)), ["For sourer bread"], ("feed more often and keep less",))


def test_35_a_failed_float_test_says_little() -> None:
    holds(answer(Noting.FLOAT_TEST, "it sank"), ["says little", "doubling and falling the same way"], ("not ready",))
    made = judge(days([2.5, 2.6, 2.5]), 20 * 24.0, [note(Noting.FLOAT_TEST, "sank", 19 * 24.0)])
    assert made.verdict == "yes"


def test_36_water() -> None:
    # San Francisco's water utility (2015): chloramine does not go by standing
    says = ["overnight", "Chloramine stays for days", "carbon filter", "twenty minutes", "other water"]
    holds(answer(Noting.REMARK, "new tap water"), says, ("kills", "unsafe"))


def test_37_bleached_flour() -> None:
    holds(answer(Noting.REMARK, "bleached flour"), ["can work", "unbleached", "a fifth of wholegrain"], ("impossible",))


def test_38_near_the_rim() -> None:
    jar = JarSettings(name="rye", empty_mm=180.0, rim_mm=120.0)
    level = state(5, Stage.RISING).level
    assert level is not None
    believed = state(5, Stage.RISING, level=replace(level, level_mm=108.0), slope_mm_per_h=15.0)
    (made,) = due(believed, {}, NoticeSettings(), jar, believed.now_s)
    holds(made.text, ["about 48 min", "plate", "stir the starter down", "take half", "a third"], ("press the lid",))


def test_39_a_knock_is_no_fall() -> None:
    # five hours on, 2.4 times high, it falls to 1.6 times within two minutes and climbs again
    items = []
    for reading in story(9.0, fed_h=(0.5,)):
        after_h = (reading.time_s - BEGAN_S) / H - 5.5
        lost_mm = 0.0 if after_h < 0.0 else min(after_h * 30.0, 1.0) * 0.8 * 45.0 / 2.4
        items.append(replace(reading, distance_mm=(reading.distance_mm or 0.0) + lost_mm))
    _, events = run(items)
    assert not {EventKind.FALL_BEGAN, EventKind.FED} & {e.kind for e in events if e.happened_at_s > BEGAN_S + 2 * H}
    holds(page("knock"), ["That is not a fall: the starter climbs again", "does not count"])


def test_40_bread_on_saturday_at_nine() -> None:
    now_s = SATURDAY_9 - 30 * H  # Friday 03:00
    fed = replace(cycle(0.0), fed_at_s=now_s - 14 * H, number=3)
    starter = culture(9.0)
    made = bake.bake(
        starter, seed_of(starter, fed, now_s, 22.0), Recipe(flour_g=900.0), now_s=now_s, wanted_s=SATURDAY_9,
        warmth_from=lambda _: (22.0,), awake_at=lambda at_s: 7 * H <= at_s % DAY <= 22 * H,
        clock=lambda at_s: Display().clock(at_s, now_s), keep_g=20,
    )  # fmt: skip
    assert made.met
    assert (made.take_g, made.keep_g) == (180, 20)
    last = made.feedings[-1]
    # arithmetic: 200 g and the two percent that are lost
    assert last.feeding.total_g == pytest.approx(204, abs=3)
    assert all(1.0 <= (one.feeding.flour_g or 0) / (one.feeding.starter_g or 1) <= 10.5 for one in made.feedings)
    assert all(7 * H <= one.at_s % DAY <= 22.25 * H for one in made.feedings)
    assert abs(made.ready.likely_s - SATURDAY_9) <= 1.5 * H
    assert made.ready.earliest_s < made.ready.likely_s < made.ready.latest_s
    for before, after in zip(made.feedings, made.feedings[1:], strict=False):  # never from unripe seed
        assert (after.at_s - before.at_s) / H >= before.hours.peak[1] - 0.5
    unknown = bake.bake(
        starter_models.prior(), seed_of(starter_models.prior(), None, SATURDAY_9 - 12 * H), Recipe(flour_g=900.0),
        now_s=SATURDAY_9 - 12 * H, wanted_s=SATURDAY_9, warmth_from=lambda _: (22.0,), awake_at=lambda _: True,
        clock=lambda at_s: Display().clock(at_s, now_s),
    )  # fmt: skip
    # without history it may be ready from about 05:00 to 15:00
    assert (SATURDAY_9 - unknown.ready.earliest_s) / H == pytest.approx(4.0, abs=1.5)
    assert (unknown.ready.latest_s - SATURDAY_9) / H == pytest.approx(6.0, abs=2.5)
    text = " ".join(made.cautions)
    holds(text, ["that of mixing the dough, not of the oven", "90 g of flour", "810 g"])


def test_41_a_levain_from_little() -> None:
    starter = starter_models.prior()
    for ahead_h, count in ((18.0, 2), (11.5, 1)):
        made = bake.bake(
            starter, seed_of(starter, None, T), Recipe(flour_g=1500.0), now_s=T, wanted_s=T + ahead_h * H,
            warmth_from=lambda _: (24.0,), awake_at=lambda _: True, clock=lambda at_s: Display().clock(at_s, T),
            limits=Limits(standing_g=10.0), keep_g=1,
        )  # fmt: skip
        assert made.feedings[0].feeding.starter_g is not None
        assert made.feedings[0].feeding.starter_g <= 10
        assert (made.feedings[-1].feeding.total_g or 0) >= 300
        assert len(made.feedings) == count
        text = " ".join(made.cautions)
        holds(
            text, ["10 g are enough to begin with", f"{made.feedings[-1].feeding.total_g:g} g of them"], ("buy more",)
        )
        # the trade's: 34+136+136 after 8 h from 10 g in a first feeding, or 10+150+150 after 11 h
        last = made.feedings[-1]
        assert last.hours.peak[1] == pytest.approx(8.0 if count == 2 else 11.0, abs=1.0)
        if count == 2:
            assert last.feeding.grams == pytest.approx((34, 136, 136), abs=2)
            holds(
                text, ["Or one long feeding: keep 10 g, add 149 g flour and 149 g water", "about 11 h before you mix"]
            )
    holds(page("bake"), ["10+25+25, then 34+136+136", "10+150+150"], ("buy more",))


def test_42_a_tiny_keep() -> None:
    fed = of_grams((5, 20, 20))
    made = feeding.what_if(starter_models.prior(), feeding=fed, temperatures_c=(22.0,))
    assert made.least_jar_ml == 150
    holds(
        made.caution or "",
        [
            "45 g",
            "enough for it to live on",
            "jar of 150 ml",
            "5 g needs a careful hand",
            "20 g with 20 g flour",
            "240 ml",
        ],
        ("too small",),
    )
    finer = feeding.what_if(
        starter_models.prior(), feeding=replace(fed, starter_g=2, flour_g=8, water_g=8), temperatures_c=(22.0,)
    )
    holds(finer.caution or "", ["whole grams", "stir 10 g of it into 40 g of water"], ("too small",))
    more = feeding.what_if(
        starter_models.prior(), feeding=replace(fed, starter_g=20, flour_g=20, water_g=20), temperatures_c=(22.0,)
    )
    assert (more.least_jar_ml or 0) <= 240
    holds(more.caution or "", ["60 g is little, and enough for it to live on"], ("too small", "careful hand"))
    usual = feeding.what_if(
        starter_models.prior(), feeding=Feeding(starter_g=25, flour_g=100, water_g=100), temperatures_c=(22.0,)
    )
    assert usual.caution is None
    holds(page("tiny"), ["45 g", "150 ml jar", "careful hand", "20+20+20", "240 ml"], ("too small to live",))


def test_43_discard() -> None:
    # arithmetic: 225 g fed, two percent lost, 25 kept
    assert pytest.approx(195, abs=1) == 225 * 0.98 - 25
    limits = Limits(keep_g=25, standing_g=225 * 0.98)
    made = feeding.plan(starter_models.prior(), target_h=12.0, temperatures_c=(22.0,), limits=limits)
    assert made.discard_g == 195
    for became in ("thrown 195", "used 195"):
        holds(answer(Noting.DISCARD, became), ["acid", "double", "pancakes", "crackers", "waffles", "baked through",
              "never raw"], ("bin",))  # fmt: skip
        young = answer(Noting.DISCARD, became, age_days=4.0)
        holds(young, ["young", "into the bin"], ("pancakes", "waffles"))
    quiet = judge(days([2.5] * 6), 10 * 24.0, [note(Noting.DISCARD, "used 195", 239.0)])
    assert "pancakes" not in said(quiet)  # it was said when it was noted
    holds(page("discard"), ["about 195 g", "acid", "doubles", "pancakes", "crackers", "waffles", "fried through",
          "first two weeks"], ("eat it raw",))  # fmt: skip


@pytest.mark.parametrize("text", ["white fuzz on top", "a pink streak", "orange spots", "black streaks"])
def test_44_and_45_mould_and_streaks_go_into_the_bin(text: str) -> None:
    made = judge(days([2.5] * 6), 10 * 24.0, [note(Noting.MOULD, text, 200.0)])
    assert made.verdict == "no"
    holds(said(made), ["throw all of it away"], ("scrape", "feed it", "only surface"))
    assert made.advice == ()
    for what in (Noting.REMARK, Noting.SMELL):
        holds(answer(what, text), ["throw all of it away"], ("scrape", "hooch"))
    # USDA FSIS, "Molds on Food": do not sniff, clean well
    holds(page("mould"), ["throw all of it away", "Don't scrape", "sniff", "Wash the jar and lid hot"])


def test_45_a_grey_liquid_is_hooch_and_in_doubt_it_is_thrown() -> None:
    holds(answer(Noting.HOOCH, "grey"), ["hooch, not mould", "ask", "in doubt, throw it away"])


def test_46_fruit_flies() -> None:
    holds(answer(Noting.REMARK, "fruit flies around the jar"), ["fine mesh", "loose lid", "trap"], ("pick", "seal it"))
    holds(answer(Noting.REMARK, "larvae inside"), ["throw all of it away"], ("pick", "mesh"))
    # and a starter of which that was written is not called fit
    made = judge(days([2.5] * 6), 30 * 24.0, [note(Noting.REMARK, "larvae inside", 29.5 * 24.0)])
    assert made.verdict == "no"
    holds(said(made), ["larvae inside", "throw all of it away", "take the note back"], ("pick", "mesh", "scrape"))
    outside = judge(days([2.5] * 6), 30 * 24.0, [note(Noting.REMARK, "flies around the jar", 29.5 * 24.0)])
    assert outside.verdict == "yes"
    holds(said(outside), ["fine mesh", "loose lid", "trap"], ("pick", "seal it"))
    none = judge(days([2.5] * 6), 30 * 24.0, [note(Noting.REMARK, "no larvae inside", 29.5 * 24.0)])
    assert none.verdict == "yes"


def test_44_and_45_a_remark_of_streaks_is_as_good_as_a_note_of_them() -> None:
    made = judge(days([2.5] * 6), 30 * 24.0, [note(Noting.SMELL, "odd, and a pink streak", 29.5 * 24.0)])
    assert made.verdict == "no"
    holds(said(made), ["pink streak", "throw all of it away"], ("scrape", "hooch"))


def test_47_a_sealed_jar() -> None:
    holds(answer(Noting.REMARK, "lid clipped"), ["Loosen the lid now", "facing away", "rest"], ("screw", "cloth"))


def test_47_a_sealed_jar_is_said_by_the_judgement_too() -> None:
    noted = note(Noting.REMARK, "lid clipped shut", 240.0)
    rising = [*days([2.5] * 10, c=26.0), cycle(240.0, c=26.0)]
    holds(said(judge(rising, 243.0, [noted])), ["Loosen the lid now", "facing away", "rest"], ("screw", "cloth"))


def test_48_three_weeks_away() -> None:
    holds(page("holiday"), ["20 g starter, 40 g flour, 20 g water", "let it begin to rise", "lid loose", "Dry a spare",
          "two or three feedings"], ("1:100", "must be fed"))  # fmt: skip
    holds(resting.going_in(21).say, ["For 21 days", "20 g, add 40 g flour and 20 g water", "begin to rise", "4 °C",
          "lid loose", "Dry a spare", "two or three times"], ("1:100", "must be fed"))  # fmt: skip
    made = feeding.plan(culture(), target_h=21 * 24.0, temperatures_c=(21.0,))  # and where a plan is asked for it
    assert not made.met
    text = " ".join(f"{one.do}. {one.because}" for one in made.instead)
    holds(text, ["for 21 days keep 20 g, add 40 g flour and 20 g water", "begin to rise", "fridge", "lid loose",
          "Dry a spare", "two or three times"], ("1:100", "must be fed", "every"))  # fmt: skip
    holds(resting.going_in().say, ["let it begin to rise", "4 °C", "lid loose", "stiff", "spare"])


def test_every_piece_of_advice_leads_to_a_page() -> None:
    from monitor.core.assess import remedies

    said = [one for one in vars(answers).values() if isinstance(one, answers.Advice)]
    said += [
        resting.going_in(),
        resting.waking(3.0),
        resting.waking(60.0),
        taste.milder(culture()),
        taste.sourer(culture()),
    ]
    assert len(said) > 12
    topics = {one.guide for one in said}
    source = open(remedies.__file__).read()  # noqa: SIM115
    topics |= {part.split('"')[0] for part in source.split('guide="')[1:]}
    assert [topic for topic in sorted(topics) if guide.page(topic) is None] == []


def test_nothing_is_due_of_a_new_one_on_its_first_day_and_a_cold_one_is_not_overdue() -> None:
    new = jar_note(-1.0, Noting.BEGUN, f"{datetime.fromtimestamp(FED):%Y-%m-%d}")
    flat = state(20, Stage.FLAT)
    assert [n.kind for n in due(flat, {}, NoticeSettings(), JarSettings(name="rye"), flat.now_s, [new])] == []
    from monitor.values import Forecast

    slow = state(30, Stage.RISING, forecast=Forecast(made_at_s=FED, peak_at=span(34), fall_at=span(42)))
    kinds = [n.kind for n in due(slow, {}, NoticeSettings(), JarSettings(name="rye", cycle_h=12.0), slow.now_s)]
    assert "overdue" not in kinds


def test_too_cold_gives_the_grams_for_that_warmth() -> None:
    cold = open_cycle(temperatures_c=(15.0, 14.5, 14.5), feeding=of_grams((25, 100, 100), "white"))
    believed = state(3, Stage.RISING, cycle=cold, temperature_c=14.5)
    (made,) = [
        n for n in due(believed, {}, NoticeSettings(), JarSettings(name="rye"), believed.now_s) if n.kind == "too_cold"
    ]
    holds(made.text, ["of starter to 100 g of flour", "don't feed it before its top"])
    kept = int(made.text.split("it needs ")[1].split(" g")[0])
    assert kept > 25  # more than it was fed with at its usual warmth
