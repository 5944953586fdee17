"""Groups of jars, names with a range, and shares of the jars for several daemons."""

from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.reader import SettingsError, load
from monitor.config.share import owner
from monitor.values import Straight, Tapered

RYE = '[[group]]\nname = "rye"\nflour = "whole rye"\nempty_mm = 152\n'


def written(folder: Path, text: str) -> Path:
    path = folder / "bakery.toml"
    path.write_text(text)
    return path


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load(written(folder, text))
    return [line.removeprefix(f"{folder}/bakery.toml, ") for line in caught.value.problems]


def test_a_range_names_forty_jars_and_a_group_gives_what_they_share(tmp_path: Path) -> None:
    text = (
        RYE + '[[jar]]\nname = "shelf-{1..40}"\ngroup = "rye"\n[[jar]]\nname = "big"\ngroup = "rye"\nempty_mm = 210\n'
    )
    jars = load(written(tmp_path, text)).jars
    assert [jar.name for jar in jars] == [f"shelf-{n}" for n in range(1, 41)] + ["big"]
    assert {jar.flour for jar in jars} == {"whole rye"}
    assert {jar.group for jar in jars} == {"rye"}
    assert Counter(jar.empty_mm for jar in jars) == {152.0: 40, 210.0: 1}


def test_a_group_gives_shape_and_sensor_too(tmp_path: Path) -> None:
    text = (
        '[[group]]\nname = "g"\nsensor = "ultrasonic"\nventing = "open"\nempty_mm = 150\nrim_mm = 140\ncycle_h = 12\n'
        'geometry = {shape = "tapered", bottom_diameter_mm = 70, top_diameter_mm = 90, height_mm = 140}\n'
        '[[jar]]\nname = "g{1..200}"\ngroup = "g"\n'
        '[[jar]]\nname = "old"\ngroup = "g"\nsensor = "optical"\ngeometry = {shape = "straight", diameter_mm = 80}\n'
    )
    *shelf, old = load(written(tmp_path, text)).jars
    tapered = Tapered(bottom_diameter_mm=70, top_diameter_mm=90, height_mm=140)
    assert len(shelf) == 200
    assert {(jar.geometry, jar.sensor, jar.venting, jar.rim_mm, jar.cycle_h) for jar in shelf} == {
        (tapered, "ultrasonic", "open", 140.0, 12.0)
    }
    assert (old.geometry, old.sensor, old.rim_mm) == (Straight(diameter_mm=80), "optical", 140.0)


def test_a_range_keeps_its_leading_zeros(tmp_path: Path) -> None:
    jars = load(written(tmp_path, '[[jar]]\nname = "r{08..11}x"\n')).jars
    assert [jar.name for jar in jars] == ["r08x", "r09x", "r10x", "r11x"]


def test_what_is_wrong_in_a_group_is_said_once_where_it_stands(tmp_path: Path) -> None:
    text = RYE.replace("152", '"152"') + '[[jar]]\nname = "shelf-{1..40}"\ngroup = "rye"\n'
    assert problems(tmp_path, text) == ['line 4: [[group]] rye: empty_mm = "152": must be a number, without quotes']
    text = RYE + 'rim_mm = 400\n[[jar]]\nname = "shelf-{1..40}"\ngroup = "rye"\n'
    (line,) = problems(tmp_path, text)
    assert line.startswith("line 5: [[group]] rye: rim_mm = 400: the rim cannot be above the sensor")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (RYE + '[[jar]]\nname = "a"\ngroup = "ry"\n', "no [[group]] has this name (there are rye)"),
        ('[[jar]]\nname = "a"\ngroup = "rye"\n', "no [[group]] has this name (there is none)"),
        (RYE + RYE + '[[jar]]\nname = "a"\n', "two groups with one name"),
        ('[[jar]]\nname = "a{9..3}"\n', "a range must count upwards"),
        ('[[jar]]\nname = "a{1..999999999}"\n', "at most 10000 jars"),
        ('[[jar]]\nname = "a{1..3}"\n[[jar]]\nname = "a2"\n', "two jars with one name"),
        ('share = "5/4"\n[[jar]]\nname = "a"\n', '"2/4" for the second of four'),
        ('share = 2\n[[jar]]\nname = "a"\n', 'must be text in "quotes", such as "2/4"'),
    ],
)
def test_each_slip_is_one_clear_line(tmp_path: Path, text: str, said: str) -> None:
    (line,) = problems(tmp_path, text)
    assert said in line


def test_the_shares_hold_every_jar_exactly_once(tmp_path: Path) -> None:
    jars = '[[jar]]\nname = "shelf-{1..200}"\n'
    whole = {jar.name for jar in load(written(tmp_path, jars)).jars}
    shares = [load(written(tmp_path, f'share = "{n}/4"\n{jars}')) for n in range(1, 5)]
    held = Counter(jar.name for share in shares for jar in share.jars)
    assert set(held) == whole
    assert set(held.values()) == {1}
    for share in shares:
        assert share.elsewhere == whole - {jar.name for jar in share.jars}


@given(st.text(min_size=1, max_size=40), st.integers(1, 12))
def test_one_more_daemon_takes_jars_and_moves_none_between_the_others(name: str, of: int) -> None:
    """The property that rendezvous hashing is chosen for (Thaler and Ravishankar 1998)."""
    assert owner(name, of + 1) in {owner(name, of), of + 1}


def test_the_shares_are_even_within_chance() -> None:
    """20,000 jars over four: a binomial's spread is 61 a share; four of them would be one chance in 16,000."""
    counts = Counter(owner(f"jar-{n}", 4) for n in range(20_000))
    assert all(abs(count - 5000) < 4 * 61 for count in counts.values())
