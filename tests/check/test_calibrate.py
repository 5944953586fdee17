"""`jartide calibrate`: the arithmetic, the edit of the config, and a person at a terminal with a device on a port."""

from __future__ import annotations

import os
import pty
import random
import re
import select
import subprocess
import sys
import threading
import time
import tomllib
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from math import pi
from pathlib import Path

import click.testing
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cli.calibrate import _known
from monitor.config.edit import geometry_value
from monitor.config.reader import load, settings_from
from monitor.config.toml_lines import toml_text, with_values
from monitor.core.vessel.calibration import Point, by_levels, by_volumes, fit_line, point
from monitor.values import Straight, Tapered, VolumeTable
from tests.servers import wait_until
from tests.terminal import jartide

# --- the arithmetic


def points(pairs: dict[float, float], sd_mm: float = 0.2) -> list[Point]:
    return [Point(known=known, distance_mm=distance, sd_mm=sd_mm) for known, distance in pairs.items()]


@given(
    st.lists(st.floats(0, 200), min_size=2, max_size=8, unique=True).filter(lambda x: max(x) - min(x) > 1),
    st.integers(0, 2**32),
)
def test_the_line_is_numpys_line(levels: list[float], seed: int) -> None:
    """Least squares as numpy.polyfit (LAPACK) has it."""
    chance = random.Random(seed)
    distances = [150 - 1.05 * level + chance.gauss(0, 2) for level in levels]
    fit = fit_line(points(dict(zip(levels, distances, strict=True))))
    slope, intercept = np.polyfit(levels, distances, 1)
    assert fit.scale == pytest.approx(-slope, abs=1e-6)
    assert fit.empty_mm == pytest.approx(intercept, abs=1e-4)
    residuals = np.array(distances) - np.polyval([slope, intercept], levels)
    assert np.allclose(fit.residuals_mm, residuals, atol=1e-4)


def test_the_bend_is_the_part_that_a_parabola_adds() -> None:
    """The difference of numpy.polyfit's parabola and line, at the points."""
    levels = np.array([0.0, 20, 45, 80, 110])
    distances = 150 - levels + 0.004 * (levels - 50) ** 2 + np.array([0.3, -0.4, 0.2, 0.5, -0.3])
    fit = fit_line(points(dict(zip(levels.tolist(), distances.tolist(), strict=True))))
    parabola, line = (np.polyval(np.polyfit(levels, distances, n), levels) for n in (2, 1))
    assert fit.bend_mm == pytest.approx(float(np.max(np.abs(parabola - line))), abs=1e-6)


def test_a_good_sensor_has_nothing_said_about_it() -> None:
    fit = by_levels(points({0: 152.1, 30: 121.8, 60: 92.3, 90: 61.9}))
    assert (fit.remarks, fit.doubtful, fit.geometry) == ((), False, None)
    assert fit.empty_mm == pytest.approx(152.1, abs=0.5)


def test_the_empty_jar_alone_gives_the_empty_distance() -> None:
    assert by_levels(points({0: 152.1})).empty_mm == 152.1
    with pytest.raises(ValueError, match="no reading over the empty jar"):
        by_levels([])


def test_a_scale_that_is_off_is_told_and_does_no_harm() -> None:
    fit = by_levels(points({level: 152 - 1.1 * level for level in (0, 30, 60, 90)}))
    assert "a rise of 100 mm is read as 110 mm, 10% more" in fit.remarks[0]
    assert not fit.doubtful


def test_a_sensor_that_is_not_linear_is_told() -> None:
    """One that reads high near the bottom, as one does that sees the wall there."""
    fit = by_levels(points({level: 152 - level - 0.004 * (level - 60) ** 2 for level in (0, 30, 60, 90, 120)}))
    assert any("not linear" in remark for remark in fit.remarks)
    assert fit.doubtful


def test_a_fill_that_was_measured_wrongly_is_named() -> None:
    fit = by_levels(points({0: 152, 20: 132, 40: 112, 60: 84, 80: 72, 100: 52}))
    assert any("at 60 mm it reads -" in remark for remark in fit.remarks)
    assert fit.doubtful


def test_an_empty_jar_that_is_looked_through_is_told() -> None:
    fit = by_levels(points({0: 164, 30: 122, 50: 102, 70: 82, 90: 62, 110: 42}))
    assert any("over the empty jar it reads +" in remark and "through the bottom" in remark for remark in fit.remarks)
    assert fit.doubtful


