"""`jartide status`, `plan` and the telling commands on a store that a daemon left: what is old, and what was noted."""

from __future__ import annotations

import json
import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.core.display.units import Display
from monitor.daemon.jars import Jars
from monitor.host.lock import StoreLock
from monitor.runs import daemon_status
from monitor.runs.store import Store
from monitor.settings import JarSettings, Settings
from monitor.values import Delivery
from tests.night import EMPTY_MM, night

pytestmark = pytest.mark.dates

CONFIG = f'[[jar]]\nname = "rye"\nempty_mm = {EMPTY_MM}\n\n[store]\npath = "s.db"\n'


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A config, and a store in which a night ended half an hour ago."""
    (tmp_path / "jartide.toml").write_text(CONFIG)
    settings = Settings(jars=(JarSettings(name="rye", empty_mm=EMPTY_MM),))
    ended_s = time.time() - 1800
    things = list(night(every_s=60.0, start_s=ended_s - 12.2 * 3600))
    with Store.open(tmp_path / "s.db") as store:
        store.query("PRAGMA synchronous = OFF")
        jars = Jars(settings, store, Display())
        jars.restore(things[0].received_s)
        jars.take([one for one in store.add(things) if one is not None], ended_s)
        daemon_status.write(store, ended_s, jars.states(ended_s), [], [])
    return tmp_path / "jartide.toml"


def jartide(config: Path, *arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, [*arguments, "--config", str(config)])
    return done.exit_code, done.output


def watched(folder: Path, from_s: float, things: list[Delivery], now_s: float) -> None:
    """A store with a jar that is watched from `from_s` on, in which these readings are taken in."""
    (folder / "jartide.toml").write_text(CONFIG)
    with Store.open(folder / "s.db") as store:
        jars = Jars(Settings(jars=(JarSettings(name="rye", empty_mm=EMPTY_MM),)), store, Display())
        jars.restore(from_s)
        jars.take([one for one in store.add(things) if one is not None], now_s)
        daemon_status.write(store, now_s, jars.states(now_s), [], [])


def test_a_jar_that_was_taken_up_in_the_middle_of_a_cycle_is_not_said_to_be_fed(tmp_path: Path) -> None:
    now_s = time.time()
    things = night(every_s=60.0, start_s=now_s - 7200 - 3 * 3600, hours=5.0)
    watched(tmp_path, now_s - 7200, [one for one in things if one.seq and one.seq > 180], now_s)
    said = jartide(tmp_path / "jartide.toml", "status")[1]
    assert "first seen 1 h 5" in said or "first seen 2 h" in said
    assert "fed" not in said


def test_a_new_sensor_says_what_it_is_waiting_for(tmp_path: Path) -> None:
    now_s = time.time()
    things = [
        replace(one, reading=replace(one.reading, distance_mm=120.0 + k % 3))
        for k, one in enumerate(night(every_s=60.0, start_s=now_s - 1700.0, hours=0.4))
    ]
    watched(tmp_path, now_s - 1800.0, things, now_s)
    said = jartide(tmp_path / "jartide.toml", "status")[1]
    assert "watching    rye" in said
    assert "feed it, and counting begins" in " ".join(said.split())


def test_an_old_level_says_from_when_it_is(house: Path) -> None:
    code, said = jartide(house, "status")
    assert code == 1  # nobody is watching
    assert "FEED NOW    rye" in said
    assert "as of " in said


def test_after_mould_nothing_is_forecast_or_planned_until_a_new_starter(house: Path) -> None:
    assert jartide(house, "note", "rye", "mould")[0] == 0
    said = jartide(house, "status")[1]
    assert "throw all of it away" in said
    assert "about" not in said
    assert json.loads(jartide(house, "status", "--json")[1])["jars"][0]["mould_noted_s"] is not None
    code, said = jartide(house, "plan", "--jar", "rye", "--temperature-c", "22")
    assert code == 1
    assert "throw all of it away" in said
    assert jartide(house, "note", "rye", "new_starter")[0] == 0
    assert "throw" not in jartide(house, "status")[1]
    assert "flour" in jartide(house, "plan", "--jar", "rye", "--temperature-c", "22")[1]


@pytest.mark.parametrize("at", ["2020-01-01T00:00:00Z", "2090-01-01T00:00:00Z", "yesterday"])
def test_a_time_that_cannot_be_meant_is_refused(house: Path, at: str) -> None:
    code, said = jartide(house, "fed", "rye", "--at", at)
    assert code == 2
    assert at in said


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--starter-g", "-25"), "--starter-g"),
        (("--flour-g", "0"), "--flour-g: 0; a feeding adds flour"),
        (("--starter-g", "1e-300"), "--starter-g"),
        (("--flour-g", "0.05"), "neither 0 nor from 0.1 to 20000"),
        (("--water-g", "nan"), "--water-g"),
        (("--water-g", "1e9"), "--water-g"),
        (("--at", "25:00"), "25:00"),
        (("--at", "2099-01-01 08:00"), "in the future"),
        (("--at", "2020-01-01 08:00"), "more than three days ago"),
        (("--flour", "x" * 3000), "at most 2000 are kept"),
    ],
)
def test_a_feeding_that_cannot_be_is_refused_and_not_kept(house: Path, words: tuple[str, ...], says: str) -> None:
    code, said = jartide(house, "fed", "rye", *words)
    assert code == 2
    assert says in said.splitlines()[-1]
    assert jartide(house, "undo", "rye")[0] == 1


def test_a_telling_is_taken_back_by_command(house: Path) -> None:
    code, said = jartide(house, "undo", "rye")
    assert (code, said) == (1, "rye: there is nothing about rye to take back.\n")
    jartide(house, "note", "rye", "mould")
    jartide(house, "fed", "rye", "--starter-g", "25", "--flour-g", "100", "--water-g", "100")
    assert jartide(house, "undo", "rye")[1].startswith("rye: taken back: fed, 1:4:4 (entered for ")
    assert jartide(house, "undo", "rye")[1].startswith("rye: taken back: mould or streaks (entered for ")
    assert "throw" not in jartide(house, "status")[1]
    assert jartide(house, "undo", "rye")[0] == 1
    assert jartide(house, "undo", "oat")[0] == 2


def test_who_reads_fahrenheit_is_told_no_celsius(house: Path) -> None:
    house.write_text(house.read_text() + '[[jar]]\nname = "oat"\n\n[display]\ntemperature = "degF"\n')
    for words in (("assess", "rye"), ("plan", "--jar", "rye"), ("trial", "t", "rye", "oat")):
        said = jartide(house, *words)[1]
        assert "°C" not in said
        assert "°F" in said


def test_what_is_told_while_nobody_watches_says_so_and_is_in_the_status(house: Path) -> None:
    for words, kept in [
        (("fed", "rye", "--starter-g", "25", "--flour-g", "100", "--water-g", "100"), "fed, 1:4:4"),
        (("note", "rye", "hooch"), "liquid on top"),
        (("rest", "rye"), "into the fridge"),
        (("rest", "rye", "--over"), "out of the fridge"),
        (("snooze", "rye", "--hours", "2"), "a snooze of 2 h"),
    ]:
        code, said = jartide(house, *words)
        assert code == 0
        assert "`jartide watch` is not running: this counts when it next starts" in said.splitlines()[0]
        assert f"reported since: rye: {kept} (" in " ".join(jartide(house, "status")[1].split())
    assert jartide(house, "undo", "rye")[1].startswith("rye: taken back: a snooze of 2 h (entered for ")
    assert "snooze" not in jartide(house, "status")[1]
    told = json.loads(jartide(house, "status", "--json")[1])["told_since"]
    assert [one["what"] for one in told] == ["fed, 1:4:4", "liquid on top", "into the fridge", "out of the fridge"]
    with StoreLock(house.parent / "s.db"):
        assert jartide(house, "note", "rye", "hooch")[1].splitlines()[0] == "rye: noted."


@pytest.mark.parametrize("words", [("pink", "streaks"), ("mold",)])
def test_streaks_and_mold_are_pointed_to_mould(house: Path, words: tuple[str, ...]) -> None:
    code, said = jartide(house, "note", "rye", *words)
    assert code == 2
    assert f"are noted as: mould {words[0]}" in said
    assert "there is no nonsense. There is away, back, " in jartide(house, "note", "rye", "nonsense")[1]
    assert "there is no hoch. Did you mean hooch? " in jartide(house, "note", "rye", "hoch")[1]


LOOKS = [
    (("status",), "FEED NOW    rye"),
    (("assess", "rye"), "Fit to bake with"),
    (("runs",), "readings"),
    (("export", "1"), "time,distance_mm"),
    (("review", "1"), "rye"),
    (("plan", "--jar", "rye"), "flour"),
]


@contextmanager
def as_nobody() -> Iterator[None]:
    """Somebody who may read what everybody may, and write nothing here."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.mark.parametrize("watched", [True, False])
