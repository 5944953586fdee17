"""A note that changes the watch, put right where it stands: what was judged because of it is judged again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.core.detect.superseded import not_superseded
from monitor.runs import daemon_status, note_changes
from monitor.values import EventKind, Noted, Noting, Stage
from tests.page_house import Kitchen, over_a_fed_jar, settings_of

BEGIN_S = 1_795_600_000.0


@pytest.fixture
def kitchen(tmp_path: Path) -> Iterator[Kitchen]:
    """A jar that was watched for three hours and then, somebody said, put to rest."""
    made = Kitchen(settings_of(tmp_path, ["rye"]), BEGIN_S)
    goes_on(made, 3.0)
    made.store.tell(rest(made), made.now_s)
    goes_on(made, 0.2)
    assert stage(made) is Stage.RESTING
    yield made
    made.store.close()


def goes_on(kitchen: Kitchen, hours: float) -> None:
    kitchen.go_on(hours, lambda _, at_s: over_a_fed_jar(at_s, BEGIN_S - 3600.0))


def rest(kitchen: Kitchen) -> Noted:
    return Noted(time_s=BEGIN_S + 3.0 * 3600.0, jar="rye", what=Noting.REST, by="Ann")


def stage(kitchen: Kitchen) -> Stage:
    status = daemon_status.read(kitchen.store)
    assert status is not None
    return status.jars[0].stage


def rests(kitchen: Kitchen) -> list[float]:
    events = [one for run in kitchen.store.live_runs("rye") for one in not_superseded(kitchen.store.events(run.id))]
    return [one.happened_at_s for one in events if one.kind is EventKind.REST_BEGAN]


def test_taken_away_the_jar_was_never_at_rest(kitchen: Kitchen) -> None:
    assert note_changes.change(kitchen.store, rest(kitchen), None, kitchen.now_s) is None
    goes_on(kitchen, 0.2)
    assert stage(kitchen) is not Stage.RESTING
    assert rests(kitchen) == []


def test_it_was_earlier(kitchen: Kitchen) -> None:
    earlier_s = BEGIN_S + 2.0 * 3600.0
    new = note_changes.change(kitchen.store, rest(kitchen), "", kitchen.now_s, earlier_s)
    assert new is not None
    assert (new.time_s, new.by) == (earlier_s, "Ann")
    goes_on(kitchen, 0.2)
    assert stage(kitchen) is Stage.RESTING
    assert rests(kitchen) == [earlier_s]


def test_not_ahead_of_the_clock_and_not_after_three_days(kitchen: Kitchen) -> None:
    note = rest(kitchen)
    with pytest.raises(note_changes.CannotChange, match="in the future"):
        note_changes.change(kitchen.store, note, "", kitchen.now_s, kitchen.now_s + 60.0)
    assert note_changes.may_change(note, note.time_s + 71 * 3600.0)
    assert not note_changes.may_change(note, note.time_s + 73 * 3600.0)
    with pytest.raises(note_changes.CannotChange, match="three days"):
        note_changes.change(kitchen.store, note, None, note.time_s + 73 * 3600.0)
