"""Lots of flour and seed, both ways."""

from __future__ import annotations

import pytest

from monitor.core.assess.lots import BEFORE, SEED, LotFeeding, contents, got


def fed(jar: str, at_s: float, lot: str | None, seed: str | None = None) -> LotFeeding:
    """1:2:2, so that a fifth of the flour stays from one feeding to the next."""
    return LotFeeding(
        jar=jar, at_s=at_s, flour="rye", flour_lot=lot, seed=seed, starter_g=20, flour_g=40, water_g=40
    )  # fmt: skip


def test_each_feeding_leaves_a_fifth_of_what_was_there() -> None:
    some = {"a": [fed("a", n, f"L{n}") for n in (1, 2, 3)]}
    parts = contents(some, "a", 10.0)
    assert parts == pytest.approx({("rye", "L3"): 0.8, ("rye", "L2"): 0.16, ("rye", "L1"): 0.032, BEFORE: 0.008})
    assert contents(some, "a", 1.5) == pytest.approx({("rye", "L1"): 0.8, BEFORE: 0.2})
    assert contents(some, "a", 0.5) == {BEFORE: 1.0}


def test_a_jar_brings_its_lots_as_seed_and_both_ways_say_so() -> None:
    some = {
        "mother": [fed("mother", 1.0, "L1"), fed("mother", 5.0, "L3")],
        "shelf-1": [fed("shelf-1", 2.0, "L2", seed="mother")],
        "shelf-2": [fed("shelf-2", 2.0, "L2"), fed("shelf-2", 3.0, None, seed="S7")],
    }
    assert contents(some, "shelf-1", 9.0) == pytest.approx({("rye", "L2"): 0.8, ("rye", "L1"): 0.16, BEFORE: 0.04})
    assert contents(some, "shelf-2", 9.0) == pytest.approx({("rye", None): 0.8, (SEED, "S7"): 0.2})
    reached = {one.jar: one for one in got(some, "L1", 9.0)}
    assert set(reached) == {"mother", "shelf-1"}
    assert reached["shelf-1"].by_way_of == "mother"
    assert reached["shelf-1"].part == pytest.approx(0.16)
    assert {one.jar for one in got(some, "L3", 9.0)} == {"mother"}  # the seed was taken before it
    gone = {one.jar: one.part for one in got(some, "L2", 9.0)}
    assert gone["shelf-2"] == 0.0  # it was there, and went out with the starter that was replaced
    assert [one.jar for one in got(some, "S7", 9.0)] == ["shelf-2"]


def test_two_jars_that_seed_each_other_for_years_end() -> None:
    days = 800
    some = {
        "a": [fed("a", float(day), f"A{day}", seed="b") for day in range(days)],
        "b": [fed("b", day + 0.5, f"B{day}", seed="a") for day in range(days)],
    }
    parts = contents(some, "a", 1e9)
    assert sum(parts.values()) == pytest.approx(1.0)
    assert next(iter(parts)) == ("rye", f"A{days - 1}")
