"""Judging by commands, from recorded weeks on: a dead starter, a young one with a false start, one in decline.

The weeks are invented or simulated; what is to be said of them is common practice among bakers (no source): two weeks
without a sign of life, start over; under two weeks with one, carry on."""

from __future__ import annotations

import json
import random
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.runs import run_file
from monitor.runs.store import Store
from tests.night import EMPTY_MM, level_mm
from tests.terminal import jartide

pytestmark = pytest.mark.dates

H_S, DAY_S = 3600.0, 86400.0
RUNS = Path(__file__).parents[2] / "simulated_runs"
GRAMS = "25,100,100,white"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    Store.open(tmp_path / "s.db").close()
    path = tmp_path / "jartide.toml"
    path.write_text(f'[store]\npath = "s.db"\n\n[[jar]]\nname = "jar"\nempty_mm = {EMPTY_MM}\nflour = "white"\n')
    return path


def text(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%dT%H:%M:%SZ}"


def take_in(config: Path, rows: list[str], feedings: list[str], empty_mm: float = EMPTY_MM) -> None:
    """Import a week as a run file with its feedings, as a person does."""
    file, fed = config.with_name("run.csv"), config.with_name("fed.csv")
    head = [f"# jar: jar\n# empty_mm: {empty_mm:g}\ntime,distance_mm,temperature_c"]
    file.write_text("\n".join([*head, *rows]) + "\n")
    fed.write_text("\n".join(["fed_at,starter_g,flour_g,water_g,flour", *feedings]) + "\n")
    done = jartide("import", "--config", config, "--feedings", fed, file)
    assert done.exit_code == 0, done.output


def days(config: Path, rises: list[float], seed: int = 3) -> None:
    """So many days up to now, fed once a day, with the lid off for 5 min; each rises by its share of the usual rise."""
    chance = random.Random(seed)
    began_s = time.time() - (len(rises) + 0.2) * DAY_S
    rows, fed = [], []
    for day, rise in enumerate(rises):
        for k in range(288):
            since_h = k / 12.0
            mm = EMPTY_MM - 40.0 - rise * (level_mm(since_h) - 40.0 if since_h < 14 else 6.0)
            mm = 8190.0 if k == 0 else round(mm + chance.gauss(0.0, 0.7), 1)
            rows.append(f"{text(began_s + day * DAY_S + k * 300.0)},{mm},23.0")
        fed.append(f"{text(began_s + day * DAY_S)},{GRAMS}")
    take_in(config, rows, fed)


def assessed(config: Path) -> dict[str, Any]:
    body: dict[str, Any] = json.loads(jartide("assess", "jar", "--config", config, "--format", "json").stdout)
    del body["watched_days"]  # goes on while the test runs
    return body


def test_three_weeks_of_a_dead_starter_are_kept_as_flat_cycles_and_it_is_told_to_start_over(config: Path) -> None:
    days(config, [0.0] * 21)
    with Store.join(config.with_name("s.db")) as store:
        (run,) = store.runs()
        told = [cycle for cycle in store.cycles(run.id) if cycle.told]
    assert len(told) == 21
    assert all(cycle.ended_at_s is not None for cycle in told[:-1])
    made = assessed(config)
    assert made["verdict"] == "no"
    assert made["rise_ratio"] == 1.0
    assert any("start over" in advice["say"] for advice in made["advice"])
    assert not any("carry on" in advice["say"] for advice in made["advice"])


def test_under_two_weeks_it_is_told_to_carry_on(config: Path) -> None:
    days(config, [0.0] * 6)
    made = assessed(config)
    assert any("carry on" in advice["say"] for advice in made["advice"])
    assert not any("start over" in advice["say"] for advice in made["advice"])


def test_a_false_start_is_a_sign_of_life_and_fit_it_is_not(config: Path) -> None:
    """The first nine days of the simulated new starter: a rise on day 2 that is not the yeast's, then nothing."""
    opened = run_file.read(RUNS / "new_starter.csv")
    readings = [reading for _, reading in opened.rows()]
    shift_s = time.time() - 9.0 * DAY_S - readings[0].time_s
    rows = [
        f"{text(one.time_s + shift_s)},{'' if one.distance_mm is None else one.distance_mm},{one.temperature_c or ''}"
        for one in readings
        if one.time_s < readings[0].time_s + 9.0 * DAY_S
    ]
    fed, _ = run_file.read_feedings(RUNS / "new_starter.feedings.csv", "jar")
    told = [
        f"{text(one.time_s + shift_s)},{one.feeding.starter_g},{one.feeding.flour_g},{one.feeding.water_g},white"
        for one in fed[:9]
    ]
    assert opened.empty_mm is not None
    take_in(config, rows, told, opened.empty_mm)
    made = assessed(config)
    assert made["verdict"] != "yes"
    assert any("carry on" in advice["say"] for advice in made["advice"])


def test_a_lively_one_is_fit_and_its_decline_is_flagging(config: Path) -> None:
    days(config, [1.1] * 8)
    made = assessed(config)
    assert made["verdict"] == "yes"
    assert made["flagging"] is None
    assert jartide("assess", "jar", "--config", config).exit_code == 0


def test_a_night_that_is_taken_in_again_counts_once(config: Path) -> None:
    """As it was exported, as a copy that was edited, and without its feedings, which are then seen some minutes off."""
    days(config, [1.1] * 2)
    before = assessed(config)
    assert before["cycles"] == 2
    again, fed = config.with_name("again.csv"), config.with_name("fed_again.csv")
    done = jartide("export", "--config", config, 1, "-o", again, "--feedings", fed)
    assert done.exit_code == 0, done.output
    for extra in ([], ["--feedings", fed]):
        again.write_text(again.read_text() + "\n")  # another file than before
        done = jartide("import", "--config", config, again, *extra)
        assert done.exit_code == 0, done.output
        assert "overlaps run 1" in done.stdout
        assert assessed(config) == before
    days(config, [1.1] * 5)
    assert assessed(config)["cycles"] == 5  # three days that were new, and the two once


def test_a_decline_is_flagging(config: Path) -> None:
    days(config, [1.1] * 8 + [0.5] * 4)
    made = assessed(config)
    assert made["verdict"] != "yes"
    assert "lower" in made["flagging"]


def test_hooch_and_streaks_and_what_was_baked_are_used(config: Path) -> None:
    days(config, [1.1] * 7)
    assert jartide("note", "jar", "hooch", "--config", config).exit_code == 0
    assert any("hungry" in advice["say"] for advice in assessed(config)["advice"])
    jartide("note", "jar", "baked", "--config", config)
    assert assessed(config)["baked"] == 1
    said = jartide("note", "jar", "mould", "pink streaks", "--config", config).stdout
    assert "throw all of it away" in said
    made = assessed(config)
    assert made["verdict"] == "no"
    assert "throw all of it away" in made["because"]
    jartide("undo", "jar", "--config", config)
    assert (made := assessed(config))["verdict"] == "yes", made["because"]


def test_another_starter_is_judged_from_its_own_first_day(config: Path) -> None:
    days(config, [0.0] * 15)
    assert any("start over" in advice["say"] for advice in assessed(config)["advice"])
    jartide("note", "jar", "new_starter", "--config", config)
    made = assessed(config)
    assert made["cycles"] == 0
    assert any("carry on" in advice["say"] for advice in made["advice"])
    plan = json.loads(jartide("plan", "--jar", "jar", "--config", config, "--format", "json").stdout)
    assert "cycles of this starter" not in plan["because"]
