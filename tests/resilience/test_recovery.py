"""What can be read of a damaged store is read: all but the rows on the pages that are gone."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from monitor.runs import recovery, run_file
from monitor.runs.store import Store, StoreTrouble
from monitor.values import Fed, of_grams
from tests.kitchen import Kitchen
from tests.night import START_S, night
from tests.terminal import jartide

PAGE_BYTES = 4096


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a night in it, events, notices, carries and all, as one file."""
    path = tmp_path_factory.mktemp("sound") / "s.db"
    kitchen = Kitchen(path)
    kitchen.store.tell(Fed(time_s=START_S + 600, jar="rye", feeding=of_grams((25, 100, 100))), START_S)
    kitchen.live(list(night(every_s=60.0)))
    kitchen.daemon.flush()
    kitchen.store.close()
    return path


def seqs(path: Path) -> list[int]:
    with Store.join(path) as store:
        return [seq for (seq,) in store.query("SELECT seq FROM item ORDER BY seq")]


@pytest.mark.fault("D3")
def test_of_a_sound_store_everything_is_read(sound: Path, tmp_path: Path) -> None:
    found = recovery.recover(sound, tmp_path / "new.db")
    assert all(table.whole for table in found)
    with Store.join(sound) as old, Store.join(tmp_path / "new.db") as new:
        for table in found:
            assert new.query(f"SELECT * FROM {table.table}") == old.query(f"SELECT * FROM {table.table}")
            assert table.rows == old.query(f"SELECT count(*) FROM {table.table}")[0][0]
        tables = {name for (name,) in old.query("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    assert tables - {"sqlite_sequence"} == {table.table for table in found}


@pytest.mark.fault("D3")
@pytest.mark.parametrize("kind", ["header", "one page of readings", "the last pages cut off", "with a log"])
def test_damage_costs_what_is_damaged_and_no_more(sound: Path, tmp_path: Path, kind: str) -> None:
    data = bytearray(sound.read_bytes())
    every = seqs(sound)
    path = tmp_path / "broken.db"
    if kind == "header":
        data[:100] = bytes(100)
    elif kind == "one page of readings":
        (page,) = leaf_pages(sound, "item")[3:4]
        data[(page - 1) * PAGE_BYTES : page * PAGE_BYTES] = b"\xa5" * PAGE_BYTES
    elif kind == "the last pages cut off":
        del data[leaf_pages(sound, "item")[4] * PAGE_BYTES - 100 :]
    path.write_bytes(data)
    if kind == "with a log":
        with sqlite3.connect(path) as db:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("UPDATE meta SET value = 'new' WHERE key = 'x'")
    before = path.read_bytes()
    recovery.recover(path, tmp_path / "new.db")
    assert path.read_bytes() == before
    found = seqs(tmp_path / "new.db")
    assert set(found) <= set(every)
    if kind in ("header", "with a log"):
        assert found == every
    elif kind == "one page of readings":
        assert len(every) - 120 <= len(found) < len(every)  # a page of 4 kB holds some 60 readings
        assert found[0] == every[0]
        assert found[-1] == every[-1]
    else:
        assert len(found) > len(every) / 3
    with Store.open(tmp_path / "new.db") as store:  # a store like any other: the daemon takes it up
        assert store.set_aside is None
        assert store.query("PRAGMA integrity_check") == [("ok",)]


def leaf_pages(path: Path, table: str) -> list[int]:
    """Numbers of the table's leaf pages (SQLite file format, section 1.6: byte 0 of a page is 13 for a table's leaf, 5
    for an interior page, whose cells begin with a page number)."""
    data = path.read_bytes()
    with sqlite3.connect(path) as db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    db.close()
    page = data[(root - 1) * PAGE_BYTES : root * PAGE_BYTES]
    assert page[0] == 5
    cells = int.from_bytes(page[3:5], "big")
    places = [int.from_bytes(page[12 + 2 * n : 14 + 2 * n], "big") for n in range(cells)]
    return [int.from_bytes(page[place : place + 4], "big") for place in places]


@pytest.mark.fault("D3")
def test_the_command_leaves_a_store_and_run_files_that_can_be_imported(sound: Path, tmp_path: Path) -> None:
    said = jartide("recover", sound, "-o", tmp_path / "out")
    assert said.exit_code == 0, said.output
    count = len(list(night(every_s=60.0)))
    assert f"run 1 of rye: {count} readings, 1 feedings reported" in said.output
    rows = list(run_file.read(tmp_path / "out" / "run-1.csv").rows())
    assert len(rows) == count
    assert len(run_file.read_feedings(tmp_path / "out" / "run-1.feedings.csv", "rye")[0]) == 1
    again = jartide("recover", sound, "-o", tmp_path / "out")
    assert again.exit_code == 1
    assert "exists already" in again.output
    (tmp_path / "kept").mkdir()
    kept = tmp_path / "kept" / "run-1.csv"
    kept.write_text("another night")
    again = jartide("recover", sound, "-o", kept.parent)
    assert again.exit_code == 2
    assert f"--output: {kept} exists already" in again.output
    assert kept.read_text() == "another night"


@pytest.mark.fault("D3")
def test_of_nothing_nothing_is_read(tmp_path: Path) -> None:
    (tmp_path / "nothing.db").write_bytes(bytes(50_000))
    with pytest.raises(StoreTrouble, match="nothing in it can be read"):
        recovery.recover(tmp_path / "nothing.db", tmp_path / "new.db")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["nothing.db"]
    said = jartide("recover", tmp_path / "none.db", "-o", tmp_path / "out")
    assert said.exit_code == 2
    assert len(said.output.splitlines()) == 1
