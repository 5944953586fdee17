"""`jartide simulate`: files that replay reads, a real pseudo-terminal, a real broker; the source inside the daemon."""

from __future__ import annotations

import json
import os
import threading
import time
from pathlib import Path

import pytest
import serial

from monitor.runs import run_file
from monitor.settings import SerialSettings
from monitor.simulator.device import payload
from monitor.simulator.player import Pace, feedings, terminal, to_broker, to_terminal
from monitor.simulator.scenario import Action, read
from monitor.simulator.scene import play
from monitor.sources.serial_port import SerialPort
from monitor.sources.simulated import SimulatedSource, sped_up
from monitor.sources.wire import parse
from monitor.values import Delivery, Rejected
from tests.servers import Mosquitto, wait_until
from tests.terminal import jartide

SHORT = """
shows = "two jars for an hour"
hours = 1
sampling_s = 20
[[jar]]
name = "one"
[[jar]]
name = "two"
[jar.sensor]
kind = "ultrasonic"
"""
ONE = SHORT[: SHORT.rindex("[[jar]]")] + '[[jar.do]]\nwhat = "feed"\nat = "10min"\nstarter_g = 20\n'
FAST = 7200.0  # an hour in half a second


@pytest.fixture
def scenario_file(tmp_path: Path) -> Path:
    path = tmp_path / "short.toml"
    path.write_text(ONE)
    return path


def run(*arguments: object):
    return jartide("simulate", *arguments)


# --- files ----------------------------------------------------------------------------------------------------------


def test_a_run_file_its_truth_and_its_feedings(scenario_file: Path, tmp_path: Path):
    told = tmp_path / "fed.csv"
    result = run(scenario_file, "-o", tmp_path / "a.csv", "--feedings", told)
    assert result.exit_code == 0, result.output
    opened = run_file.read(tmp_path / "a.csv")
    readings = opened.readings()
    assert len(readings) == 180
    assert opened.rejected_count == 0
    assert (opened.jar, opened.empty_mm, opened.header["scenario"]) == ("one", 150.0, "short.toml")
    truth = json.loads((tmp_path / "a.truth.json").read_text())
    assert truth["jars"]["one"]["cycles"][0]["fed_at"] == "2026-03-02T18:10:00Z"
    (fed,) = run_file.read_feedings(told, "one")[0]
    assert (fed.feeding.starter_g, fed.feeding.flour_g) == (20.0, 100.0)


def test_a_simulated_run_takes_the_place_of_one_that_was_but_of_no_recorded_one(scenario_file: Path, tmp_path: Path):
    kept, path = b"time,distance_mm\n2026-03-02T18:00:00Z,99\n", tmp_path / "a.csv"
    path.write_bytes(kept)
    result = run(scenario_file, "-o", path)
    assert (result.exit_code, path.read_bytes()) == (2, kept)
    assert result.output == f"{path}: exists already and is not a simulated run; give a new name\n"
    path.unlink()
    assert run(scenario_file, "-o", path).exit_code == 0
    first = path.read_bytes()
    assert run(scenario_file, "-o", path, "--seed", 2).exit_code == 0
    assert path.read_bytes() != first


def test_a_simulation_that_is_interrupted_leaves_what_was_there(scenario_file: Path, tmp_path: Path, monkeypatch):
    path = tmp_path / "a.csv"
    assert run(scenario_file, "-o", path).exit_code == 0
    before = {file: file.read_bytes() for file in tmp_path.iterdir()}

    def interrupted(*arguments: object):
        yield from list(play(read(ONE)))[:50]
        raise KeyboardInterrupt

    monkeypatch.setattr("monitor.simulator.player.play", interrupted)
    assert run(scenario_file, "-o", path).exit_code != 0
    assert {file: file.read_bytes() for file in tmp_path.iterdir()} == before


