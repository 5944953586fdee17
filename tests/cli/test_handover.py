"""`jartide handover` and `jartide stagger` over a store with a past."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
import time_machine
from click.testing import Result

from monitor.settings import Settings
from monitor.values import Fed, Noted, Noting, of_grams
from tests.page_house import Kitchen, over_a_fed_jar, settings_of
from tests.terminal import jartide

BEGIN_S = 1_772_424_000.0  # 2 March 2026, 04:00 UTC
JARS = ("s1", "s2", "s3", "s4")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, float]:
    """Four jars of one group, fed at 04:00, told by Mia, at their peaks ten hours later; the config, and the time."""
    folder = tmp_path_factory.mktemp("shift")
    plain = settings_of(folder, JARS)
    settings: Settings = replace(plain, jars=tuple(replace(jar, group="s") for jar in plain.jars))
    kitchen = Kitchen(settings, BEGIN_S, every_s=300.0)

    def distance_mm(_: str, at_s: float) -> float:
        return over_a_fed_jar(at_s, BEGIN_S)

    kitchen.go_on(0.5, distance_mm)
    for jar in JARS:
        told = Fed(time_s=BEGIN_S, jar=jar, feeding=of_grams((20, 100, 100)), by="Mia")
        kitchen.store.tell(told, kitchen.now_s)
    kitchen.go_on(9.5, distance_mm)
    smelt = Noted(time_s=kitchen.now_s - 600.0, jar="s2", what=Noting.SMELL, text="of pears", by="Jo")
    kitchen.store.tell(smelt, kitchen.now_s)
    kitchen.store.close()
    config = folder / "jartide.toml"
    config.write_text(
        '[[group]]\nname = "s"\nempty_mm = 180\nrim_mm = 120\nflour = "rye"\n[[jar]]\nname = "s{1..4}"\ngroup = "s"\n'
        '[display]\ntime_zone = "UTC"\n'
    )
    return str(config), kitchen.now_s


def call(house: tuple[str, float], *arguments: str) -> Result:
    with time_machine.travel(house[1], tick=False):
        return jartide(arguments[0], "--config", house[0], *arguments[1:])


def test_what_happened_who_said_so_and_what_is_due(house: tuple[str, float]) -> None:
    done = call(house, "handover", "--since", "03:30")
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    assert lines[0] == "Since 03:30:"
    assert "  04:00  s1: fed 20 + 100 + 100 g (Mia)" in lines
    assert "  13:50  s2: smell: of pears (Jo)" in lines
    assert sum("s3: at its peak" in line for line in lines) == 1  # refined again and again, said once
    assert any(line.startswith("4 jars to feed within 8 h.") for line in lines)
    assert any("last fed by Mia" in line for line in lines)


def test_later_there_is_less_and_json_has_the_same(house: tuple[str, float]) -> None:
    body = json.loads(call(house, "handover", "--since", "13:30", "--json").output)
    assert [(one["jar"], one["what"], one["by"]) for one in body["happened"] if one["by"]] == [
        ("s2", "smell: of pears", "Jo")
    ]
    assert len(body["due"]["rows"]) == 4


def test_two_ovens(house: tuple[str, float]) -> None:
    done = call(house, "stagger", "s", "--ready", "22:00", "--ready", "23:00", "--json")
    body = json.loads(done.output)
    assert [one["target_h"] for one in body["jars"]] == [8.0, 8.0, 9.0, 9.0]
    text = call(house, "stagger", "s", "--ready", "22:00", "--ready", "23:00")
    assert text.exit_code == done.exit_code
    assert sum("peak 22:00" in line for line in text.output.splitlines()) == 2
    assert "Weigh out: " in text.output


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("stagger", "t"), "GROUP: no jar is in t; there is s"),
        (("stagger", "s", "--ready", "noon"), "--ready: noon; write 05:00"),
        (("stagger", "s", "--ready", "2026-03-01 05:00"), "--ready: 2026-03-01 05:00 is over"),
        (("handover", "--group", "t"), "--group: no jar is in t; there is s"),
    ],
)
def test_a_wrong_call_is_one_line(house: tuple[str, float], arguments: tuple[str, ...], said: str) -> None:
    done = call(house, *arguments)
    assert done.exit_code == 2
    assert said in done.output
    assert len(done.output.strip().splitlines()) == 1
