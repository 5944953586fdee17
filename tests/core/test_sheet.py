"""The feeding sheet: order, sums, by when."""

from __future__ import annotations

import pytest

from monitor.core.plan.sheet import MINUTE_A_JAR, SheetJar, sheet, usual_feeding, when_words
from monitor.values import Cycle, Feeding, Stage, of_grams

H_S = 3600.0
WHITE = of_grams((20.0, 100.0, 100.0), "white")
RYE = of_grams((25.0, 50.0, 60.0), "rye")


def jar(
    name: str, due_h: float, *, group: str | None = None, usual: Feeding | None = WHITE, **more: object
) -> SheetJar:
    """Fed ten hours before it is due; the clock stands at 0 h."""
    given: dict[str, object] = {
        "stage": Stage.RISING if due_h > 0 else Stage.FALLING,
        "fed_at_s": (due_h - 10.0) * H_S,
        "fall_at_s": due_h * H_S if due_h <= 0 else None,
        "expected_fall_s": due_h * H_S if due_h > 0 else None,
    }
    return SheetJar(name=name, group=group, usual=usual, **(given | more))  # type: ignore[arg-type]


def test_the_order_is_by_need_and_groups_stay_together() -> None:
    jars = [
        jar("late", 5.0),
        jar("rye-2", 1.4, group="rye", usual=RYE),
        jar("hungry", -2.0),
        jar("white", 1.2),
        jar("rye-1", 1.0, group="rye", usual=RYE),
    ]
    made = sheet(jars, 0.0)
    assert [row.jar for row in made.rows] == ["hungry", "rye-1", "rye-2", "white", "late"]
    assert [row.now for row in made.rows] == [True, False, False, False, False]


def test_the_sums_are_what_is_weighed_out() -> None:
    made = sheet([jar("a", 1.0), jar("b", 1.0), jar("c", 1.0, usual=RYE), jar("new", 1.0, usual=None)], 0.0)
    assert made.flour_g == {"white": 200.0, "rye": 50.0}
    assert (made.water_g, made.starter_g) == (260.0, 65.0)
    assert made.untold == ("new",)


def test_begin_by_leaves_time_for_everyone_before_the_first_is_too_late() -> None:
    """Ten jars fed ten hours before they are due at 3 h: harmless until 5 h (a fifth of ten hours). The tenth is done
    thirty minutes after the beginning, so begin by 4 h 30."""
    made = sheet([jar(f"j{n}", 3.0) for n in range(10)], 0.0)
    assert made.begin_by_s == pytest.approx(5.0 * H_S - 10 * MINUTE_A_JAR * 60.0)
    assert made.done_by_s == pytest.approx(5.0 * H_S)


def test_begin_and_done_are_of_those_due_now_and_say_how_late_they_are() -> None:
    """One jar overdue for eleven hours, one just fed and due in seven."""
    made = sheet([jar("Spelt", -11.5), jar("Rye", 7.0)], 0.0)
    assert made.wave == ("Spelt",)
    assert made.done_by_s == pytest.approx(MINUTE_A_JAR * 60.0)
    assert [row.ahead_words for row in made.rows] == ["12 h overdue", "14 h sooner than usual"]
    words = when_words(made, 12.0, lambda at_s: f"{at_s / 60.0:.0f} min")
    assert words == "2 jars to feed within 12 h. Spelt now: begin by 0 min, be done by 3 min."


def test_too_late_already_means_now() -> None:
    made = sheet([jar("hungry", -9.0)], 0.0)
    assert made.begin_by_s == 0.0


def test_who_waits_and_why() -> None:
    jars = [
        jar("fridge", 1.0, stage=Stage.RESTING),
        jar("away", 1.0, stage=Stage.AWAY),
        jar("later", 20.0),
        jar("fed", 13.0, stage=Stage.SETTLING),
        SheetJar(name="new", stage=Stage.UNKNOWN, fed_at_s=None, fall_at_s=None, expected_fall_s=None),
    ]
    made = sheet(jars, 0.0)
    assert made.rows == ()
    assert {one.jar: one.why for one in made.waiting} == {
        "fridge": "resting",
        "away": "away",
        "later": "due later",
        "fed": "just fed",
        "new": "not watched long enough",
    }
    assert made.begin_by_s is None


def test_without_a_forecast_it_is_due_a_cycle_after_its_feeding() -> None:
    made = sheet([jar("a", 3.0, expected_fall_s=None, fed_at_s=-20.0 * H_S)], 0.0)
    assert made.rows[0].due_s == pytest.approx(4.0 * H_S)


def test_as_usual_is_the_middle_of_the_last_told_ones() -> None:
    """One slip of the finger (1000 g for 100 g) does not change what is usual."""
    grams = [(20, 100, 100), (20, 1000, 100), (20, 100, 100), (None, None, None), (22, 110, 110)]
    cycles = [
        Cycle(jar="a", number=n, fed_at_s=n * 86400.0, feeding=of_grams((s, f, w), "white"))
        for n, (s, f, w) in enumerate(grams)
    ]
    usual = usual_feeding(cycles)
    assert usual is not None
    assert usual.grams == (20, 105, 100)
    assert usual_feeding(cycles[3:4]) is None