def test_who_may_only_read_may_look_but_not_tell(house: Path, tmp_path: Path, watched: bool) -> None:
    with tempfile.TemporaryDirectory(dir="/tmp") as made:
        folder = Path(made)
        for name in ("jartide.toml", "s.db"):
            (folder / name).write_bytes((tmp_path / name).read_bytes())
        config = folder / "jartide.toml"
        with Store.join(folder / "s.db") if watched else nullcontext() as store:
            if watched:
                store.set_meta("a", "row in the log")  # type: ignore[union-attr]
            for path in folder.iterdir():
                path.chmod(0o444)
            folder.chmod(0o555)
            for somebody in (nullcontext, as_nobody):  # what the commands import may be readable by its owner only
                with somebody():
                    for words, says in LOOKS:
                        code, said = jartide(config, *words)
                        assert code in (0, 1), said
                        assert says in said
            with as_nobody():
                code, said = jartide(config, "note", "rye", "hooch")
            assert code == 1
            assert "as a member of the store's group" in said
            folder.chmod(0o755)
            for path in folder.iterdir():
                path.chmod(0o644)
        assert {path.name for path in folder.iterdir()} == {"jartide.toml", "s.db"}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--flour-g", "100"), "no ratio: starter, flour and water are all needed"),
        (("--starter-g", "0", "--flour-g", "100", "--water-g", "100"), "no starter, so no ratio"),
        ((), "rye: feeding noted. `jartide watch`"),
        (("--starter-g", "25", "--flour-g", "100", "--water-g", "1000"), "Water is 1000 % of the flour"),
        (("--starter-g", "25", "--flour-g", "100", "--water-g", "300"), "rye: feeding noted, 1:4:12. `jartide watch`"),
    ],
)
def test_what_is_said_of_the_grams(house: Path, words: tuple[str, ...], says: str) -> None:
    code, said = jartide(house, "fed", "rye", *words)
    assert code == 0
    assert says in said


