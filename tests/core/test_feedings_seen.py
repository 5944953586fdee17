"""Feedings that leave the level where it was are dated by the lid; a collapse is no feeding. All jars are invented
(`tests/bench/feedings.py`, where the same is measured over many). The seeds are those that once went wrong."""

from __future__ import annotations

import pytest

from monitor.values import EventKind
from tests.bench import feedings


@pytest.mark.parametrize("seed", [4, 15, 23, 50])
def test_a_feeding_that_keeps_the_level_is_dated_by_the_opened_lid(seed: int) -> None:
    given, score = feedings.keeping(seed), feedings.Score()
    assert not score.add(given, feedings.seen(given))
    assert score.kept_near >= 1


def test_where_nothing_shows_when_it_was_fed_a_range_says_so() -> None:
    given = feedings.keeping(59)  # sampled each 5 min, and no reading fell into the opening
    event = feedings.seen(given)[1]
    about_s = event.evidence["about_s"]
    assert isinstance(about_s, list)
    first_s, last_s = about_s
    assert isinstance(first_s, int)
    assert isinstance(last_s, int)
    assert first_s <= given.fed_s[1] <= last_s
    assert first_s <= event.happened_at_s <= last_s
    assert event.evidence["sure"] is False


@pytest.mark.parametrize("seed", [8, 11, 43])
def test_a_collapse_is_no_feeding_of_a_jar_that_was_never_fed_again(seed: int) -> None:
    given = feedings.unfed(seed)
    said = feedings.seen(given)
    assert [event.kind for event in said] == [EventKind.FED]
    assert abs(said[0].happened_at_s - given.fed_s[0]) < 600.0
