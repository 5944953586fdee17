"""Anything at all: accepted, or refused with the one documented error; never a traceback.

Real inputs bent at random, by a generator of our own (fast: some ten thousand a second and core) and by hypothesis
(which shrinks what it finds). `JARTIDE_FUZZ=10000000 pytest tests/resilience/test_fuzz.py -k wire -n 0` is the long
run.
"""

# ruff: noqa: PT017 - what an error says is looked at where it is caught, thousands of times
from __future__ import annotations

import math
import os
import random
import resource
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.config.reader import SettingsError, load
from monitor.runs import history, run_file
from monitor.runs.history import HistoryError
from monitor.runs.run_file import RunFileError
from monitor.settings import Settings
from monitor.simulator import scenario
from monitor.simulator.schema import ScenarioError
from monitor.sources.ingest import Ingest
from monitor.sources.wire import LINE_MAX, PAYLOAD_MAX, Remainder, cut
from monitor.values import Delivery, Rejected

ROOT = Path(__file__).resolve().parents[2]
INPUTS = int(os.environ.get("JARTIDE_FUZZ", "40000"))
NOW_S = 1_772_474_400.0
pytestmark = pytest.mark.timeout(120 + INPUTS / 500)

LINES = [
    b'{"jar":"rye","distance_mm":92.4,"temperature_c":24.1}',
    b'{"jar":"rye","echo_us":580.1,"air_c":25,"humidity_pct":80.5,"boot":"7f3a","seq":7,"up_ms":120034}',
    b'{"distance_mm":92,"time":"2026-03-02T06:00:00Z"}',
    b'{"distance_mm":92,"time":1772431200.25,"seq":0,"boot":12}',
    b"92.4,24.1",
    b"ets Jun  8 2016 00:22:57\r\nrst:0x1 (POWERON_RESET),boot:0x13 (SPI_FAST_FLASH_BOOT)",
]
WORDS = [
    b"null", b"true", b"NaN", b"-Infinity", b"inf", b"1e309", b"-0.0", b"9" * 400, b'"', b"\\", b"\\ud800", b"\\u0000",
    b"{", b"}", b"[", b"]", b":", b",", b"\n", b"\r", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\xe2\x80\xae", b" " * 50,
    b'"time":', b'"seq":-1', b'"up_ms":1e300', b'"jar":""', b"2026-13-40T25:61:61Z", b"9999-12-31T23:59:60Z",
    b"0001-01-01T00:00:00+23:59", b"1e5", "٩".encode(), "ж".encode() * 30,
]  # fmt: skip


GROWTH_MB = 3.0  # of the whole process, while every input after the first tenth goes through


def memory_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def bent(chance: random.Random, seeds: Sequence[bytes], words: Sequence[bytes]) -> bytes:
    """A real input with a few pieces cut out, doubled, changed, swapped for words, or cut short."""
    data = chance.choice(seeds)
    for _ in range(chance.randrange(1, 5)):
        at = chance.randrange(len(data) + 1)
        to = min(len(data), at + chance.choice((0, 1, 1, 2, 5, 20)))
        what = chance.randrange(6)
        if what == 0:
            data = data[:at] + data[to:]
        elif what == 1:
            data = data[:at] + chance.choice(words) + data[to:]
        elif what == 2:
            data = data[:at] + chance.randbytes(to - at) + data[to:]
        elif what == 3:
            data = data[:to] + data[at:]
        elif what == 4:
            other = chance.choice(seeds)
            data = data[:at] + other[chance.randrange(len(other) + 1) :]
        else:
            data = data[:at]
    return data


