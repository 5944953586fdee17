"""Distance, echo and geometry against published values and closed forms."""

from __future__ import annotations

from math import pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.vessel import level
from monitor.core.vessel.geometry import problem_with, table
from monitor.settings import JarSettings
from monitor.values import Reading, Straight, Tapered, VolumeTable


@pytest.mark.parametrize(
    ("air_c", "metres_per_s"), [(0.0, 331.29), (10.0, 337.30), (20.0, 343.20), (25.0, 346.11), (30.0, 349.00)]
)
def test_speed_of_sound_in_dry_air_as_iso_9613_1(air_c: float, metres_per_s: float) -> None:
    assert level.speed_of_sound(air_c) == pytest.approx(metres_per_s, abs=0.01)


@pytest.mark.parametrize(
    ("air_c", "humidity_pct", "metres_per_s"),
    [
        (0.0, 0.0, 331.45),  # the accepted value for standard dry air
        (10.0, 50.0, 337.79),
        (20.0, 0.0, 343.37),
        (20.0, 100.0, 344.62),
        (25.0, 50.0, 347.13),
        (30.0, 100.0, 351.48),
    ],
)
def test_speed_of_sound_in_humid_air_as_cramer_1993(air_c: float, humidity_pct: float, metres_per_s: float) -> None:
    # Cramer's equation 15 at 101325 Pa, CO2 314 ppm; ours has today's 400 ppm, which moves it by 0.003 m/s
    assert level.speed_of_sound(air_c, humidity_pct) == pytest.approx(metres_per_s, abs=0.02)


@pytest.mark.parametrize(("air_c", "echo_us"), [(15.0, 587.8), (20.0, 582.8), (25.0, 577.8), (30.0, 573.1)])
def test_echo_of_100_mm(air_c: float, echo_us: float) -> None:
    assert level.echo_to_mm(echo_us, air_c) == pytest.approx(100.0, abs=0.02)


def test_hc_sr04_rules_of_thumb_agree_within_their_own_scatter() -> None:
    # its data sheet says 58 us a centimetre, which is sound at 344.8 m/s, and 340 m/s elsewhere: 1.4 % apart
    assert level.echo_to_mm(58.0, 22.0) == pytest.approx(10.0, rel=0.014)


def test_an_echo_takes_the_air_over_the_dough_over_a_kitchen() -> None:
    echo = {"time_s": 0.0, "jar": "rye", "echo_us": 600.0}
    assert level.distance_of(Reading(**echo, air_c=30.0), 10.0) == level.echo_to_mm(600.0, 30.0)  # type: ignore[arg-type]
    assert level.distance_of(Reading(**echo), 10.0) == level.echo_to_mm(600.0, 10.0)  # type: ignore[arg-type]
    assert level.distance_of(Reading(**echo), None) == level.echo_to_mm(600.0, 22.0)  # type: ignore[arg-type]
    assert level.distance_of(Reading(time_s=0.0, jar="rye"), 20.0) is None


def test_headspace_co2_error_is_that_of_the_gas_mixture() -> None:
    # ideal-gas mixture at 25 degC, saturated: 20 % CO2 makes 100 mm read as 106.2 mm, 5 % as 101.6
    assert pytest.approx(6.2, abs=0.1) == 100.0 * level.SLOWER_PER_CO2 * 0.20
    assert pytest.approx(1.6, abs=0.1) == 100.0 * level.SLOWER_PER_CO2 * 0.05
    tight = JarSettings(name="rye", sensor="ultrasonic", venting="tight")
    loose = JarSettings(name="rye", sensor="ultrasonic", venting="loose")
    assert level.headspace_sd_mm(100.0, tight) > level.headspace_sd_mm(100.0, loose) > 1.0
    assert level.headspace_sd_mm(100.0, JarSettings(name="rye")) == 0.0


def test_volumes() -> None:
    assert level.volume_ml(Straight(diameter_mm=85.0), 40.0) == pytest.approx(227.0, abs=0.05)
    cone = Tapered(bottom_diameter_mm=70.0, top_diameter_mm=90.0, height_mm=140.0)
    frustum = pi * 140.0 / 3.0 * (35.0**2 + 35.0 * 45.0 + 45.0**2) / 1000.0
    assert level.volume_ml(cone, 140.0) == pytest.approx(frustum, rel=1e-12)
    table = VolumeTable(points=((40.0, 200.0), (80.0, 420.0)))
    assert level.volume_ml(table, 20.0) == pytest.approx(100.0)
    assert level.volume_ml(table, 60.0) == pytest.approx(310.0)
    assert level.volume_ml(table, 100.0) == pytest.approx(530.0)
    assert level.volume_ml(Straight(), 40.0) is None


def test_rise_is_by_volume() -> None:
    assert level.rise_ratio(Straight(), 80.0, 40.0) == 2.0
    cone = Tapered(bottom_diameter_mm=70.0, top_diameter_mm=90.0, height_mm=140.0)
    ratio = level.rise_ratio(cone, 80.0, 40.0)
    assert ratio is not None
    assert ratio > 2.0  # a jar that widens holds more than twice at twice the height
    assert level.rise_ratio(Straight(), 80.0, 0.0) is None


@given(
    st.floats(1.0, 150.0),
    st.floats(0.1, 40.0),
    st.sampled_from(
        [
            Straight(diameter_mm=85.0),
            Tapered(bottom_diameter_mm=70.0, top_diameter_mm=90.0, height_mm=140.0),
            VolumeTable(points=((40.0, 200.0), (80.0, 420.0), (120.0, 700.0))),
        ]
    ),
)
def test_more_level_is_more_volume(level_mm: float, more_mm: float, geometry: object) -> None:
    low = level.volume_ml(geometry, level_mm)  # type: ignore[arg-type]
    high = level.volume_ml(geometry, level_mm + more_mm)  # type: ignore[arg-type]
    assert low is not None
    assert high is not None
    assert high > low


def test_spread_of_the_ratio_by_the_exact_derivative_of_a_straight_wall() -> None:
    # r = h / s: var r = (sd / s)^2 + (h sd_s / s^2)^2, to first order
    spread = level.rise_ratio_sd(Straight(), 80.0, 40.0, 0.5, 0.25)
    assert spread == pytest.approx(((0.5 / 40.0) ** 2 + (80.0 * 0.25 / 1600.0) ** 2) ** 0.5, rel=0.05)


@pytest.mark.fault("C3")
@pytest.mark.parametrize("points", [[(40, 200), (40, 300)], [(40, 200), (60, 200)], [(40, 200), (30, 300)], [(0, 5)]])
def test_a_table_that_does_not_rise_in_both_columns_is_no_jar(points: list[tuple[float, float]]) -> None:
    assert "must rise in both columns" in str(problem_with(table(points)))
