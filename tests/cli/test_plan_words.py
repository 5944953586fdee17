"""What a plan says to a person: its days and moments are named, a slip is answered with what would be right."""

from __future__ import annotations

import json
import re
from datetime import datetime
from pathlib import Path

import pytest

from monitor.runs import history
from tests.terminal import jartide

pytestmark = pytest.mark.dates

HEADER = ",".join(history.COLUMNS)
STEADY = [f"2026-03-{day:02d}T06:00:00Z,25,100,100,22,9.5,12.8,2.5" for day in range(1, 9)]


@pytest.fixture
def steady(tmp_path: Path) -> Path:
    path = tmp_path / "cycles.csv"
    path.write_text("\n".join((HEADER, *STEADY)) + "\n")
    return path


@pytest.mark.parametrize(("typed", "right"), [("abc", "write one like 24"), ("1,5", "write one like 1.5")])
def test_what_is_no_number_is_answered_with_one(steady: Path, typed: str, right: str) -> None:
    done = jartide("plan", "--history", steady, "--target-hours", typed)
    assert done.exit_code == 2
    assert right in done.stderr
    assert "float" not in done.stderr


def test_ripe_and_peak_are_two_moments_and_both_are_named(steady: Path) -> None:
    words = ("plan", "--history", steady, "--target-hours", 13, "--temperature-c", 22)
    made = json.loads(jartide(*words, "--json").stdout)
    assert made["hours_to_peak"]["likely"] < made["hours_to_highest"]["likely"] < made["hours_to_fall"]["likely"]
    said = jartide(*words).stdout
    for what in ("ripe after about", "at its peak after about", "begins to sink after about", "half sunk after about"):
        assert what in said


def test_a_wanted_moment_is_said_as_people_say_it_and_each_feeding_has_its_day(steady: Path) -> None:
    done = jartide("plan", "--history", steady, "--at", "Saturday 08:00", "--temperature-c", 22)
    assert done.exit_code in (0, 1)
    fed = [line for line in done.stdout.splitlines() if "keep " in line]
    assert all(re.search(r"(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ [A-Z][a-z]{2}, \d\d:\d\d: keep ", line) for line in fed)
    # nobody has to get up at night for it
    hours = [int(re.search(r", (\d\d):", line)[1]) for line in fed[1:]]  # type: ignore[index]
    assert all(7 <= hour <= 22 for hour in hours)


def test_the_grams_of_a_bake_add_up_with_what_is_lost(steady: Path) -> None:
    at = f"{datetime.fromtimestamp(datetime.now().timestamp() + 30 * 3600):%Y-%m-%d %H:%M}"
    words = ("bake", "--history", steady, "--at", at, "--flour-g", 900, "--temperature-c", 22)
    made = json.loads(jartide(*words, "--json").stdout)
    (said,) = [one for one in made["cautions"] if one.startswith("Of the ")]
    whole, take, keep, lost, *over = map(int, re.findall(r"(\d+) g", said))
    last = made["feedings"][-1]
    assert whole == last["starter_g"] + last["flour_g"] + last["water_g"]
    assert (take, keep) == (made["take_g"], made["keep_g"])
    assert take + keep + lost + sum(over) == whole
