"""The store's file is deleted, moved away or replaced while the daemon uses it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.daemon import persisted
from monitor.daemon.deleted_store import take_along
from monitor.runs.store import Store
from monitor.settings import StoreSettings
from tests.kitchen import SETTINGS, Kitchen
from tests.night import EMPTY_MM, START_S, night

THINGS = [replace(one, token=number) for number, one in enumerate(night(every_s=60.0, hours=3.0))]


def moved(path: Path) -> None:
    os.rename(path, path.with_name("elsewhere.db"))


def deleted(path: Path) -> None:
    os.link(path, path.with_name("elsewhere.db"))  # the test must be able to put it back
    path.unlink()


def replaced(path: Path) -> None:
    moved(path)
    shutil.copyfile(path.with_name("elsewhere.db"), path)


@pytest.mark.fault("D20")
@pytest.mark.parametrize(("what", "says"), [(moved, "moved away"), (deleted, "deleted"), (replaced, "replaced")])
def test_nothing_is_acknowledged_until_it_is_there_again(
    tmp_path: Path, what: Callable[[Path], None], says: str
) -> None:
    path = tmp_path / "s.db"
    kitchen = Kitchen(path)
    kitchen.live(THINGS[:60])
    kitchen.daemon.flush()
    assert kitchen.source.acknowledged == list(range(60))
    what(path)
    kitchen.live(THINGS[60:160])
    assert kitchen.source.acknowledged == list(range(60))
    assert says in str(kitchen.trouble())
    assert kitchen.store.last_seq() == 60  # nothing goes into a file that nobody finds again
    os.rename(tmp_path / "elsewhere.db", path)
    kitchen.live(THINGS[160:])
    kitchen.daemon.flush()
    assert kitchen.trouble() is None
    assert kitchen.source.acknowledged == list(range(len(THINGS)))
    rows = kitchen.store.query("SELECT device_seq FROM item WHERE told IS NULL ORDER BY seq")
    assert [seq for (seq,) in rows] == [one.seq for one in THINGS]


@pytest.mark.fault("D20")
def test_a_store_that_follows_a_deleted_one_goes_on_with_its_session(tmp_path: Path) -> None:
    """What the broker holds for the one is not lost: it waits for the same client."""
    path, tokens = tmp_path / "s.db", []
    for _ in range(2):
        with Store.open(path) as store:
            tokens.append(persisted.client_token(store))
        path.unlink()
    with Store.open(tmp_path / "another.db") as store:
        another = persisted.client_token(store)
        assert persisted.client_token(store) == another
    assert tokens[0] == tokens[1] != another
    with Store.open(path) as store:
        store.set_meta(persisted.TOKEN_KEY, another)  # it was moved here
        assert persisted.client_token(store) == another


@pytest.mark.fault("D20")
def test_it_is_noticed_within_a_minute_though_nothing_comes(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live(THINGS[:10])
    kitchen.daemon.flush()
    moved(tmp_path / "s.db")
    kitchen.to(START_S + 11 * 60)
    assert "moved away" in str(kitchen.trouble())


@pytest.mark.fault("D20")
def test_what_came_since_begins_the_next_store(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Over a line that sends nothing again: it is not lost with the end of the watch."""
    path = tmp_path / "s.db"
    kitchen = Kitchen(path)
    kitchen.live(THINGS[:60])
    kitchen.daemon.flush()
    path.unlink()
    kitchen.live(THINGS[60:])
    kitchen.daemon.flush()
    settings = replace(SETTINGS, store=StoreSettings(path=path))
    kitchen.store.close()
    take_along(settings, kitchen.daemon.held(), kitchen.wall())
    assert "a new one was begun" in caplog.text
    with Store.open(path) as store:
        rows = store.query("SELECT device_seq FROM item WHERE told IS NULL ORDER BY seq")
        assert [seq for (seq,) in rows] == [one.seq for one in THINGS[60:]]
        assert [run.empty_mm for run in store.runs()] == [EMPTY_MM]
        take_along(settings, kitchen.daemon.held(), kitchen.wall())  # there is a store: it is another matter
        assert len(store.query("SELECT 1 FROM item")) == len(rows)
    path.unlink()
    os.unlink(f"{path}.lock")
    os.mkdir(f"{path}.lock")
    take_along(settings, kitchen.daemon.held(), kitchen.wall())
    assert "could not be stored" in caplog.text
