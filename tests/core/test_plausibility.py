"""Which single readings are believed: codes of real sensors, temperatures, times, a frozen sensor."""

from __future__ import annotations

import random

import pytest

from monitor.core.signal.plausibility import Plausibility, believable_temperature, judge, temperature_at
from monitor.settings import JarSettings
from monitor.values import Reading

JAR = JarSettings(name="rye", empty_mm=180.0)


def reading(time_s: float, distance_mm: float | None = 100.0, temperature_c: float | None = None) -> Reading:
    return Reading(time_s=time_s, jar="rye", distance_mm=distance_mm, temperature_c=temperature_c)


@pytest.mark.fault("V4")
@pytest.mark.parametrize("code_mm", [0.0, -1.0, 2.0, 8190.0, 8191.0, 65535.0])
def test_codes_for_no_target_are_no_distance(code_mm: float) -> None:
    # VL53L1X-class sensors give 8190/8191 for "no target" and small nonsense without a status check
    assert judge(Plausibility(), reading(60.0, code_mm), JAR, 60.0) == ("no target", None)


@pytest.mark.fault("V4")
@pytest.mark.parametrize(
    ("temperature_c", "believed_c"),
    [
        (25.0625, 25.0625),  # DS18B20 data sheet, table 1
        (0.5, 0.5),
        (-10.125, -10.125),
        (85.0, None),  # its power-on value
        (-127.0, None),  # "device disconnected" in common libraries
        (0.0, None),  # an all-zero frame passes its checksum
        (125.0, None),
        (float("nan"), None),
        (None, None),
    ],
)
def test_fault_values_of_temperature_are_missing(temperature_c: float | None, believed_c: float | None) -> None:
    assert believable_temperature(temperature_c) == believed_c


def test_a_temperature_is_carried_for_a_quarter_of_an_hour() -> None:
    seen = Plausibility()
    assert judge(seen, reading(0.0, None, 24.0), JAR, 0.0) == ("no distance", None)
    assert temperature_at(seen, 900.0) == 24.0
    assert temperature_at(seen, 901.0) is None


@pytest.mark.fault("M6")
def test_late_and_doubled_rows_change_nothing() -> None:
    seen = Plausibility()
    assert judge(seen, reading(60.0), JAR, 60.0) == (None, 100.0)
    assert judge(seen, reading(60.0), JAR, 60.0)[0] == "late or doubled"
    assert judge(seen, reading(30.0), JAR, 60.0)[0] == "late or doubled"
    assert seen.last_s == 60.0


@pytest.mark.fault("T7")
def test_a_row_from_the_future_is_refused() -> None:
    assert judge(Plausibility(), reading(200_000.0), JAR, 0.0)[0] == "from the future"
    assert judge(Plausibility(), reading(float("nan")), JAR, 0.0)[0] == "from the future"


def test_sampling_is_learnt_and_follows_a_change() -> None:
    seen = Plausibility()
    for k in range(20):
        judge(seen, reading(k * 10.0), JAR, k * 10.0)
    assert seen.sampling_s == 10.0
    for k in range(1, 30):
        judge(seen, reading(190.0 + k * 300.0), JAR, 1e5)
    assert seen.sampling_s == 300.0


@pytest.mark.fault("V2")
@pytest.mark.parametrize("noise_mm", [0.4, 1.0, 3.0])
def test_a_frozen_sensor_is_found_and_a_quiet_one_is_not(noise_mm: float) -> None:
    rng = random.Random(1)
    seen = Plausibility()
    for k in range(3000):  # a day of 30 s readings, rounded to 1 mm: never called stuck
        reason, _ = judge(seen, reading(k * 30.0, round(rng.gauss(100.3, noise_mm))), JAR, 1e6)
        assert reason is None
    found_s = None
    for k in range(3000, 3600):
        if judge(seen, reading(k * 30.0, 101.0), JAR, 1e6)[0] == "stuck":
            found_s = (k - 3000) * 30.0
            break
    assert found_s is not None
    assert found_s <= 2.5 * 3600.0
    assert judge(seen, reading(3700 * 30.0, 90.0), JAR, 1e6) == (None, 90.0)


def test_a_wild_value_now_and_then_does_not_hide_that_a_sensor_is_frozen() -> None:
    rng = random.Random(1)
    seen = Plausibility()
    for k in range(600):
        judge(seen, reading(k * 30.0, round(rng.gauss(100.0, 1.0))), JAR, 1e6)
    reasons = [
        judge(seen, reading(k * 30.0, 140.0 + k % 40 if k % 9 == 0 else 101.0), JAR, 1e6)[0] for k in range(600, 700)
    ]
    assert reasons[-1] == "stuck"
    assert judge(seen, reading(701 * 30.0, 130.0), JAR, 1e6) == (None, 130.0)  # it is read again at once when it thaws
    assert judge(seen, reading(702 * 30.0, 131.0), JAR, 1e6) == (None, 131.0)
