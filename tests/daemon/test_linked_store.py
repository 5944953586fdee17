"""A store that is reached by a link: the file, its log and its lock lie together, by whatever name it is called."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from monitor.cli.opening import settings_from
from monitor.config.reader import load
from monitor.host.lock import StoreBusy, StoreLock
from monitor.runs import recovery
from monitor.runs.store import Store
from tests.runs.stored import delivery


def config_with(folder: Path, store: str) -> Path:
    config = folder / "jartide.toml"
    config.write_text(f'[[jar]]\nname = "rye"\n\n[store]\npath = "{store}"\n')
    return config


def killed_and_moved(folder: Path) -> Path:
    """A store of 100 readings as a kill left it, most of them in its log, moved to another disk."""
    card, disk = folder / "card", folder / "disk"
    card.mkdir()
    disk.mkdir()
    with Store.open(card / "jartide.db") as store:
        store.add([delivery(k) for k in range(100)])
        assert (card / "jartide.db-wal").stat().st_size > 0
        for name in ("jartide.db", "jartide.db-wal"):
            shutil.copy(card / name, disk / name)
    return disk / "jartide.db"


@pytest.mark.fault("D21")
def test_a_killed_store_that_was_moved_and_linked_is_whole(tmp_path: Path) -> None:
    real = killed_and_moved(tmp_path)
    (tmp_path / "card" / "linked.db").symlink_to(real)
    settings = load(config_with(tmp_path, "card/linked.db"))
    assert settings.store.path == real
    with Store.open(settings.store.path) as store:
        assert store.set_aside is None
        assert store.last_seq() == 100
    assert (tmp_path / "card" / "linked.db").is_symlink()


@pytest.mark.fault("D21")
@pytest.mark.fault("D8")
def test_one_store_by_two_names_has_one_daemon(tmp_path: Path) -> None:
    real = killed_and_moved(tmp_path)
    (tmp_path / "linked.db").symlink_to(real)
    (tmp_path / "folder").symlink_to(real.parent)
    with StoreLock(load(config_with(tmp_path, str(real))).store.path):
        for name in ("linked.db", "folder/jartide.db"):
            with pytest.raises(StoreBusy), StoreLock(load(config_with(tmp_path, name)).store.path):
                pass
    assert sorted(path.name for path in tmp_path.glob("**/*.lock")) == ["jartide.db.lock"]


@pytest.mark.fault("D21")
def test_a_link_to_what_is_not_there_yet_makes_the_store_where_it_leads(tmp_path: Path) -> None:
    (tmp_path / "linked.db").symlink_to("later.db")
    settings = settings_from(config_with(tmp_path, "linked.db"))
    Store.open(settings.store.path).close()
    assert (tmp_path / "later.db").is_file()
    (tmp_path / "round").symlink_to("round")  # a link to itself is one sentence, not an endless walk
    assert load(config_with(tmp_path, "round")).store.path.name == "round"


@pytest.mark.fault("D21")
def test_what_is_asked_by_a_link_has_its_log_as_well(tmp_path: Path) -> None:
    """A killed store holds its newest readings in its log alone."""
    (tmp_path / "linked.db").symlink_to(killed_and_moved(tmp_path))
    recovery.recover(tmp_path / "linked.db", tmp_path / "recovered.db")
    for path in (tmp_path / "recovered.db", tmp_path / "linked.db"):
        with Store.join(path) as store:
            assert store.last_seq() == 100
