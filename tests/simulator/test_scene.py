"""A scenario played: doings show in the truth and in the readings, every fault does what its name says, and the same
seed gives the same run."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace
from hashlib import sha256

import pytest

from monitor.simulator.device import payload
from monitor.simulator.scenario import FAULTS, Action, read
from monitor.simulator.scene import Scene, play
from monitor.sources.wire import Unreadable, parse

QUIET = """
shows = "x"
hours = {hours}
sampling_s = 60
starts = 2026-03-02T18:00:00Z
[kitchen]
wander_c = 0
swing_c = 0
room_c = 25
[[jar]]
name = "a"
[jar.starter]
grams = 180
[jar.sensor]
noise_mm = 0
breathing_mm = 0
step_mm = 0
dropouts = 0
lid_shift_mm = 0
"""
FEED = '[[jar.do]]\nwhat = "feed"\nat = "1h"\nstarter_g = 25\n'


def played(more="", hours=8):
    truths = {}
    scenario = read(QUIET.format(hours=hours) + more)
    return scenario, list(play(scenario, truths)), truths["a"]


@pytest.fixture(scope="module")
def plain():
    """The same jar with nothing wrong."""
    return played(FEED)


def minutes(scenario, messages):
    return {round((one.reading.time_s - scenario.starts_s) / 60): one for one in messages}


# --- one run --------------------------------------------------------------------------------------------------------


def test_the_sensor_sees_what_is_true(plain):
    scenario, messages, truth = plain
    at = minutes(scenario, messages)
    row = truth.chemistry[12]
    assert at[360].reading.distance_mm == pytest.approx(150 - row["level_mm"], abs=0.8)  # this part drifts
    assert at[360].reading.temperature_c == pytest.approx(row["temperature_c"], abs=0.6)  # datasheet: +-0.5
    assert row["volume_ml"] == pytest.approx(math.pi / 4 * 8.5**2 * row["level_mm"] / 10, rel=1e-3)


def test_the_truth_knows_the_feeding_and_the_rise(plain):
    scenario, _, truth = plain
    (cycle,) = truth.cycles
    assert cycle.fed_at_s == scenario.starts_s + 3600
    assert cycle.starter_g == 25
    assert cycle.before_mm > cycle.start_mm + 8
    assert cycle.fed_at_s < cycle.rise_began_at_s < scenario.starts_s + 6 * 3600


def test_the_truth_finds_the_top_and_the_fall():
    _, _, truth = played(FEED, hours=20)
    (cycle,) = truth.cycles
    assert cycle.top_from_s < cycle.peak_at_s <= cycle.fall_began_at_s < cycle.sunk_1mm_at_s < cycle.sunk_5mm_at_s
    highest = max(truth.chemistry[4:], key=lambda row: row["level_mm"])
    assert abs(highest["at_s"] - cycle.peak_at_s) <= 1800
    assert cycle.peak_mm == pytest.approx(highest["level_mm"], abs=0.5)


def test_the_same_seed_gives_the_same_run_in_another_process():
    code = (
        "from tests.simulator.test_scene import *\n"
        "print(sha256(b''.join(payload(m) for m in played(FEED + RATES, 3)[1])).hexdigest())"
    )
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()
    assert other == sha256(b"".join(payload(m) for m in played(FEED + RATES, 3)[1])).hexdigest()


RATES = "".join(
    f'[[jar.fault]]\nwhat = "{what}"\nper_day = 20\nminutes = 5\nshare = 0.5\n' for what in FAULTS if what != "skin"
)


def test_another_seed_gives_another_run(plain):
    scenario, messages, _ = plain
    others = list(play(replace(scenario, seed=2)))
    assert [one.reading.temperature_c for one in messages] != [one.reading.temperature_c for one in others]


def test_it_does_not_matter_how_the_time_is_cut(plain):
    scenario, whole, _ = plain
    scene = Scene(scenario)
    parts = []
    for to_s in (60.0, 420.0, 3600.0, 3660.0, 10_000.0, 20_000.0, 8 * 3600.0):
        parts += scene.advance(to_s)
    assert len(parts) == len(whole)
    assert [payload(one) for one in parts] == [payload(one) for one in whole]


def test_a_fault_changes_nothing_but_what_it_spoils(plain):
    scenario, messages, _ = plain
    _, spoilt, _ = played(FEED + '[[jar.fault]]\nwhat = "wild"\nat = "5h"\nminutes = 10\n')
    before, after = minutes(scenario, messages), minutes(scenario, spoilt)
    changed = [at for at in before if before[at].reading != after[at].reading]
    assert set(changed) <= set(range(300, 310))
    assert len(changed) >= 9


def test_many_jars_come_in_order_of_time():
    toml = QUIET.format(hours=2) + '[[jar]]\nname = "b"\nsampling_s = 7\n'
    messages = list(play(read(toml)))
    assert [one.at_s for one in messages] == sorted(one.at_s for one in messages)
    assert {one.reading.jar for one in messages} == {"a", "b"}


def test_an_empty_jar_can_be_played_and_fed():
    toml = QUIET.format(hours=3).replace("grams = 180", "grams = 0") + '[[jar.do]]\nwhat = "feed"\nat = "1h"\n'
    truths = {}
    messages = list(play(read(toml), truths))
    assert messages[10].reading.distance_mm == pytest.approx(150.0, abs=0.5)
    assert messages[-1].reading.distance_mm < 125


# --- what the baker does --------------------------------------------------------------------------------------------


def do(what, at="5h", **more):
    return f'[[jar.do]]\nwhat = "{what}"\nat = "{at}"\n' + "".join(
        f"{k} = {v!r}\n".replace("'", '"') for k, v in more.items()
    )


def level(scenario, messages, minute):
    return 150 - minutes(scenario, messages)[minute].reading.distance_mm


def test_stirring_drops_the_level_and_it_rises_again():
    scenario, messages, truth = played(FEED + do("stir", at="7h"), hours=10)
    assert level(scenario, messages, 425) < level(scenario, messages, 415) - 5
    assert level(scenario, messages, 540) > level(scenario, messages, 425) + 5
    assert truth.doings[-1]["what"] == "stir"


def test_taking_some_lowers_the_level_by_as_much():
    scenario, messages, _ = played(FEED + do("take", at="4h", grams=100))
    share = level(scenario, messages, 245) / level(scenario, messages, 235)
    assert share == pytest.approx(125 / 225, rel=0.12)  # some of the gas goes with it


def test_a_lifted_lid_shows_something_else(plain):
    scenario, messages, _ = played(FEED + do("look", minutes=10))
    same = minutes(*plain[:2])
    at = minutes(scenario, messages)
    off = [at[m].reading.distance_mm for m in range(300, 310)]
    assert all(mm is None or mm <= 30 for mm in off)
    assert at[320].reading.distance_mm == pytest.approx(same[320].reading.distance_mm, abs=0.02)


def test_a_jar_that_is_away_is_not_seen():
    scenario, messages, _ = played(FEED + do("away", minutes=60))
    assert minutes(scenario, messages)[330].reading.distance_mm == 175
    assert minutes(scenario, messages)[365].reading.distance_mm < 150


def test_the_fridge_cools_the_jar_and_stops_the_rise():
    scenario, messages, truth = played(FEED + do("move", at="3h", place="fridge"), hours=14)
    assert truth.chemistry[-1]["temperature_c"] == pytest.approx(4.5, abs=1.0)
    assert abs(level(scenario, messages, 800) - level(scenario, messages, 650)) < 1.5


def test_another_jar_is_another_level():
    scenario, messages, _ = played(FEED + do("swap", grams=60))
    assert level(scenario, messages, 310) < level(scenario, messages, 290) - 8


def test_what_is_too_much_runs_over_the_rim():
    _scenario, messages, truth = played(do("feed", at="1h", flour_g=250, water_g=250), hours=12)
    assert any(row["what"] == "overflow" for row in truth.doings)
    assert max(150 - (one.reading.distance_mm or 150) for one in messages if one.reading.distance_mm != 4) <= 147
    assert max(row["level_mm"] for row in truth.chemistry) <= 130


def test_daily_feedings_come_at_the_local_time_on_their_days():
    toml = QUIET.format(hours=120).replace("sampling_s = 60", "sampling_s = 1800\nutc_offset_h = 2")
    toml += '[[jar.do]]\nwhat = "feed"\ndaily = "07:30"\ndays = ["tue", "fri"]\nstarter_g = 20\n'
    truths = {}
    for _ in play(read(toml), truths):
        pass
    start_s = 1_772_474_400.0  # Monday 18:00 UTC, 20:00 local
    wanted = [start_s + 11.5 * 3600, start_s + (11.5 + 72) * 3600]
    assert [cycle.fed_at_s for cycle in truths["a"].cycles] == wanted


def test_a_baker_who_waits_feeds_after_the_fall_and_not_in_the_night():
    more = (
        FEED + '[[jar.do]]\nwhat = "feed"\nwhen = "fallen"\nstarter_g = 25\nawake_from = "07:00"\nawake_to = "22:30"\n'
    )
    scenario, _, truth = played(more, hours=40)
    first, second = truth.cycles[:2]
    assert second.fed_at_s > first.fall_began_at_s
    assert 7 * 3600 <= second.fed_at_s % 86400 <= 22.5 * 3600
    assert scenario.starts_s < first.fed_at_s


def test_a_hand_on_the_scene():
    scene = Scene(read(QUIET.format(hours=5)))
    scene.advance(3600)
    scene.do("a", Action(what="feed", starter_g=25.0))
    scene.advance(7200)
    assert scene.truths["a"].cycles[0].fed_at_s == scene.scenario.starts_s + 3600


# --- each fault by its name -----------------------------------------------------------------------------------------


def spoilt(what, **more):
    """The same jar with one fault, from 5 h on for an hour."""
    words = {"at": "5h", "minutes": 60} | more
    keys = "".join(f"{k} = {v!r}\n".replace("'", '"') for k, v in words.items())
    scenario, messages, truth = played(FEED + f'[[jar.fault]]\nwhat = "{what}"\n{keys}')
    return scenario, messages, truth


def during(what, **more):
    scenario, messages, _ = spoilt(what, **more)
    return [one for one in messages if 300 <= (one.reading.time_s - scenario.starts_s) / 60 < 360]


def distances(messages):
    return [one.reading.distance_mm for one in messages]


def test_stuck():
    assert len(set(distances(during("stuck")))) == 1


def test_wild():
    said = distances(during("wild", share=0.3))
    assert 5 < sum(not 60 < mm < 130 for mm in said) < 32


def test_no_target():
    assert set(distances(during("no_target"))) == {8190.0, 8191.0}


def test_too_near():
    assert set(distances(during("too_near"))) <= {0.0, 1.0, 2.0, 3.0, 4.0}


def test_mist(plain):
    clear = minutes(*plain[:2])
    for one in during("mist"):
        minute = round((one.reading.time_s - plain[0].starts_s) / 60)
        assert one.reading.distance_mm < clear[minute].reading.distance_mm


def test_drift(plain):
    scenario, messages, _ = spoilt("drift", size=8.0)
    clear, drifted = minutes(*plain[:2]), minutes(scenario, messages)
    off = [drifted[m].reading.distance_mm - clear[m].reading.distance_mm for m in (299, 330, 361)]
    assert off == pytest.approx([0, 8, 0], abs=0.1)


def test_lid_offset(plain):
    scenario, messages, _ = spoilt("lid_offset", size=-6.0)
    clear, shifted = minutes(*plain[:2]), minutes(scenario, messages)
    off = [shifted[m].reading.distance_mm - clear[m].reading.distance_mm for m in (299, 301, 470)]
    assert off == pytest.approx([0, -6, -6], abs=0.1)


def test_gap():
    scenario, messages, _ = spoilt("gap")
    assert not during("gap")
    at = minutes(scenario, messages)
    assert at[360].seq == at[299].seq + 61  # the device counted on


def test_late():
    for one in during("late", size=900):
        assert one.reading.time_s <= one.at_s <= one.reading.time_s + 900
    _, messages, _ = spoilt("late", size=900)
    assert [one.at_s for one in messages] == sorted(one.at_s for one in messages)
    assert [one.seq for one in messages] != sorted(one.seq for one in messages)


def test_doubled():
    messages = during("doubled", size=0)
    assert len(messages) == 120
    assert len({(one.boot, one.seq) for one in messages}) == 60


def test_no_temperature():
    assert {one.reading.temperature_c for one in during("no_temperature")} == {None}


def test_reset(plain):
    scenario, messages, _ = spoilt("reset")
    at = minutes(scenario, messages)
    assert at[300].reading.temperature_c == 85.0
    assert at[301].reading.temperature_c != 85.0
    assert at[299].boot != at[300].boot == at[301].boot
    assert (at[300].seq, at[300].up_ms) == (1, 0)
    assert at[301].up_ms == 60_000


def test_warm_up(plain):
    scenario, messages, _ = spoilt("warm_up", size=5.0, minutes=60)
    cold, warm = minutes(*plain[:2]), minutes(scenario, messages)
    off = [warm[m].reading.distance_mm - cold[m].reading.distance_mm for m in (299, 300, 312, 359, 361)]
    assert off == pytest.approx([0, 5, 5 / math.e, 0, 0], abs=0.15)


def test_skin_lets_the_surface_sag_and_not_collapse():
    plain, held = (
        played(FEED + more, hours=36)[2] for more in ("", '[[jar.fault]]\nwhat = "skin"\nat = "2h"\nsize = 1.0\n')
    )
    assert held.cycles[0].peak_mm == pytest.approx(plain.cycles[0].peak_mm, abs=0.1)
    top_s, late = held.cycles[0].peak_at_s, held.chemistry[-1]
    hours = (late["at_s"] - top_s) / 3600
    sunk_mm = held.cycles[0].peak_mm - late["level_mm"]
    assert 0.75 * hours < sunk_mm <= hours + 0.1
    assert plain.cycles[0].peak_mm - plain.chemistry[-1]["level_mm"] > 1.4 * sunk_mm


def test_unplugged_probe():
    assert {one.reading.temperature_c for one in during("unplugged_probe")} == {-127.0}


def test_fahrenheit():
    assert all(75 < one.reading.temperature_c < 79 for one in during("fahrenheit"))


def test_centimetres():
    assert all(6 < mm < 13 for mm in distances(during("centimetres")))


@pytest.mark.parametrize("what", ["not_a_number", "garbage"])
def test_garbled_messages_cannot_be_read(what):
    messages = during(what)
    refused = 0
    for one in messages:
        try:
            message = parse(payload(one))
            refused += message.distance_mm is None
        except Unreadable:
            refused += 1
    assert refused == len(messages) == 60


def test_clock_jump():
    _scenario, messages, _ = spoilt("clock_jump", size=3600)
    off = [one.reading.time_s - one.at_s for one in messages]
    assert off[299] == pytest.approx(0, abs=0.01)
    assert off[300] == pytest.approx(3600, abs=0.01)


def test_a_device_without_a_clock_says_no_time():
    _, messages, _ = played('[jar.clock]\nkind = "absent"\n', hours=1)
    assert b'"time"' not in payload(messages[0])
    assert messages[0].reading.time_s == messages[0].at_s


def test_a_wrong_and_drifting_clock():
    _, messages, _ = played("[jar.clock]\nwrong_s = 100\ndrift_s_per_day = -48\n", hours=6)
    assert messages[0].reading.time_s - messages[0].at_s == pytest.approx(100)
    assert messages[-1].reading.time_s - messages[-1].at_s == pytest.approx(88, abs=0.1)


def test_every_fault_is_in_the_truth_with_its_times():
    scenario, _, truth = spoilt("stuck")
    (row,) = truth.faults
    assert row == {"what": "stuck", "from_s": scenario.starts_s + 18000, "to_s": scenario.starts_s + 21600}


def test_faults_at_a_rate_come_as_often_as_asked_for():
    """Poisson: 24 a day for four days, within 4 standard deviations."""
    toml = QUIET.format(hours=96).replace("sampling_s = 60", "sampling_s = 3600")
    truths = {}
    for _ in play(read(toml + '[[jar.fault]]\nwhat = "gap"\nper_day = 24\nminutes = 1\n'), truths):
        pass
    assert abs(len(truths["a"].faults) - 96) < 4 * math.sqrt(96)


def test_no_fault_goes_untested():
    tested = " ".join(name for name in globals() if name.startswith("test_")) + " not_a_number garbage"
    assert [what for what in FAULTS if what not in tested] == []
