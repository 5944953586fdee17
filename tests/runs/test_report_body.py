"""What a person may report, from both sides of each bound."""

from __future__ import annotations

import pytest

from monitor.runs.items import LEAST_G, MOST_G, SNOOZE_H
from monitor.runs.report_body import Refused, fed_of, noted_of, snoozed_of, taken_back_of
from monitor.settings import JarSettings
from monitor.values import Noting

RYE = JarSettings(name="rye", flour="rye")
NOW = 1_772_431_200.0


@pytest.mark.parametrize("key", ["starter_g", "water_g"])
@pytest.mark.parametrize("grams", [0, LEAST_G, 25, MOST_G])
def test_grams_that_can_be_are_taken(key: str, grams: float) -> None:
    assert getattr(fed_of({key: grams}, RYE, NOW).feeding, key) == grams


@pytest.mark.parametrize("key", ["starter_g", "flour_g", "water_g"])
@pytest.mark.parametrize("grams", [LEAST_G / 2, -1, MOST_G + 1, "25", True, float("nan"), [25]])
def test_grams_that_cannot_be_are_refused_by_name(key: str, grams: object) -> None:
    with pytest.raises(Refused, match=rf"^{key}: must be "):
        fed_of({key: grams}, RYE, NOW)


def test_a_feeding_adds_flour() -> None:
    assert fed_of({"flour_g": LEAST_G}, RYE, NOW).feeding.flour_g == LEAST_G
    with pytest.raises(Refused, match=r"^flour_g: must be "):
        fed_of({"flour_g": 0}, RYE, NOW)
    assert fed_of({}, RYE, NOW).feeding.flour_g is None
    assert fed_of({}, RYE, NOW).feeding.flour == "rye"  # what the jar is usually fed


def test_how_long_ago_it_was_counts_back_from_now() -> None:
    assert fed_of({"minutes_ago": 90}, RYE, NOW).time_s == NOW - 5400.0
    assert noted_of({"what": "hooch", "minutes_ago": 1}, RYE, NOW).time_s == NOW - 60.0
    for minutes in (-1, 1e9):
        with pytest.raises(Refused, match=r"^minutes_ago: must be "):
            fed_of({"minutes_ago": minutes}, RYE, NOW)


def test_snoozes_and_what_is_taken_back_have_bounds() -> None:
    for hours in SNOOZE_H:
        assert snoozed_of({"hours": hours}, RYE, NOW).text == f"{hours:g}"
    for wrong in (SNOOZE_H[0] - 0.01, SNOOZE_H[1] + 0.01, None):
        with pytest.raises(Refused, match=r"^hours: must be "):
            snoozed_of({"hours": wrong}, RYE, NOW)
    assert taken_back_of({"seq": 1}) == 1
    for seq in (0, 1.5, None):
        with pytest.raises(Refused, match=r"^seq: must be "):
            taken_back_of({"seq": seq})


def test_a_discard_says_what_became_of_how_many_grams() -> None:
    assert noted_of({"what": "discard", "text": "kept 40"}, RYE, NOW).what is Noting.DISCARD
    for text in ("", "kept", "eaten 40", "kept 40 g"):
        with pytest.raises(Refused, match="discard"):
            noted_of({"what": "discard", "text": text}, RYE, NOW)