@pytest.mark.fault("F1")
@pytest.mark.fault("S1")
def test_the_wire_takes_or_refuses_anything() -> None:
    """Each input as a payload and, with others, as pieces of a serial stream; memory does not grow with them."""
    chance = random.Random(INPUTS)
    intakes = [
        Ingest("f", jars=frozenset({"rye"}), jar=jar, bare_lines=bare, wall=lambda: NOW_S, monotonic=lambda: 50.0)
        for jar, bare in (("rye", True), (None, False))
    ]
    remainder, reasons, taken = Remainder(), Counter[str](), 0
    began_s, settled_mb, most_mb = time.monotonic(), 0.0, 0.0
    for number in range(INPUTS):
        if number % max(INPUTS // 100, 1) == 0:
            most_mb = max(most_mb, memory_mb())
            settled_mb = most_mb if number <= INPUTS // 10 else settled_mb
        data = bent(chance, LINES, WORDS)
        item = intakes[number % 2].take(data, waited=number % 5 == 0, again=number % 7 == 0)
        if isinstance(item, Rejected):
            reasons[item.reason] += 1
            assert len(item.detail) <= 80
            assert item.detail.isprintable()
        else:
            sane(item)
            taken += 1
        lines, remainder = cut(remainder, data)
        assert len(remainder.tail) <= LINE_MAX + len(data)
        assert all(len(line.data) <= LINE_MAX for line in lines)
    took_s = time.monotonic() - began_s
    print(
        f"{INPUTS} inputs in {took_s:.0f} s: {taken} taken, {sum(reasons.values())} refused for {len(reasons)} "
        f"reasons; memory {settled_mb:.1f} MB after a tenth, {most_mb:.1f} MB at most"
    )
    assert most_mb - settled_mb <= GROWTH_MB
    assert len(reasons) < 60, reasons  # fixed phrases, so that counting them stays bounded
    assert taken > INPUTS / 20  # it is no use if nothing ever passes
    assert sum(reasons.values()) > INPUTS / 4


def sane(item: Delivery) -> None:
    reading = item.reading
    assert reading.jar == "rye"
    assert math.isfinite(reading.time_s)
    values = (reading.distance_mm, reading.echo_us, reading.temperature_c, reading.air_c, reading.humidity_pct)
    assert any(value is not None for value in values)
    assert all(value is None or math.isfinite(value) for value in values)


@pytest.mark.fault("F1")
@pytest.mark.fault("M8")
@given(st.binary(min_size=1, max_size=40), st.integers(0, 200_000))
@settings(max_examples=30, deadline=None)
def test_size_is_looked_at_before_anything_else(piece: bytes, times: int) -> None:
    data = piece * (times // len(piece) + 1)
    item = Ingest("f", jars=frozenset({"rye"}), jar="rye").take(data)
    if len(data) > PAYLOAD_MAX:
        assert isinstance(item, Rejected)
        assert item.reason == "too_long"


CONFIGS = [path.read_bytes() for path in sorted((ROOT / "configs").glob("*.toml"))]
SCENARIOS = [path.read_bytes() for path in sorted((ROOT / "simulated_runs").glob("*.toml"))]
RUNS = [
    b"# shows: a fuzzed run\n# jar: rye\n# empty_mm: 180\n# geometry: straight 85\n"
    b"time,distance_mm,temperature_c\n2026-03-02T06:00:00Z,92.4,24.1\n2026-03-02T06:00:10Z,92,\n",
    b"time,distance_mm\n2026-03-02T06:00:00Z,92.4\n2026-03-02T07:00:00+01:00,1\n",
    b"time,received,distance_mm,echo_us,air_c,humidity_pct\n2026-03-02T06:00:00Z,2026-03-02T06:00:01Z,,580,20,50\n",
]
HISTORIES = [
    b"fed_at,starter_g,flour_g,water_g,mean_temperature_c,hours_to_peak,hours_to_fall,rise_ratio\n"
    b"2026-03-02T06:00:00Z,25,100,100,24,6,7.5,2.4\n2026-03-03T06:00:00Z,,,,21,,9,\n"
]
TOML_WORDS = [
    b"nan", b"-inf", b"[[jar]]\n", b"[jar]\n", b"[store]\n", b'"""', b"'", b'"', b"=", b"\n", b"\r\n", b"\t", b"#",
    b"{}", b"[]", b"true", b"0x10", b"1979-05-27T07:32:00Z", b"07:32:00", b"\xff", b"\x00", b"\xef\xbb\xbf",
    b"1_000", b"1e400", b"name = 3\n", b"geometry = \"straight 1e9\"\n", b"-1", b"\xe2\x80\xa8", b"\\u0000",
    b"a.b.c = 1\n", b"9" * 30,
]  # fmt: skip
CSV_WORDS = [
    b",", b"\n", b'"', b";", b"#", b"\x00", b"\xff", b"nan", b"1e999", b"-", b"time", b"=1+1", b"\r",
    b"# empty_mm: x\n", b"9999-12-31T23:59:59Z", b"0000-00-00", b"1e5", b"\xef\xbb\xbf", b" " * 30, b"," * 50,
]  # fmt: skip
FEW = min(INPUTS // 20, 200_000)


@pytest.mark.fault("F2")
def test_a_config_is_settings_or_sentences(tmp_path: Path) -> None:
    chance, path, good = random.Random(2), tmp_path / "jartide.toml", 0
    for _ in range(FEW // 4):
        path.write_bytes(bent(chance, CONFIGS, TOML_WORDS))
        try:
            assert isinstance(load(path), Settings)
            good += 1
        except SettingsError as error:
            assert error.problems
            for problem in error.problems:
                assert problem.startswith(str(path)) or str(path.name) in problem, problem
                assert len(problem.splitlines()) == 1
                assert len(problem) < 2000
    assert good > 0


@pytest.mark.fault("F3")
def test_a_run_file_is_rows_or_one_sentence(tmp_path: Path) -> None:
    chance, path, good = random.Random(3), tmp_path / "rye.csv", 0
    for _ in range(FEW):
        path.write_bytes(bent(chance, RUNS, CSV_WORDS))
        try:
            file = run_file.read(path)
            for received_s, reading in file.rows():
                assert math.isfinite(reading.time_s)
                assert received_s is None or math.isfinite(received_s)
                good += 1
        except RunFileError as error:
            assert len(str(error).splitlines()) == 1
            assert "rye.csv" in str(error)
    assert good > 0


@pytest.mark.fault("F3")
def test_a_history_is_cycles_or_one_sentence(tmp_path: Path) -> None:
    chance, path, good = random.Random(4), tmp_path / "cycles.csv", 0
    for _ in range(FEW):
        path.write_bytes(bent(chance, HISTORIES, CSV_WORDS))
        try:
            cycles, skipped = history.read(path)
            good += len(cycles)
            assert all("line" in sentence for sentence in skipped)
        except HistoryError as error:
            assert len(str(error).splitlines()) == 1
    assert good > 0


@pytest.mark.fault("F4")
def test_a_scenario_is_one_or_sentences() -> None:
    chance, good = random.Random(5), 0
    for _ in range(FEW):
        text = bent(chance, SCENARIOS, TOML_WORDS).decode("utf-8", "replace")
        try:
            assert scenario.read(text, "x").jar
            good += 1
        except ScenarioError as error:
            assert all(sentence.startswith("x: ") for sentence in str(error).splitlines()), str(error)
    assert good > 0
