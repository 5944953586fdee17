"""The simulated sensors against datasheets and acoustics; the kitchen; chance."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.vessel.level import echo_to_mm
from monitor.simulator.kitchen import Kitchen, jar_lag_h, jar_minutes, place_c
from monitor.simulator.random_numbers import RandomNumbers
from monitor.simulator.scenario import Heating, KitchenPlan, SensorPlan, Window
from monitor.simulator.sensor import Seen, Sensor, headspace_co2, sound_m_per_s


def seen(
    distance_mm,
    count=4000,
    width_mm=85.0,
    jar_c=25.0,
    room_c=22.0,
    expansion=0.0,
    since_fed_h=0.0,
    hooch=0.0,
    escaping_ml_per_h=0.0,
):
    def full(value):
        return np.full(count, float(value))

    return Seen(
        time_s=np.arange(count) * 10.0, distance_mm=full(distance_mm), width_mm=full(width_mm),
        expansion=full(expansion), since_fed_h=full(since_fed_h), hooch=full(hooch),
        jar_c=full(jar_c), room_c=full(room_c), escaping_ml_per_h=full(escaping_ml_per_h),
    )  # fmt: skip


# --- optical --------------------------------------------------------------------------------------------------------


def test_optical_noise_and_rounding_are_as_asked_for():
    said = Sensor(SensorPlan(noise_mm=2.0, dropouts=0.0), 1, "a", 10.0).report(seen(60.0)).distance_mm
    assert set(np.unique(said % 1.0)) == {0.0}
    assert said.std() == pytest.approx(math.sqrt(2.0**2 * 1.02**2 + 1 / 12), rel=0.05)  # with the rounding's own
    assert said.mean() == pytest.approx(60.0, abs=0.2)


def test_optical_readings_drop_out_as_often_as_asked_for():
    said = Sensor(SensorPlan(dropouts=0.06), 1, "a", 10.0).report(seen(60.0)).distance_mm
    assert np.isnan(said).mean() == pytest.approx(0.06, abs=0.015)


def test_optical_reads_too_far_below_its_nearest():
    said = Sensor(SensorPlan(dropouts=0.0, near_mm=40.0), 1, "a", 10.0).report(seen(12.0)).distance_mm
    assert said.mean() == pytest.approx(12 + 0.25 * 28, abs=0.3)


def test_a_bias_grows_with_the_range():
    """Caroleo 2026 (PMC12986679): a VL53L5CX has a bias that depends on the range; ours is a share of it."""
    plan = SensorPlan(noise_mm=0.5, dropouts=0.0, step_mm=0.0, range_bias=0.04)
    off = [Sensor(plan, 1, "a", 10.0).report(seen(mm)).distance_mm.mean() - mm for mm in (50.0, 100.0)]
    assert off == pytest.approx([2.0, 4.0], abs=0.1)


@pytest.mark.parametrize("step_mm", [5.0, 10.0])
def test_firmware_that_rounds_to_whole_centimetres(step_mm):
    said = Sensor(SensorPlan(noise_mm=1.5, step_mm=step_mm, dropouts=0.0), 1, "a", 10.0).report(seen(63.0)).distance_mm
    assert set(np.unique(said % step_mm)) == {0.0}


def test_old_foam_lets_the_light_in():
    """ST AN5851: part of the light enters; how far hangs on bubbles that grow, so it reads further with time."""
    plan = SensorPlan(noise_mm=0.5, dropouts=0.0, step_mm=0.0, foam_mm=4.0)

    def off_mm(**how):
        return Sensor(plan, 1, "a", 10.0).report(seen(80.0, **how)).distance_mm.mean() - 80.0

    fresh, old, flat = (
        off_mm(expansion=1.2, since_fed_h=0.2),
        off_mm(expansion=1.2, since_fed_h=16.0),
        off_mm(since_fed_h=16.0),
    )
    assert abs(fresh) < 0.3
    assert 3.0 < old < 4.0
    assert abs(flat) < 0.2


def test_a_bubbly_surface_heaves_slowly():
    """Correlated, not white: the means of ten readings spread far more than white noise's would."""
    still = Sensor(SensorPlan(), 1, "a", 10.0).report(seen(60.0, expansion=0.0)).distance_mm
    bubbly = Sensor(SensorPlan(breathing_mm=2.0), 1, "a", 10.0).report(seen(60.0, expansion=1.0)).distance_mm

    def spread(values):
        return np.nanmean(values[:4000].reshape(-1, 10), axis=1).std()

    assert spread(bubbly) > 2.5 * spread(still)


def test_a_wide_cone_sees_the_wall_of_a_narrow_jar():
    """25 degrees of view: the spot is 0.443 times the distance wide, 66 mm at 150 mm."""
    wide = Sensor(SensorPlan(noise_mm=0.0), 1, "a", 10.0).report(seen(150.0, width_mm=70.0)).distance_mm
    narrow = Sensor(SensorPlan(noise_mm=0.0), 1, "a", 10.0).report(seen(150.0, width_mm=45.0)).distance_mm
    assert np.nanmean(wide) == pytest.approx(150.0, abs=0.5)
    assert 130 < np.nanmean(narrow) < 145


# --- ultrasonic -----------------------------------------------------------------------------------------------------

CO2_SPEED = [(0.0004, 347.8), (0.01, 346.7), (0.05, 342.5), (0.10, 337.3), (0.20, 327.6), (0.50, 302.5), (0.97, 272.2)]


@pytest.mark.parametrize(("co2", "speed"), CO2_SPEED)
def test_sound_is_slowed_by_carbon_dioxide(co2, speed):
    """Ideal-gas mixture at 25 degC and 100 % humidity, worked out apart from this code; 0.5 % as the method's error."""
    assert sound_m_per_s(np.array([25.0]), np.array([co2]), 100.0)[0] == pytest.approx(speed, rel=0.005)


