"""Cycles that were judged again keep what was told of them: each known one has at most one new number."""

from __future__ import annotations

from monitor.core.detect.superseded import SAME_FEEDING_S
from monitor.runs.corrections import _numbers
from monitor.values import Cycle

T = 1_772_431_200.0


def cycle(number: int, fed_at_s: float) -> Cycle:
    return Cycle(jar="rye", number=number, fed_at_s=fed_at_s)


def test_a_cycle_is_known_by_its_feeding_and_not_by_its_number() -> None:
    known = [cycle(1, T), cycle(2, T + 86_400)]
    now = [cycle(1, T - 86_400), cycle(2, T + 600), cycle(3, T + 86_400 - SAME_FEEDING_S)]
    assert _numbers(known, now) == {1: 2, 2: 3}


def test_one_new_cycle_stands_for_one_old_one_only() -> None:
    known = [cycle(1, T), cycle(2, T + 3600)]  # a feeding that was told beside one that was seen
    assert _numbers(known, [cycle(1, T + 1800)]) == {1: 1, 2: None}
    assert _numbers(known, [cycle(1, T), cycle(2, T + 3600)]) == {1: 1, 2: 2}


def test_a_feeding_too_far_from_any_is_none_of_them() -> None:
    assert _numbers([cycle(1, T)], [cycle(1, T + SAME_FEEDING_S + 1.0)]) == {1: None}
    assert _numbers([cycle(1, T)], [cycle(4, T + SAME_FEEDING_S)]) == {1: 4}
    assert _numbers([cycle(1, T)], []) == {1: None}
