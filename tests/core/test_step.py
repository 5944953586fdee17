"""The step function: whole small stories, and what people say of them. All recordings are invented."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from monitor.core.detect import step as core
from monitor.settings import JarSettings
from monitor.values import Arrival, Fed, Feeding, Item, Noted, Noting, Reading, Stage, Tapered, of_grams
from tests.core.stories import BEGAN_S, HOUR_S, JAR, K, bump, kinds, one, run, story


@pytest.mark.parametrize("every_s", [10.0, 60.0, 300.0, 600.0])
def test_a_day_from_feeding_to_fall(every_s: float) -> None:
    state, events = run(story(20.0, every_s=every_s))
    fed, fall = one(events, K.FED), one(events, K.FALL_BEGAN)
    assert abs(fed.happened_at_s - (BEGAN_S + HOUR_S)) <= 1200.0
    assert fed.decided_at_s - (BEGAN_S + HOUR_S) <= 1200.0
    peak_s = BEGAN_S + 9.0 * HOUR_S
    assert [e for e in events if e.kind is K.PEAK_REACHED][-1].happened_at_s == pytest.approx(peak_s, abs=1800.0)
    assert peak_s < fall.decided_at_s < peak_s + 4.0 * HOUR_S
    assert peak_s <= fall.happened_at_s <= fall.decided_at_s
    assert kinds(events).index(K.RISE_BEGAN) < kinds(events).index(K.PEAK_REACHED) < kinds(events).index(K.FALL_BEGAN)
    state = core.current(state, BEGAN_S + 20.0 * HOUR_S)
    assert state.stage is Stage.FALLING
    assert state.cycle is not None
    assert state.cycle.peak_ratio == pytest.approx(2.0, abs=0.06)
    assert state.level is not None
    assert state.level.level_mm == pytest.approx(bump(19.0), abs=2.0)
    assert state.noise_mm == pytest.approx((0.64 + 1.0 / 12.0) ** 0.5, rel=0.2)
    assert state.sampling_s == every_s


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("every_s", [30.0, 120.0])
def test_a_partial_collapse_on_the_way_up_is_no_fall(every_s: float, seed: int) -> None:
    """Six and a half hours after the feeding the level sinks by 3 mm within a minute and rises on from there."""
    at_s = BEGAN_S + 7.5 * HOUR_S
    rows = [
        replace(r, distance_mm=r.distance_mm + 3.0) if r.time_s >= at_s and r.distance_mm is not None else r
        for r in story(22.0, every_s=every_s, noise_mm=0.4, seed=seed, step_mm=0.1)
    ]
    _, events = run(rows)
    assert kinds(events).count(K.FED) == 1
    assert one(events, K.FALL_BEGAN).decided_at_s > BEGAN_S + 9.0 * HOUR_S


@pytest.mark.parametrize("seed", [1, 2])
def test_a_rise_after_a_fall_without_a_rise_begins_a_cycle(seed: int) -> None:
    """Begun while the level falls (no rise was seen, so no fall is said), and fed where a silence hides the hands."""
    rng = random.Random(seed)

    def level(at_h: float) -> float:
        return 85.0 - 3.0 * at_h if at_h < 9.0 else bump(at_h - 9.0, start_mm=50.0)

    rows = [
        Reading(time_s=BEGAN_S + h * 60.0, jar="rye", distance_mm=180.0 - round(level(h / 60.0) + rng.gauss(0.0, 0.8)))
        for h in range(24 * 60)
        if not 8.75 * 60 <= h < 9.25 * 60
    ]
    _, events = run(rows)
    fed, fall = one(events, K.FED), one(events, K.FALL_BEGAN)
    assert fed.happened_at_s == pytest.approx(BEGAN_S + 9.0 * HOUR_S, abs=1200.0)
    assert fall.decided_at_s > BEGAN_S + 17.0 * HOUR_S


def test_without_an_empty_distance_changes_are_still_seen() -> None:
    jar = JarSettings(name="rye")
    state, events = run(story(20.0), jar)
    assert abs(one(events, K.FED).happened_at_s - (BEGAN_S + HOUR_S)) <= 1200.0
    assert one(events, K.FALL_BEGAN)
    state = core.current(state, BEGAN_S)
    assert state.level is not None
    assert state.level.level_mm is None
    assert state.level.rise_ratio is None


def test_the_ratio_is_by_the_jars_geometry() -> None:
    cone = Tapered(bottom_diameter_mm=70.0, top_diameter_mm=90.0, height_mm=140.0)
    state, _ = run(story(9.5), JarSettings(name="rye", empty_mm=180.0, geometry=cone))
    level = core.current(state, BEGAN_S).level
    assert level is not None
    assert level.rise_ratio is not None
    assert level.rise_ratio > 2.05  # 90 mm over 45 mm, in a jar that widens


def test_first_start_in_mid_cycle_needs_a_rise_before_a_fall() -> None:
    falling = [r for r in story(30.0, fed_h=(-9.5,)) if r.time_s < BEGAN_S + 11.0 * HOUR_S]
    _, events = run(falling)
    assert K.FALL_BEGAN not in kinds(events)
    assert K.FED not in kinds(events)
    _, events = run(story(14.0, fed_h=(-3.0,)))
    assert kinds(events)[:1] == [K.RISE_BEGAN]
    assert one(events, K.FALL_BEGAN)
    assert K.FED not in kinds(events)


def test_a_look_under_the_lid_is_no_feeding() -> None:
    readings = story(7.0)
    for k in range(300, 302):
        readings[k] = Reading(time_s=readings[k].time_s, jar="rye", distance_mm=8190.0)
    for k in range(302, len(readings)):
        readings[k] = Reading(time_s=readings[k].time_s, jar="rye", distance_mm=readings[k].distance_mm + 2.0)  # type: ignore[operator]
    _, events = run(readings)
    assert kinds(events).count(K.FED) == 1
    assert K.FALL_BEGAN not in kinds(events)
    assert K.DISTURBED not in kinds(events)
    assert kinds(events).count(K.LID_OFF) == kinds(events).count(K.LID_ON) == 2


def test_a_partial_collapse_on_the_way_up_is_a_disturbance_and_no_fall() -> None:
    readings = story(8.0)
    collapsed = [
        r if r.time_s < BEGAN_S + 6.0 * HOUR_S or r.distance_mm == 8190.0
        else Reading(time_s=r.time_s, jar="rye", distance_mm=r.distance_mm + 7.0)  # type: ignore[operator]
        for r in readings
    ]  # fmt: skip
    _, events = run(collapsed)
    assert kinds(events).count(K.FED) == 1
    assert kinds(events).count(K.DISTURBED) == 1
    assert K.FALL_BEGAN not in kinds(events)


def test_a_starter_that_does_nothing_stays_flat_and_never_falls() -> None:
    rng = random.Random(1)
    readings = []
    for r in story(30.0):
        level = 75.0 if r.time_s < BEGAN_S + HOUR_S else 45.0
        lid_off = r.distance_mm == 8190.0
        value = 8190.0 if lid_off else float(round(180.0 - level + rng.gauss(0.0, 0.8)))
        readings.append(Reading(time_s=r.time_s, jar="rye", distance_mm=value))
    _, events = run(readings)
    assert one(events, K.STAYED_FLAT)
    assert not {K.RISE_BEGAN, K.PEAK_REACHED, K.FALL_BEGAN} & set(kinds(events))


def test_a_jar_taken_away_and_put_back() -> None:
    readings = story(8.0)
    away = [
        Reading(time_s=r.time_s, jar="rye", distance_mm=8190.0)
        if BEGAN_S + 4.0 * HOUR_S <= r.time_s < BEGAN_S + 5.0 * HOUR_S
        else r
        for r in readings
    ]
    _, events = run(away)
    assert one(events, K.JAR_AWAY).happened_at_s == pytest.approx(BEGAN_S + 4.0 * HOUR_S, abs=120.0)
    assert one(events, K.JAR_BACK).happened_at_s == pytest.approx(BEGAN_S + 5.0 * HOUR_S, abs=120.0)
    assert kinds(events).count(K.FED) == 1


def test_silence_is_told_once_and_ends() -> None:
    readings = [r for r in story(8.0) if not BEGAN_S + 4.0 * HOUR_S <= r.time_s < BEGAN_S + 6.0 * HOUR_S]
    state, events = run(readings)
    silent, back = one(events, K.SENSOR_SILENT), one(events, K.SENSOR_BACK)
    assert silent.decided_at_s - silent.happened_at_s <= 960.0
    assert back.decided_at_s == BEGAN_S + 6.0 * HOUR_S
    assert core.current(state, BEGAN_S + 8.0 * HOUR_S).silent_since_s is None


def test_a_jar_in_the_fridge_rests() -> None:
    cold = [Reading(time_s=r.time_s, jar="rye", distance_mm=r.distance_mm,
                    temperature_c=6.0 if BEGAN_S + 3 * HOUR_S <= r.time_s < BEGAN_S + 7 * HOUR_S else 22.0)
            for r in story(9.0)]  # fmt: skip
    _, events = run(cold)
    assert one(events, K.REST_BEGAN).decided_at_s == pytest.approx(BEGAN_S + 4 * HOUR_S, abs=1000.0)
    assert one(events, K.REST_ENDED).happened_at_s == pytest.approx(BEGAN_S + 7 * HOUR_S, abs=120.0)


def mixed(readings: list[Reading], *told: Fed | Noted, late_s: float = 0.0) -> list[Item]:
    """Readings with told items among them, each arriving `late_s` after the time that it is about."""
    keyed = [(r.time_s, 0, r) for r in readings] + [(t.time_s + late_s, 1, t) for t in told]
    return [item for _, _, item in sorted(keyed, key=lambda row: row[:2])]


@pytest.mark.parametrize("each_s", [0.001, 0.05, 0.5])
def test_a_night_that_arrives_in_one_go_is_judged_as_if_it_had_come_in_time(each_s: float) -> None:
    """What waited at a broker while nobody read comes within seconds, or slowly enough for ticks to fall between."""
    readings = story(26.0)
    late_s = BEGAN_S + 27.0 * HOUR_S
    state, late = core.begin(JAR), []
    for seq, reading in enumerate(readings):
        state, new = core.take(state, Arrival(seq=seq, received_s=late_s + seq * each_s, item=reading), JAR)
        late += new
    _, in_time = run(readings)
    for kind in (K.FED, K.RISE_BEGAN, K.PEAK_REACHED, K.FALL_BEGAN):
        happened = [[e.happened_at_s for e in events if e.kind is kind][-1] for events in (late, in_time)]
        assert happened[0] == pytest.approx(happened[1], abs=1.0), kind


@pytest.mark.parametrize("each_s", [0.001, 0.5, 12.0])
def test_warmth_counts_in_the_hour_that_it_was_measured_in_however_late_it_came(each_s: float) -> None:
    """A device that catches up after an outage, or a night played faster than it was (12 s for a minute of it)."""
    readings = [
        replace(one, temperature_c=20.0 + 0.25 * (one.time_s - BEGAN_S) / HOUR_S) for one in story(26.0, every_s=60.0)
    ]
    state, now_s = core.begin(JAR), BEGAN_S + 27.0 * HOUR_S
    for seq, reading in enumerate(readings):
        now_s += each_s
        state, _ = core.take(state, Arrival(seq=seq, received_s=now_s, item=reading), JAR)
        if seq == 900:
            state = core.restore(core.snapshot(state), JAR)
    in_time, _ = run(readings)
    late, usual = core.current(state, now_s).cycle, core.current(in_time, BEGAN_S + 26.0 * HOUR_S).cycle
    assert late is not None
    assert usual is not None
    assert late.temperatures_c[1:] == pytest.approx(usual.temperatures_c[1:], abs=0.02)
    since_h = (late.fed_at_s - BEGAN_S) / HOUR_S
    assert late.temperatures_c[10] == pytest.approx(20.0 + 0.25 * (since_h + 10.5), abs=0.02)


def test_a_told_feeding_near_a_seen_one_adds_its_grams() -> None:
    told = Fed(time_s=BEGAN_S + 0.8 * HOUR_S, jar="rye", feeding=of_grams((25.0, 100.0, 100.0), "rye"))
    state, events = run(mixed(story(8.0), told, late_s=1.5 * HOUR_S))
    fed = [e for e in events if e.kind is K.FED]
    assert len(fed) == 2
    assert fed[1].replaces == f"fed@{fed[0].happened_at_s:.0f}"
    assert fed[1].happened_at_s == fed[0].happened_at_s
    cycle = core.current(state, BEGAN_S).cycle
    assert cycle is not None
    assert (cycle.told, cycle.feeding.starter_g, cycle.feeding.flour_g, cycle.number) == (True, 25.0, 100.0, 1)


def test_a_told_feeding_that_the_readings_then_show_is_one_feeding() -> None:
    told = Fed(time_s=BEGAN_S + 0.9 * HOUR_S, jar="rye", feeding=Feeding(starter_g=25.0))
    _, events = run(mixed(story(20.0), told))
    fed = one(events, K.FED)
    assert fed.happened_at_s == told.time_s
    assert one(events, K.FALL_BEGAN).decided_at_s > BEGAN_S + 9 * HOUR_S


def test_a_told_feeding_that_nothing_showed_begins_a_cycle_and_says_what_it_replaces() -> None:
    told = Fed(time_s=BEGAN_S + 9.2 * HOUR_S, jar="rye", feeding=Feeding(flour_g=50.0))
    items = mixed(story(16.0), told, late_s=5.0 * HOUR_S)
    state, events = run(items)
    fall = [e for e in events if e.kind is K.FALL_BEGAN]
    again = [e for e in events if e.kind is K.FED][-1]
    assert again.happened_at_s == told.time_s
    assert again.decided_at_s >= told.time_s + 5.0 * HOUR_S - 120.0
    assert again.replaces is None or again.replaces.startswith(("fall_began@", "peak_reached@"))
    if fall and fall[0].happened_at_s >= told.time_s:
        assert again.replaces == f"fall_began@{fall[0].happened_at_s:.0f}"
    cycle = core.current(state, BEGAN_S).cycle
    assert cycle is not None
    assert cycle.number == 2


def test_told_rest_and_a_new_run() -> None:
    rest = Noted(time_s=BEGAN_S + 2 * HOUR_S, jar="rye", what=Noting.REST)
    over = Noted(time_s=BEGAN_S + 4 * HOUR_S, jar="rye", what=Noting.REST_OVER)
    fresh = Noted(time_s=BEGAN_S + 6 * HOUR_S, jar="rye", what=Noting.NEW_RUN)
    state, events = run(mixed(story(6.5), rest, over, fresh))
    assert kinds(events).count(K.REST_BEGAN) == kinds(events).count(K.REST_ENDED) == 1
    cycle = core.current(state, BEGAN_S).cycle
    assert cycle is not None
    assert cycle.number == 0


@pytest.mark.parametrize(("rests_s", "counts"), [(1.0, True), (600.0, True), (7200.0, False)])
def test_a_rest_too_short_to_become_cold_leaves_the_cycle_as_it_was(rests_s: float, counts: bool) -> None:
    at_s = BEGAN_S + 3 * HOUR_S
    rest = Noted(time_s=at_s, jar="rye", what=Noting.REST)
    over = Noted(time_s=at_s + rests_s, jar="rye", what=Noting.REST_OVER)
    state, _ = run(mixed(story(20.0), rest, over))
    cycle = core.current(state, BEGAN_S + 20 * HOUR_S).cycle
    assert cycle is not None
    assert cycle.rested is not counts


def test_a_slip_after_a_real_rest_does_not_make_it_undone() -> None:
    told = [
        Noted(time_s=BEGAN_S + minutes * 60.0, jar="rye", what=what)
        for minutes, what in ((180, Noting.REST), (300, Noting.REST_OVER), (400, Noting.REST), (401, Noting.REST_OVER))
    ]
    state, _ = run(mixed(story(20.0), *told))
    cycle = core.current(state, BEGAN_S + 20 * HOUR_S).cycle
    assert cycle is not None
    assert cycle.rested