def test_chance_alone_rarely_casts_doubt() -> None:
    """Rulers of 1 mm and readings of 0.2 mm, a thousand honest calibrations; a right threshold of 3 sd doubts few."""
    chance = random.Random(7)
    doubts = 0
    for _ in range(1000):
        fills = {level: 152 - level + chance.gauss(0, 1.02) for level in (0, 30, 60, 90, 120)}
        doubts += by_levels(points(fills)).doubtful
    assert doubts < 30


@pytest.mark.parametrize("diameter_mm", [60.0, 85.0, 120.0])
def test_weighed_water_in_a_straight_jar_gives_its_diameter(diameter_mm: float) -> None:
    """Volume of a cylinder: pi/4 d^2 h."""
    section = pi / 4 * diameter_mm**2 / 1000
    fit = by_volumes(points({section * level: 152 - level for level in (0, 30, 60, 90)}))
    assert isinstance(fit.geometry, Straight)
    assert fit.geometry.diameter_mm == pytest.approx(diameter_mm, abs=0.1)
    assert fit.empty_mm == 152


def test_weighed_water_in_another_jar_gives_a_table() -> None:
    """Volume of a frustum: pi h / 3 (r0^2 + r0 r + r^2), of 60 to 100 mm over 120 mm."""

    def volume(level: float) -> float:
        r0, r = 30.0, 30 + 20 * level / 120
        return pi * level / 3 * (r0 * r0 + r0 * r + r * r) / 1000

    fit = by_volumes(points({round(volume(level), 1): 152 - level for level in (0, 30, 60, 90, 120)}))
    assert isinstance(fit.geometry, VolumeTable)
    assert [height for height, _ in fit.geometry.points] == [30, 60, 90, 120]
    assert "not straight" in fit.remarks[0]