def test_a_discard_is_noted_with_its_running_total_and_must_say_what_became_of_how_much(house: Path) -> None:
    jartide(house, "note", "rye", "discard", "used", "120")
    assert "Discard so far: 150 g used" in jartide(house, "note", "rye", "discard", "30 g used")[1]
    for text in ("", "used", "120", "sold 120"):
        code, said = jartide(house, "note", "rye", "discard", text)
        assert code == 2
        assert said.startswith("discard: ")
        assert len(said.splitlines()) == 1
    assert "150 g used" in jartide(house, "assess", "rye")[1]
    jartide(house, "note", "rye", "baked")
    assert "Baked with once, last 0 min ago." in jartide(house, "assess", "rye")[1]


@pytest.mark.parametrize(
    "words",
    [
        ("fed", "rye", "--starter-g", "nan"),
        ("snooze", "rye", "--hours", "nan"),
        ("check", "--listen-s", "nan"),
        ("replay", "--empty-mm", "nan", "x.csv"),
        ("simulate", "x.toml", "--hours", "nan", "-o", "x.csv"),
        ("demo", "--seconds", "nan"),
    ],
)
def test_not_a_number_is_none(words: tuple[str, ...]) -> None:
    done = CliRunner().invoke(main, list(words))
    assert done.exit_code == 2
    assert "nan is not a number" in done.output