@pytest.mark.parametrize(("air_c", "speed"), [(0, 331.45), (10, 337.47), (20, 343.37), (25, 346.28), (30, 349.16)])
def test_sound_in_dry_air(air_c, speed):
    """Cramer 1993, J. Acoust. Soc. Am. 93:2510-2516."""
    assert sound_m_per_s(np.array([float(air_c)]), np.array([0.0004]), 0.0)[0] == pytest.approx(speed, abs=0.5)


def test_pure_carbon_dioxide():
    """259 m/s at 0 degC (handbooks)."""
    assert sound_m_per_s(np.array([0.0]), np.array([1.0]), 0.0)[0] == pytest.approx(259, rel=0.005)


def test_an_echo_reads_too_far_under_a_lid_that_holds_the_gas():
    def apparent_mm(venting):
        plan = SensorPlan(kind="ultrasonic", venting=venting, dropouts=0.0, noise_mm=0.0)
        echo_us = Sensor(plan, 1, "a", 10.0).report(seen(100.0, escaping_ml_per_h=100.0)).echo_us[-1]
        return echo_to_mm(float(echo_us), 24.1, 97.0)

    assert apparent_mm("open") == pytest.approx(100.4, abs=0.5)
    assert apparent_mm("open") < apparent_mm("loose") < apparent_mm("tight")
    assert apparent_mm("tight") > 110


def test_an_echo_from_too_near_is_none():
    assert np.isnan(Sensor(SensorPlan(kind="ultrasonic"), 1, "a", 10.0).report(seen(15.0)).echo_us).all()


@given(st.floats(0, 1e5), st.sampled_from(["open", "loose", "tight"]))
def test_the_headspace_holds_a_share(escaping, venting):
    assert 0.0004 <= headspace_co2(np.array([escaping]), venting)[0] <= 0.97


# --- the kitchen ----------------------------------------------------------------------------------------------------


def room(plan, hours=48, starts_s=1_772_409_600.0):  # 2026-03-02T00:00:00Z
    return Kitchen(plan, starts_s, 0.0, 1).minutes(0, hours * 60 + 1)


def test_day_and_night():
    curve = room(KitchenPlan(wander_c=0.0, swing_c=2.0, warmest_s=16 * 3600))
    assert curve[16 * 60] == pytest.approx(24.0, abs=0.01)
    assert curve[4 * 60] == pytest.approx(20.0, abs=0.01)


def test_heating_keeps_a_cold_room_at_its_setting_and_switches():
    curve = room(KitchenPlan(room_c=14.0, wander_c=0.0, swing_c=0.0, heating=Heating(day_c=21.0, night_c=17.0)))
    day = curve[36 * 60 : 46 * 60]
    assert 20.4 < day.min() < day.max() < 21.6
    turns = int((np.diff(np.sign(np.diff(day))) != 0).sum())
    assert turns > 6


def test_an_open_window_cools_and_the_room_recovers():
    plan = KitchenPlan(wander_c=0.0, swing_c=0.0, windows=(Window(at_s=3600.0, minutes=30.0, outside_c=2.0),))
    curve = room(plan)
    assert curve[59] == pytest.approx(22.0)
    assert curve[90] < 13
    assert curve[90 + 3 * 60] == pytest.approx(22.0, abs=0.3)


def test_the_room_is_the_same_however_it_is_asked_for():
    plan = KitchenPlan(heating=Heating())
    whole = room(plan, 10)
    kitchen = Kitchen(plan, 1_772_409_600.0, 0.0, 1)
    parts = np.concatenate([kitchen.minutes(0, 7), kitchen.minutes(7, 200), kitchen.minutes(207, 394)])
    assert np.array_equal(whole, parts)


def test_the_jar_lags_as_newton_says():
    """exp(-t/tau): after one time constant 63.2 % of the step (Newton's law of cooling)."""
    lag_h = jar_lag_h(225.0)
    assert 0.7 < lag_h < 1.3
    minutes = round(lag_h * 60)
    jar = jar_minutes(24.0, [4.0] * (minutes + 1), lag_h)
    assert jar[0] == 24.0
    assert (24.0 - jar[minutes]) / 20.0 == pytest.approx(1 - math.exp(-1), abs=0.01)
    fridge = place_c("fridge", KitchenPlan(), np.full(200, 22.0), 0)
    assert fridge.mean() == pytest.approx(4.5, abs=0.3)
    assert place_c("oven", KitchenPlan(), np.full(3, 22.0), 0).tolist() == [28.0] * 3


# --- chance ---------------------------------------------------------------------------------------------------------


def test_chance_is_the_same_on_any_machine():
    """PCG64 of SeedSequence([7, crc32('x')]): its raw output is promised by numpy (NEP 19); written down once here."""
    chance = RandomNumbers(7, "x")
    expected = np.random.PCG64(np.random.SeedSequence([7, 2363233923])).random_raw(2)
    assert chance.uniform(2).tolist() == [((int(raw) >> 12) + 0.5) * 2.0**-52 for raw in expected]


def test_chance_does_not_care_how_it_is_cut():
    one, other = RandomNumbers(1, "a"), RandomNumbers(1, "a")
    assert one.normal(30).tolist() == [*other.normal(10).tolist(), *other.normal(20).tolist()]
    assert RandomNumbers(1, "a").normal(5).tolist() != RandomNumbers(1, "b").normal(5).tolist()
    values = RandomNumbers(2, "many").normal(20_000)
    assert values.mean() == pytest.approx(0, abs=0.03)  # 4 standard errors
    assert values.std() == pytest.approx(1, abs=0.02)