@pytest.mark.parametrize(
    ("fills", "said"),
    [
        ({0: 152.0}, "at least one fill"),
        ({100: 152.0, 200: 130.0}, "empty jar"),
        ({0: 152.0, 100: 130.0, 200: 131.0}, "at 200 ml the sensor reads no nearer"),
    ],
)
def test_volumes_that_cannot_be_are_refused(fills: dict[float, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        by_volumes(points(fills))


def test_a_point_is_the_median_and_its_spread() -> None:
    """Two strays in seven change nothing; the spread is the deviation of normal noise over the root of the number."""
    assert point(40, [112, 112.2, 111.8, 112.1, 111.9, 8190, 20]).distance_mm == 112
    chance = random.Random(3)
    many = [point(0, [chance.gauss(100, 2) for _ in range(9)]) for _ in range(500)]
    scatter = float(np.std([one.distance_mm for one in many]))
    assert float(np.mean([one.sd_mm for one in many])) == pytest.approx(scatter, rel=0.2)


@pytest.mark.parametrize(
    ("text", "known"),
    [("40", (40, "mm")), ("40mm", (40, "mm")), ("4,5 cm", (45, "mm")), ("2 in", (50.8, "mm")), ("250 ml", (250, "ml"))],
)
def test_a_fill_as_people_type_it(text: str, known: tuple[float, str]) -> None:
    assert _known(text) == known


@pytest.mark.parametrize("text", ["", "much", "0", "-4", "4 l", "4 4"])
def test_a_fill_that_is_none(text: str) -> None:
    with pytest.raises(ValueError, match=r"write a height|0 is the empty jar"):
        _known(text)


# --- the edit

KITCHEN = """\
# my kitchen
[[jar]]
name = "wheat"
empty_mm = 140   # by hand

[[jar]]   # the other one
name = "rye"  # [[jar]]
empty_mm   =   152   # not sure
geometry = {shape = "table", points = [
    [40, 200],  # weighed
    [80, 420],
]}  # table
# a last word

[[serial]]
port = "PORT"
jar = "rye"
"""


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_only_the_values_change(ending: str) -> None:
    text = KITCHEN.replace("\n", ending)
    new = with_values(text, ("jar", 1), {"empty_mm": "151.5", "geometry": '{shape = "straight"}'})
    expected = KITCHEN.replace("empty_mm   =   152", "empty_mm   = 151.5")
    expected = re.sub(r"geometry = .*?\]\}", 'geometry = {shape = "straight"}', expected, flags=re.DOTALL)
    assert new == expected.replace("\n", ending)


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_a_new_key_goes_below_the_last_of_its_table(ending: str) -> None:
    text = KITCHEN.replace("\n", ending)
    new = with_values(text, ("jar", 0), {"rim_mm": "120"})
    assert new == KITCHEN.replace("# by hand\n", "# by hand\nrim_mm = 120\n").replace("\n", ending)
    assert with_values('[[jar]]\nname = "a"', ("jar", 0), {"x": "1"}) == '[[jar]]\nname = "a"\nx = 1'
    with pytest.raises(KeyError):
        with_values(text, ("jar", 2), {"x": "1"})
    with pytest.raises(KeyError):
        with_values('[[jar]]\nname = "a"\n[jar.geometry]\nshape = "straight"', ("jar", 0), {"geometry": "1"})


@pytest.mark.parametrize(
    "geometry",
    [
        Straight(diameter_mm=85.2),
        Tapered(bottom_diameter_mm=70.0, top_diameter_mm=90.0, height_mm=140.0),
        VolumeTable(points=((40.0, 200.0), (80.0, 420.0))),
    ],
)
def test_a_geometry_reads_back_from_the_config(geometry: Straight | Tapered | VolumeTable) -> None:
    raw = tomllib.loads(f'[[jar]]\nname = "a"\ngeometry = {toml_text(geometry_value(geometry))}')
    settings, problems = settings_from(raw)
    assert problems == []
    assert settings.jars[0].geometry == geometry


# --- from a file


def run(*words: str) -> click.testing.Result:
    done = jartide("calibrate", *words)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


@pytest.fixture
def kitchen(tmp_path: Path) -> Path:
    file = tmp_path / "kitchen.toml"
    file.write_text(KITCHEN)
    file.chmod(0o640)
    return file


def readings_csv(tmp_path: Path, rows: str) -> str:
    file = tmp_path / "fills.csv"
    file.write_text(rows)
    return str(file)


def test_a_file_of_fills_is_printed_and_written_only_when_asked(kitchen: Path, tmp_path: Path) -> None:
    section = pi / 4 * 85**2 / 1000
    rows = "# my jar\nknown_ml,distance_mm\n"
    for level in (0, 30, 60, 90):
        rows += "".join(f"{section * level:.1f},{152.4 - level + wobble}\n" for wobble in (-0.2, 0, 0.2))
    words = ("--config", str(kitchen), "--jar", "rye", "--from", readings_csv(tmp_path, rows))
    done = run(*words)
    assert done.exit_code == 0, done.output
    assert '[[jar]]\nname = "rye"\nempty_mm = 152.4\ngeometry = {shape = "straight", diameter_mm = 85.0}' in done.stdout
    assert kitchen.read_text() == KITCHEN
    done = run(*words, "--write")
    assert done.exit_code == 0, done.output
    (kept,) = tmp_path.glob("kitchen.toml.before-*")
    assert kept.read_text() == KITCHEN
    assert kitchen.stat().st_mode & 0o777 == 0o640
    rye = load(kitchen).jar("rye")
    assert (rye.empty_mm, rye.geometry) == (152.4, Straight(diameter_mm=85.0))
    assert load(kitchen).jar("wheat").empty_mm == 140
    assert "# a last word" in kitchen.read_text()


def test_doubtful_fills_exit_with_one_and_are_not_written(kitchen: Path, tmp_path: Path) -> None:
    rows = "known_mm,distance_mm\n0,152\n20,132\n40,112\n60,84\n80,72\n100,52\n"
    done = run("--config", str(kitchen), "--jar", "rye", "--from", readings_csv(tmp_path, rows), "--write")
    assert done.exit_code == 1
    assert "Do not use this: see above. Nothing was written." in done.stderr
    assert kitchen.read_text() == KITCHEN
    assert not list(tmp_path.glob("*.before-*"))


@pytest.mark.parametrize(
    ("rows", "said", "code"),
    [
        ("known_mm,reads\n0,152\n", "its columns must be known_mm or known_ml, and distance_mm", 2),
        ("known_mm,known_ml,distance_mm\n0,0,152\n", "its columns must be", 2),
        ("known_mm,distance_mm\n20,132\n", "has no reading over the empty jar (known_mm = 0)", 2),
        ("known_mm,distance_mm\n0,much\n", "row 2: needs two numbers", 2),
        ("known_mm,distance_mm\n0,8190\n", "row 2: needs two numbers", 2),
        ("known_ml,distance_mm\n0,152\n", "at least one fill", 1),
        ("known_ml,distance_mm\n0,152\n0.1,100\n", "Were the volumes in ml?", 1),
    ],
)
def test_a_file_that_cannot_be_used_says_why(kitchen: Path, tmp_path: Path, rows: str, said: str, code: int) -> None:
    done = run("--config", str(kitchen), "--jar", "rye", "--from", readings_csv(tmp_path, rows))
    assert done.exit_code == code
    assert said in done.stderr


def test_a_wrong_call_says_what_would_be_right(kitchen: Path, tmp_path: Path) -> None:
    for words, said in (
        ((), "the jars are wheat, rye"),
        (("--jar", "spelt"), "Its jars are: wheat, rye"),
        (("--jar", "rye", "--from", str(tmp_path / "none.csv")), "No such file"),
    ):
        done = run("--config", str(kitchen), *words)
        assert done.exit_code == 2
        assert said in done.stderr


# --- a person at a terminal


class Device:
    """A board on a pseudo-terminal that reads a level, with a little noise."""

    def __init__(self) -> None:
        self.distance_mm = 152.0
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.port = os.ttyname(self._theirs)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._talk)
        self._thread.start()

    def _talk(self) -> None:
        # a recording's own times, half a second apart, so that the source takes every line for a reading of its own
        chance, at_s = random.Random(1), time.time() - 3600
        while not self._stop.wait(0.05):
            at_s += 0.6
            distance = self.distance_mm + chance.choice((-0.2, 0.0, 0.2))
            os.write(self._ours, f'{{"jar":"rye","distance_mm":{distance:.1f},"time":{at_s:.1f}}}\n'.encode())

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._ours)
        os.close(self._theirs)


