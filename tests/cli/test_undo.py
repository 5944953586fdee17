"""`jartide undo` and `jartide fed --corrects`: what was seen and was none, and past feedings put right, as a story of
commands: the daemon takes it up at its next start, and a file that is exported says it too."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import main
from monitor.core.display.units import Display
from monitor.daemon.jars import Jars
from monitor.runs import daemon_status
from monitor.runs.rfc3339 import parse
from monitor.runs.store import Store
from monitor.settings import JarSettings, Settings
from monitor.values import Reading
from tests.night import EMPTY_MM, level_mm, night

pytestmark = pytest.mark.dates

CONFIG = f"""[[jar]]
name = "rye"
empty_mm = {EMPTY_MM}

[store]
path = "s.db"

[display]
time_zone = "UTC"
"""
SETTINGS = Settings(jars=(JarSettings(name="rye", empty_mm=EMPTY_MM),))


def watched(folder: Path, now_s: float) -> dict[str, object]:
    """The daemon starts, takes up what was told, and says what it believes; what `status` shows of it."""
    with Store.open(folder / "s.db") as store:
        jars = Jars(SETTINGS, store, Display())
        jars.restore(now_s)
        daemon_status.write(store, now_s, jars.states(now_s), [], [])
        state = jars.states(now_s)[0]
    assert state.cycle is not None
    return {"stage": state.stage.value, "number": state.cycle.number, "fed_at_s": state.cycle.fed_at_s,
            "grams": state.cycle.feeding.grams}  # fmt: skip


def misted(since_h: float, reading: Reading) -> Reading:
    """Mist on the sensor for four minutes."""
    return replace(reading, distance_mm=8190.0) if 5.0 <= since_h < 5.07 else reading


def blind(since_h: float, reading: Reading) -> Reading:
    """No surface seen for an hour."""
    return replace(reading, distance_mm=8190.0) if 5.0 <= since_h < 6.0 else reading


def draughty(since_h: float, reading: Reading) -> Reading:
    """A draught cools the sensor for two hours; the jar stands in the kitchen."""
    return replace(reading, temperature_c=8.0) if 4.0 <= since_h < 6.0 else reading


def lived(tmp_path: Path, seen: Callable[[float, Reading], Reading] = lambda since_h, reading: reading) -> Path:
    """A config, and a store in which a night ended half an hour ago: fed, risen, sinking."""
    (tmp_path / "jartide.toml").write_text(CONFIG)
    ended_s = time.time() - 1800.0
    begin_s = ended_s - 12.2 * 3600.0
    things = [
        replace(thing, reading=seen((thing.received_s - begin_s) / 3600.0, thing.reading))
        for thing in night(every_s=60.0, start_s=begin_s)
    ]
    with Store.open(tmp_path / "s.db") as store:
        store.query("PRAGMA synchronous = OFF")
        jars = Jars(SETTINGS, store, Display())
        jars.restore(things[0].received_s)
        jars.take([one for one in store.add(things) if one is not None], ended_s)
    watched(tmp_path, ended_s)
    return tmp_path


@pytest.fixture
def house(tmp_path: Path) -> Path:
    return lived(tmp_path)


def jartide(folder: Path, *arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, [*arguments, "--config", str(folder / "jartide.toml")])
    return done.exit_code, done.output


def replayed(folder: Path) -> list[dict[str, object]]:
    """The run, exported with its feedings and replayed."""
    run, fed = folder / "run.csv", folder / "fed.csv"
    for path in (run, fed):
        path.unlink(missing_ok=True)
    assert jartide(folder, "export", "1", "--output", str(run), "--feedings", str(fed))[0] == 0
    done = CliRunner().invoke(main, ["replay", str(run), "--feedings", str(fed), "--format", "jsonl"])
    assert done.exit_code == 0
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_a_feeding_that_was_none(house: Path) -> None:
    before = watched(house, time.time())
    assert (before["stage"], before["number"]) == ("falling", 1)
    code, said = jartide(house, "undo", "rye", "feeding")
    assert code == 0
    assert said.startswith("rye: noted: that was no feeding. `jartide watch` is not running")
    after = watched(house, time.time())
    assert after["number"] == 0
    assert "fed" not in {event["kind"] for event in replayed(house)}
    assert jartide(house, "undo", "rye")[1].startswith("rye: taken back: that was no feeding")
    assert watched(house, time.time()) == before
    assert "fed" in {event["kind"] for event in replayed(house)}


@pytest.mark.parametrize(
    ("seen", "what", "kinds", "words"),
    [
        (misted, "lid", {"lid_off", "lid_on"}, "the lid was not off"),
        (blind, "away", {"jar_away", "jar_back"}, "the jar was not away"),
        (draughty, "rest", {"rest_began"}, "it was not resting"),
    ],
)
def test_a_lid_an_absence_a_rest_that_was_none(
    tmp_path: Path, seen: Callable[[float, Reading], Reading], what: str, kinds: set[str], words: str
) -> None:
    folder = lived(tmp_path, seen)
    begun_s = time.time() - 13.0 * 3600.0

    def late(events: list[dict[str, object]]) -> set[object]:
        """After the feeding, at which the lid was off."""
        return {event["kind"] for event in events if parse(str(event["happened_at"])) > begun_s + 3.0 * 3600.0}

    assert kinds <= late(replayed(folder))
    at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(begun_s + 5.0 * 3600.0))
    code, said = jartide(folder, "undo", "rye", what, "--at", at)
    assert (code, f"rye: noted: {words}." in said) == (0, True), said
    assert watched(folder, time.time())["stage"] == "falling"
    assert not kinds & late(replayed(folder))
    assert jartide(folder, "undo", "rye")[1].startswith(f"rye: taken back: {words}")
    watched(folder, time.time())
    assert kinds <= late(replayed(folder))


def test_what_cannot_be_undone_is_said(house: Path) -> None:
    assert jartide(house, "undo", "rye", "rest") == (1, "rye: no rest of rye was seen within the last week.\n")
    code, said = jartide(house, "undo", "rye", "feeding", "--at", "2026-01-01 08:00")
    assert (code, "within three hours" in said) == (1, True)
    assert jartide(house, "undo", "rye", "--at", "08:00")[0] == 2
    code, said = jartide(house, "fed", "rye", "--corrects", "2026-01-01 08:00", "--flour-g", "80")
    assert (code, "no feeding of rye is known within three hours" in said) == (1, True)


def test_a_past_feeding_is_put_right(house: Path) -> None:
    before = watched(house, time.time())
    fed_at_s = before["fed_at_s"]
    assert isinstance(fed_at_s, float)
    at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(fed_at_s + 900.0))
    earlier = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(fed_at_s - 2400.0))
    grams = ("--starter-g", "20", "--flour-g", "60", "--water-g", "60")
    code, said = jartide(house, "fed", "rye", "--corrects", at, "--at", earlier, *grams)
    assert code == 0, said
    assert said.startswith("rye: corrected: the feeding of ")
    assert ", 1:3:3, at " in said
    after = watched(house, time.time())
    assert (after["stage"], after["number"], after["grams"]) == ("falling", 1, (20.0, 60.0, 60.0))
    assert after["fed_at_s"] == pytest.approx(fed_at_s - 2400.0, abs=1.0)
    told = [parse(str(event["happened_at"])) for event in replayed(house) if event["kind"] == "fed"]
    assert told[-1] == pytest.approx(fed_at_s - 2400.0, abs=1.0)
    # the grams alone, once more; what is not said stays
    assert jartide(house, "fed", "rye", "--corrects", at, "--flour-g", "80")[0] == 0
    assert watched(house, time.time())["grams"] == (20.0, 80.0, 60.0)


def test_grams_told_late_are_the_seen_feedings_own(house: Path) -> None:
    """They name it, and the jar stays where it is; taken back, it is a feeding that was only seen again."""
    before = watched(house, time.time())
    fed_at_s = before["fed_at_s"]
    assert isinstance(fed_at_s, float)
    at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(fed_at_s + 1200.0))
    code, said = jartide(house, "fed", "rye", "--at", at, "--starter-g", "25", "--flour-g", "100", "--water-g", "100")
    assert (code, ", 1:4:4." in said) == (0, True), said
    assert watched(house, time.time()) == before | {"grams": (25.0, 100.0, 100.0)}
    events = [event for event in replayed(house) if event["kind"] == "fed"]
    assert [event.get("replaces") for event in events] == [None, f"fed@{fed_at_s:.0f}"]
    assert jartide(house, "undo", "rye")[0] == 0
    assert watched(house, time.time()) == before


def afresh(since_h: float, reading: Reading) -> Reading:
    """At the eleventh hour the lid is off, and fresh dough is in the jar: a second feeding."""
    if since_h < 11.0:
        return reading
    return replace(reading, distance_mm=8190.0 if since_h < 11.1 else EMPTY_MM - level_mm(since_h - 11.1))


def fed_s(folder: Path) -> list[float]:
    return [parse(str(event["happened_at"])) for event in replayed(folder) if event["kind"] == "fed"]


def test_a_past_feeding_is_deleted_and_the_one_after_it_gets_another_time(tmp_path: Path) -> None:
    """Of two that were seen the first was none; the second was hours before the jar was opened, in the same rise."""
    folder = lived(tmp_path, afresh)
    first_s, second_s = fed_s(folder)
    before = watched(folder, time.time())
    assert (before["number"], before["fed_at_s"]) == (2, pytest.approx(second_s, abs=1.0))

    def moment(at_s: float) -> str:
        return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at_s))

    code, said = jartide(folder, "undo", "rye", "feeding", "--at", moment(first_s + 600.0))
    assert (code, said.startswith("rye: noted: that was no feeding.")) == (0, True), said
    after = watched(folder, time.time())
    assert (after["number"], after["fed_at_s"], after["stage"]) == (1, before["fed_at_s"], before["stage"])
    assert fed_s(folder) == [second_s]
    assert jartide(folder, "undo", "rye")[1].startswith("rye: taken back: that was no feeding")
    assert watched(folder, time.time()) == before
    assert fed_s(folder) == [first_s, second_s]
    # and now the second: within the same rise, but hours off
    hours_before_s = second_s - 3.5 * 3600.0
    assert jartide(folder, "fed", "rye", "--at", moment(hours_before_s), "--flour-g", "80")[0] == 0
    now = watched(folder, time.time())
    assert (now["number"], now["fed_at_s"]) == (2, pytest.approx(hours_before_s, abs=1.0))
    assert fed_s(folder) == [first_s, pytest.approx(hours_before_s, abs=1.0)]
    assert jartide(folder, "undo", "rye")[0] == 0
    assert watched(folder, time.time()) == before