def test_many_jars_are_many_files(tmp_path: Path):
    path = tmp_path / "s.toml"
    path.write_text(SHORT)
    assert run(path, "-o", tmp_path / "a.csv").exit_code == 0
    assert len(run_file.read(tmp_path / "a.one.csv").readings()) == 180
    echo = run_file.read(tmp_path / "a.two.csv").readings()
    assert all(reading.distance_mm is None for reading in echo)
    assert sum(reading.echo_us is not None for reading in echo) > 170


def test_alone_or_beside_others_a_jar_is_the_same(tmp_path: Path):
    scenario = read(SHORT)
    beside = [sent for sent in play(scenario) if sent.reading.jar == "one"]
    assert beside == list(play(read(SHORT[: SHORT.rindex("[[jar]]")])))


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["{}"], "give exactly one of"),
        (["{}", "-o", "a.csv", "--pty"], "give exactly one of"),
        (["missing.toml", "-o", "a.csv"], "missing.toml: No such file or directory"),
        (["{}", "-o", "no/such/folder.csv"], "folder.csv: No such file or directory"),
        (["{}", "--mqtt", "127.0.0.1:1"], "no broker at 127.0.0.1:1"),
        (["{}", "--mqtt", "here:now"], "write HOST or HOST:PORT"),
        (["{}", "--mqtt", "x", "--topic", "a"], "must hold {jar}"),
        (["{}", "-o", "a.csv", "--hours", "0"], "--hours"),
    ],
)  # fmt: skip
def test_a_wrong_call_gets_one_line_and_exit_code_2(scenario_file, arguments, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run(*[str(scenario_file) if word == "{}" else word for word in arguments])
    assert result.exit_code == 2
    assert said in result.output
    assert "Traceback" not in result.output


def test_a_bad_scenario_gets_a_line_for_each_problem(scenario_file):
    scenario_file.write_text(ONE.replace("hours = 1", "hours = 0\nsede = 1"))
    result = run(scenario_file, "-o", "never.csv")
    assert result.exit_code == 2
    assert result.output.count("\n") == 2
    assert "hours = 0: allowed" in result.output


# --- a serial line --------------------------------------------------------------------------------------------------


def test_a_serial_reader_reads_the_terminal():
    scenario = read(SHORT)
    with terminal(None) as (descriptor, path):
        lines: list[bytes] = []
        with serial.Serial(path, timeout=0.2) as port:
            pace = Pace(scenario, FAST)
            thread = threading.Thread(target=to_terminal, args=(play(scenario), descriptor, pace))
            thread.start()
            pending = b""
            end_s = time.monotonic() + 15
            while (thread.is_alive() or port.in_waiting) and time.monotonic() < end_s:
                pending += port.read(4096)
            thread.join()
            lines = pending.splitlines()
    messages = [parse(line) for line in lines]
    assert len(messages) == 360
    assert {message.jar for message in messages} == {"one", "two"}
    assert all(message.time_s is not None and message.time_s <= time.time() for message in messages)


def test_the_daemons_own_source_reads_it_through_a_link(tmp_path: Path):
    """Real time at first sight: sped up, no message bears a time that is still to come, so none is refused."""
    scenario = read(ONE)
    got: list[Delivery | Rejected] = []
    link = tmp_path / "jar"
    with terminal(link) as (descriptor, path):
        assert path == str(link)
        source = SerialPort(SerialSettings(port=str(link)), jars=frozenset({"one"}))
        source.start(got.append)
        try:
            wait_until(lambda: source.health().connected, "the source opening the link")
            to_terminal(play(scenario), descriptor, Pace(scenario, FAST))
            wait_until(lambda: len(got) >= 175, "the readings")
        finally:
            source.stop()
    assert not os.path.lexists(link)
    assert not [one for one in got if isinstance(one, Rejected)]
    assert {one.timed for one in got if isinstance(one, Delivery)} == {True}


def test_played_again_it_is_a_device_that_was_switched_on_again():
    """A store takes a numbered message of one power-up once: the second play would be nothing but doubled messages."""
    scenario = read(ONE)
    plays = []
    for began_s in (1_772_000_000.0, 1_772_000_600.0):
        pace = Pace(scenario, 60.0, wall=lambda began_s=began_s: began_s)
        plays.append([parse(payload(sent, pace.shift_s)) for sent in play(scenario)])
    first, second = ({message.boot for message in one} for one in plays)
    assert len(first) == len(second) == 1
    assert first.isdisjoint(second)
    assert [message.seq for message in plays[0]] == [message.seq for message in plays[1]]


def test_a_link_that_is_a_file_is_left_alone(scenario_file: Path, tmp_path: Path):
    link = tmp_path / "file"
    link.write_text("mine")
    result = run(scenario_file, "--pty", "--link", link)
    assert result.exit_code == 2
    assert "give a path that does not exist yet" in result.output
    assert link.read_text() == "mine"


# --- a broker -------------------------------------------------------------------------------------------------------


def test_a_broker_gets_every_message_of_every_jar(tmp_path: Path):
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    broker = Mosquitto(tmp_path / "broker", settings=["allow_anonymous true"])
    broker.start()
    got: list[tuple[str, bytes]] = []
    ready = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _u, message: got.append((message.topic, message.payload))
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", broker.port)
    client.subscribe("jartide/+/reading", qos=1)
    client.loop_start()
    try:
        assert ready.wait(60)
        scenario = read(SHORT)
        count = to_broker(play(scenario), "127.0.0.1", broker.port, "jartide/{jar}/reading", Pace(scenario, FAST))
        assert count == 360
        wait_until(lambda: len(got) == 360, "all messages")
    finally:
        client.disconnect()
        client.loop_stop()
        broker.stop()
    assert {topic for topic, _ in got} == {"jartide/one/reading", "jartide/two/reading"}
    seqs = [parse(payload).seq for topic, payload in got if "one" in topic]
    assert seqs == list(range(seqs[0], seqs[0] + 180))


# --- inside the daemon ----------------------------------------------------------------------------------------------


def test_the_source_plays_as_fast_as_its_clock():
    got: list[Delivery | Rejected] = []
    wall = sped_up(FAST)
    source = SimulatedSource(read(SHORT), speed=FAST, wall=wall)
    assert source.health().connected is False
    source.start(got.append)
    wait_until(lambda: source.health().trouble == "the scenario has ended", "the end")
    source.stop()
    assert len(got) == 360
    assert not [one for one in got if isinstance(one, Rejected)]
    for one in got:
        assert isinstance(one, Delivery)
        assert one.timed
        assert 0 <= one.received_s - one.reading.time_s < 3600


def test_the_source_does_what_the_baker_says_and_stops_at_once():
    got: list[Delivery | Rejected] = []
    speed = 20_000.0
    source = SimulatedSource(read(SHORT.replace("hours = 1", "hours = 9000")), speed=speed, wall=sped_up(speed))
    source.start(got.append)
    wait_until(lambda: len(got) > 50, "readings")
    source.tell("one", Action(what="feed", starter_g=10.0, flour_g=100.0, water_g=100.0))

    def level_changed() -> bool:
        last = [one.reading.distance_mm for one in got[-40:] if isinstance(one, Delivery) and one.reading.jar == "one"]
        return any(mm is not None and 100 < mm < 122 for mm in last)

    wait_until(level_changed, "the feeding in the readings")
    source.stop()
    thread = source._playback._thread
    assert thread is not None
    wait_until(lambda: not thread.is_alive(), "the end, hours before the scenario's")


def test_feedings_are_those_of_the_truth():
    truths: dict = {}
    for _ in play(read(ONE), truths):
        pass
    (fed,) = feedings(truths["one"])
    assert fed.time_s == truths["one"].cycles[0].fed_at_s