@contextmanager
def device() -> Iterator[Device]:
    board = Device()
    try:
        yield board
    finally:
        board.close()


class Terminal:
    """A person's terminal on a program: sees what it says, types an answer."""

    def __init__(self, *words: str) -> None:
        self._ours, theirs = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor", *words], stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True
        )
        os.close(theirs)
        self.said = ""

    def sees(self, text: str) -> None:
        def look() -> bool:
            while select.select([self._ours], [], [], 0)[0]:
                try:
                    self.said += os.read(self._ours, 4096).decode(errors="replace").replace("\r\n", "\n")
                except OSError:  # the program has ended
                    break
            return text in self.said

        wait_until(look, f"{text!r} on the terminal", within_s=30)
        self.said = self.said.split(text, 1)[1]

    def types(self, text: str) -> None:
        os.write(self._ours, text.encode() + b"\n")

    def ends(self) -> int:
        code = self.process.wait(20)
        os.close(self._ours)
        return code


def test_a_person_is_walked_through_and_the_config_is_written(kitchen: Path) -> None:
    section = pi / 4 * 85**2 / 1000
    with device() as board:
        kitchen.write_text(KITCHEN.replace("PORT", board.port))
        terminal = Terminal("calibrate", "--config", str(kitchen), "--jar", "rye", "--write")
        terminal.sees("a disc\nof it on the water")
        terminal.sees("When the jar is empty and the lid is on, press Enter")
        terminal.types("")
        for level in (30, 60, 90):
            terminal.sees("Next fill, like 250 ml or 40 mm")
            board.distance_mm = 152.0 - level
            if level == 60:
                terminal.types("a cup")
                terminal.sees("write a height such as 40 mm")
                terminal.types("60 mm")
                terminal.sees("One kind only: the others were in ml")
            terminal.types(f"{section * level:.0f} ml")
            terminal.sees("waiting for 5 readings")
        terminal.sees("Next fill")
        terminal.types("")
        terminal.sees("diameter_mm = 8")
        terminal.sees(f"Written to {kitchen}")
        assert terminal.ends() == 0
    rye = load(kitchen).jar("rye")
    assert rye.empty_mm == pytest.approx(152, abs=0.5)
    assert isinstance(rye.geometry, Straight)
    assert rye.geometry.diameter_mm == pytest.approx(85, abs=1)


def test_a_silent_device_ends_it_with_a_word(kitchen: Path) -> None:
    kitchen.write_text(KITCHEN.replace("PORT", "/dev/nope"))
    words = ["calibrate", "--config", str(kitchen), "--jar", "rye", "--wait-s", "1"]
    done = jartide(*words, answers="\n")
    assert done.exit_code == 1
    assert "Only 0 readings of rye came within 1 s" in done.stderr
    assert "there is no /dev/nope" in done.stderr
