"""`jartide lot`, and who told what, over a store without a daemon."""

from __future__ import annotations

import json
from pathlib import Path

import time_machine
from click.testing import Result

from monitor.runs.run_file import read_feedings
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Fed
from tests.terminal import jartide

NOW_S = 1_772_450_000.0  # 2 March 2026, 11:13 UTC


def kitchen(folder: Path) -> Path:
    config = folder / "jartide.toml"
    config.write_text(
        '[[group]]\nname = "shelf"\nflour = "rye"\n[[jar]]\nname = "shelf-{1..2}"\ngroup = "shelf"\n'
        '[[jar]]\nname = "mother"\nflour = "white"\n[display]\ntime_zone = "UTC"\n'
    )
    with Store.open(folder / "jartide.db") as store:
        for jar in ("shelf-1", "shelf-2", "mother"):
            store.ensure_run(JarSettings(name=jar), NOW_S - 9e5)
    return config


def call(config: Path, *arguments: str, at_h: float = 0.0) -> Result:
    with time_machine.travel(NOW_S + 3600.0 * at_h, tick=False):
        return jartide(arguments[0], "--config", config, *arguments[1:])


def test_a_lot_is_told_once_and_traced_both_ways(tmp_path: Path) -> None:
    config = kitchen(tmp_path)
    grams = ("--starter-g", "20", "--flour-g", "40", "--water-g", "40")
    assert call(config, "lot", "Rye", "R1", "--by", "Mia").output == "Rye: lot R1 since 11:13.\n"
    assert call(config, "fed", "shelf-1", *grams, at_h=1).exit_code == 0
    call(config, "lot", "rye", "R2", at_h=2)
    call(config, "fed", "shelf-1", *grams, at_h=5)
    call(config, "fed", "shelf-2", *grams, "--seed", "shelf-1", "--flour-lot", "R9", at_h=6)
    listed = call(config, "lot", at_h=7).output
    assert listed == "Rye: lot R1 since 11:13 (Mia)\nrye: lot R2 since 13:13\n"
    inside = json.loads(call(config, "lot", "--in", "shelf-2", "--json", at_h=7).output)
    assert {row["lot"]: row["part"] for row in inside["parts"]} == {"R9": 0.8, "R2": 0.16, "R1": 0.032, None: 0.008}
    went = call(config, "lot", "--got", "R1", at_h=7)
    assert went.exit_code == 0
    assert went.output.splitlines() == [
        "Lot R1 went into 2 jars:",
        "  shelf-1: 12:13; now 16.0% of its flour",
        "  shelf-2: 17:13, by way of shelf-1; now 3.2% of its flour",
    ]
    assert call(config, "lot", "--got", "R7", at_h=7).exit_code == 1


def test_lots_and_names_travel_with_an_export(tmp_path: Path) -> None:
    config = kitchen(tmp_path)
    call(config, "lot", "rye", "R1")
    call(config, "fed", "shelf-1", "--flour-g", "40", "--by", "Mia", at_h=1)
    out = tmp_path / "fed.csv"
    done = call(config, "export", "1", "-o", str(tmp_path / "run.csv"), "--feedings", str(out), at_h=2)
    assert done.exit_code == 0, done.output
    (fed,), rejected = read_feedings(out, "shelf-1")
    assert (fed.flour_lot, fed.by, fed.seed, rejected) == ("R1", "Mia", None, [])
    assert out.read_text().splitlines()[0] == "fed_at,starter_g,flour_g,water_g,flour,flour_lot,seed,by"


def test_who_said_it_stands_beside_a_note(tmp_path: Path) -> None:
    config = kitchen(tmp_path)
    call(config, "note", "mother", "smell", "of", "pears", "--by", "Jo")
    assert call(config, "undo", "mother", at_h=0.1).output == (
        "mother: taken back: smell: of pears (Jo) (entered for 11:13).\n"
    )
    with Store.join(tmp_path / "jartide.db") as store:
        store.tell(Fed(time_s=NOW_S, jar="mother", by="Jo"), NOW_S)
        (told,) = [one for one in store.told("mother") if isinstance(one, Fed)]
    assert told.by == "Jo"


def test_two_questions_at_once_are_refused(tmp_path: Path) -> None:
    config = kitchen(tmp_path)
    for arguments in (("lot", "rye", "R1", "--got", "R1"), ("lot", "rye"), ("lot", "--in", "nobody")):
        done = call(config, *arguments)
        assert done.exit_code == 2
        assert len(done.output.strip().splitlines()) == 1
