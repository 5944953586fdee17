"""Scenarios as text: good ones are read, bad ones get one clear line a problem."""

# ruff: noqa: E501 - a table of whole lines
import pytest

from monitor.simulator.scenario import ACTIONS, FAULTS, read
from monitor.simulator.schema import ScenarioError
from monitor.values import Tapered

LEAST = 'shows = "x"\nhours = 1\n[[jar]]\nname = "a"\n'


def problems(toml):
    with pytest.raises(ScenarioError) as caught:
        read(toml, "s.toml")
    return str(caught.value).splitlines()


def test_the_least_that_can_be_said():
    scenario = read(LEAST)
    assert scenario.jar[0].name == "a"
    assert scenario.jar[0].sensor.kind == "optical"
    assert scenario.starts_s == 1772474400.0  # 2026-03-02T18:00:00Z


def test_everything_is_read():
    scenario = read("""
shows = "all kinds"
hours = 30
seed = 9
starts = 2026-03-02T19:00:00+01:00
[kitchen]
warmest = "15:30"
[kitchen.heating]
from = "06:00"
[[kitchen.windows]]
at = "9h"
[[jar]]
name = "a"
geometry = "tapered 70 90 130"
[[jar.do]]
what = "feed"
daily = "21:00"
days = ["sat", "sun"]
[[jar.do]]
what = "feed"
when = "fallen"
awake_from = "07:00"
[[jar.fault]]
what = "stuck"
at = "1d 2h 30min"
""")
    assert scenario.starts_s == 1772474400.0
    assert scenario.kitchen.warmest_s == 15.5 * 3600
    assert scenario.kitchen.heating.from_s == 6 * 3600
    assert scenario.kitchen.windows[0].at_s == 9 * 3600
    assert scenario.jar[0].geometry == Tapered(bottom_diameter_mm=70, top_diameter_mm=90, height_mm=130)
    assert scenario.jar[0].do[0].days == ("sat", "sun")
    assert scenario.jar[0].do[1].awake_from_s == 7 * 3600
    assert scenario.jar[0].fault[0].at_s == 26.5 * 3600


BAD = [
    ("hours = 1", "hours = -1", ["s.toml: hours = -1: allowed: a number from 0.1 to 9000 h"]),
    ("hours = 1", "hours = true", ["s.toml: hours = true: allowed: a number from 0.1 to 9000 h"]),
    ("hours = 1", 'hours = "long"', ['s.toml: hours = "long": allowed: a number from 0.1 to 9000 h']),
    ("hours = 1", "hours = nan", ["s.toml: hours = nan: allowed: a number from 0.1 to 9000 h"]),
    ("hours = 1", "", ["s.toml: hours: missing; how long it lasts"]),
    ("hours = 1", "hours = 1\nhuors = 2", ["s.toml: huors: no such key; did you mean hours?"]),
    ("hours = 1", "hours = 1\nseed = 1.5", ["s.toml: seed = 1.5: allowed: a whole number from 0 to 4294967295"]),
    ("hours = 1", 'hours = 1\nstarts = "soon"', ['s.toml: starts = "soon": allowed: a time with its zone, without quotes, like 2026-03-02T18:00:00Z']),
    ('name = "a"', 'name = "a/b"', ['s.toml: jar[1].name = "a/b": allowed: 1 to 40 letters, digits, . - and _, beginning with a letter or digit']),
    ('name = "a"', 'name = "a"\nrim_mm = 150', ["s.toml: jar[1].rim_mm = 150: allowed: less than empty_mm, which is 150"]),
    ('name = "a"', 'name = "a"\n[[jar]]\nname = "a"', ['s.toml: jar.name = "a": allowed: one jar per name']),
    ('name = "a"', 'name = "a"\n[jar.sensor]\nkind = "sonar"', ['s.toml: jar[1].sensor.kind = "sonar": allowed: optical, ultrasonic']),
    ('name = "a"', 'name = "a"\n[[jar.do]]\nwhat = "fed"\nat = "1h"', [f's.toml: jar[1].do[1].what = "fed": allowed: {", ".join(ACTIONS)} (did you mean feed?)']),
    ('name = "a"', 'name = "a"\n[[jar.do]]\nwhat = "feed"', ["s.toml: jar[1].do[1]: allowed: exactly one of at, daily and when"]),
    ('name = "a"', 'name = "a"\n[[jar.do]]\nwhat = "feed"\nat = 5', ['s.toml: jar[1].do[1].at = 5: allowed: a time since the start like "90min", "5h" or "2d 3h"']),
    ('name = "a"', 'name = "a"\n[[jar.fault]]\nwhat = "stuck"', ["s.toml: jar[1].fault[1]: allowed: exactly one of at and per_day"]),
    ('name = "a"', 'name = "a"\n[[jar.fault]]\nwhat = "fire"\nat = "1h"', [f's.toml: jar[1].fault[1].what = "fire": allowed: {", ".join(FAULTS)}']),
    ('name = "a"', 'name = "a"\nstarter = 5', ["s.toml: jar[1].starter: allowed: a table"]),
    ('name = "a"', 'name = "a"\ndo = 5', ["s.toml: jar[1].do: allowed: [[jar[1].do]] tables"]),
    ('[[jar]]\nname = "a"\n', "jar = []", ["s.toml: jar: missing; at least one [[jar]]"]),
]  # fmt: skip


@pytest.mark.fault("F4")
@pytest.mark.parametrize(("old", "new", "wanted"), BAD, ids=[wanted[0][8:50] for _, _, wanted in BAD])
def test_a_problem_is_one_line(old, new, wanted):
    assert problems(LEAST.replace(old, new)) == wanted


def test_all_problems_are_said_at_once():
    assert len(problems('hours = 0\nsede = 1\n[kitchen]\nroom_c = 99\n[[jar]]\nname = ""\n')) == 5


def test_what_is_no_toml_is_said():
    (line,) = problems("shows = \n")
    assert line.startswith("s.toml: not TOML: ")
    assert "line 1" in line


def test_a_geometry_without_a_volume_is_refused():
    (line,) = problems(LEAST + 'geometry = "straight"\n')
    assert line == 's.toml: jar[1].geometry = "straight": allowed: with its diameter, like `straight 85`'
