"""`jartide replay`: the fixed contract of the command, wild times, and that it says what the step function decides."""

from __future__ import annotations

import json
import random
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cli.replay import replay as command
from monitor.runs import rfc3339, run_file
from monitor.settings import JarSettings
from monitor.sources.replay import arrivals, replay
from monitor.values import EventKind, Fed, Feeding, Reading, Straight
from tests.core.stories import BEGAN_S, HOUR_S, run, story

KINDS = {
    "fed", "rise_began", "peak_reached", "fall_began", "stayed_flat", "lid_off", "lid_on", "disturbed", "jar_away",
    "jar_back", "rest_began", "rest_ended", "sensor_silent", "sensor_back", "forecast",
}  # fmt: skip


def text(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%dT%H:%M:%SZ}"


def write(path: Path, readings: list[Reading], *header: str, extra: tuple[str, ...] = ()) -> Path:
    rows = [f"{text(r.time_s)},{'' if r.distance_mm is None else f'{r.distance_mm:g}'},24.1" for r in readings]
    path.write_text("\n".join([*header, "time,distance_mm,temperature_c", *rows, *extra]) + "\n")
    return path


def call(*args: str | Path) -> Result:
    return CliRunner().invoke(command, [str(a) for a in args])


def lines(result: Result) -> list[dict[str, object]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.fixture(scope="module")
def day() -> list[Reading]:
    return story(20.0)


def test_each_event_is_one_json_object_a_line_in_the_order_decided(tmp_path: Path, day: list[Reading]) -> None:
    path = write(tmp_path / "rye.csv", day, "# empty_mm: 180", "# shows: a day (invented)")
    result = call(path, "--format", "jsonl")
    assert result.exit_code == 0
    events = lines(result)
    assert {str(e["kind"]) for e in events} <= KINDS - {"forecast"}
    assert {"fed", "rise_began", "peak_reached", "fall_began"} <= {str(e["kind"]) for e in events}
    for event in events:
        assert list(event)[:4] == ["kind", "jar", "happened_at", "decided_at"]
        assert event["jar"] == "rye"
        assert isinstance(event["evidence"], dict)
        assert rfc3339.parse(str(event["happened_at"])) <= rfc3339.parse(str(event["decided_at"]))
    decided = [rfc3339.parse(str(e["decided_at"])) for e in events]
    assert decided == sorted(decided)
    direct = [e for e in run(day)[1] if e.kind.value != "forecast"]
    assert [(e.kind.value, text(round(e.happened_at_s)), text(round(e.decided_at_s))) for e in direct] == [
        (e["kind"], e["happened_at"], e["decided_at"]) for e in events
    ]


def test_forecasts_are_hourly_from_feeding_to_fall(tmp_path: Path, day: list[Reading]) -> None:
    events = lines(call(write(tmp_path / "rye.csv", day, "# empty_mm: 180"), "--forecasts", "--format", "jsonl"))
    forecasts = [e for e in events if e["kind"] == "forecast"]
    fed = next(rfc3339.parse(str(e["decided_at"])) for e in events if e["kind"] == "fed")
    fall = next(rfc3339.parse(str(e["decided_at"])) for e in events if e["kind"] == "fall_began")
    times = [rfc3339.parse(str(e["decided_at"])) for e in forecasts]
    assert len(times) >= int((fall - fed) / HOUR_S)
    assert fed <= times[0] <= fed + HOUR_S
    assert times[-1] <= fall
    for event in forecasts:
        for name in ("peak_at", "fall_at"):
            span = event[name]
            assert span is None or (
                isinstance(span, dict)
                and span.keys() == {"earliest", "likely", "latest"}
                and rfc3339.parse(span["earliest"]) <= rfc3339.parse(span["likely"]) <= rfc3339.parse(span["latest"])
            )
        assert isinstance(event["fall_at"], dict)


def test_told_feedings_begin_cycles_where_nothing_is_seen(tmp_path: Path) -> None:
    readings = story(20.0, fed_h=(-0.5,))
    path = write(tmp_path / "rye.csv", readings, "# empty_mm: 180")
    feedings = tmp_path / "feedings.csv"
    feedings.write_text(f"fed_at,starter_g,flour_g,water_g,flour\n{text(BEGAN_S + 600)},25,100,,rye\nrubbish,1,1,1,\n")
    result = call(path, "--feedings", feedings, "--format", "jsonl")
    assert result.exit_code == 0
    fed = [e for e in lines(result) if e["kind"] == "fed"]
    assert [e["happened_at"] for e in fed] == [text(BEGAN_S + 600)]
    evidence = fed[0]["evidence"]
    assert isinstance(evidence, dict)
    assert (evidence["starter_g"], evidence["flour_g"], evidence["water_g"]) == (25.0, 100.0, None)
    assert "line 3" in result.stderr


def test_the_empty_distance_may_be_given_overridden_or_missing(tmp_path: Path, day: list[Reading]) -> None:
    bare = write(tmp_path / "bare.csv", day)
    without = call(bare, "--format", "jsonl")
    assert without.exit_code == 0
    assert "no empty distance" in without.stderr
    assert {"fed", "fall_began"} <= {str(e["kind"]) for e in lines(without)}
    given_mm = call(write(tmp_path / "odd.csv", day, "# empty_mm: 95"), "--empty-mm", "180", "--format", "jsonl")
    named = call(write(tmp_path / "good.csv", day, "# empty_mm: 180"), "--format", "jsonl")
    assert [e["decided_at"] for e in lines(given_mm)] == [e["decided_at"] for e in lines(named)]


def test_an_unknown_geometry_is_a_straight_wall_and_said(tmp_path: Path, day: list[Reading]) -> None:
    result = call(write(tmp_path / "rye.csv", day, "# empty_mm: 180", "# geometry: amphora"), "--format", "jsonl")
    assert result.exit_code == 0
    assert "amphora" in result.stderr
    assert "fall_began" in {str(e["kind"]) for e in lines(result)}


def test_garbage_rows_are_counted_and_the_exit_code_stays_0(tmp_path: Path, day: list[Reading]) -> None:
    extra = ("yesterday,100,20", "2026-03-02T30:00:00Z,100,20", f"{text(BEGAN_S + 72_000)},abc,20", "x")
    result = call(write(tmp_path / "rye.csv", day, "# empty_mm: 180", extra=extra), "--format", "jsonl")
    assert result.exit_code == 0
    assert "4 rows rejected" in result.stderr
    assert "fall_began" in {str(e["kind"]) for e in lines(result)}


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [("none.csv", None, "none.csv"), ("empty.csv", "", "no header row"), ("other.csv", "a,b\n1,2\n", "no column time")],
)
def test_a_file_that_is_no_run_file_is_a_wrong_call(tmp_path: Path, name: str, content: str | None, says: str) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_text(content)
    result = call(path, "--format", "jsonl")
    assert result.exit_code == 2
    assert says in result.stderr
    assert "Traceback" not in result.output


def test_text_is_for_people(tmp_path: Path, day: list[Reading]) -> None:
    result = call(write(tmp_path / "rye.csv", day, "# empty_mm: 180"))
    assert "fall began (known" in result.stdout


# --- times ----------------------------------------------------------------------------------------------------------


def plain(times: list[float]) -> list[tuple[float | None, Reading]]:
    return [(None, Reading(time_s=t, jar="x", distance_mm=100.0)) for t in times]


def taken(times: list[float]) -> tuple[list[float], int]:
    rejected: Counter[str] = Counter()
    out = [a.item.time_s for a in arrivals(plain(times), [], "rye", rejected)]
    return out, sum(rejected.values())


BASE = [BEGAN_S + 60.0 * k for k in range(10)]


def test_a_wild_time_is_dropped_and_the_others_stay() -> None:
    for wild in (BEGAN_S + 30 * 86400.0, BEGAN_S + 2e9, BEGAN_S + 6 * HOUR_S):
        assert taken([*BASE[:5], wild, *BASE[5:]]) == (BASE, 1)


def test_three_in_a_row_that_agree_are_believed() -> None:
    later = [BEGAN_S + 3 * 86400.0 + 60.0 * k for k in range(3)]
    assert taken([*BASE, *later]) == ([*BASE, *later], 0)
    assert taken([*BASE, *later[:2]]) == (BASE, 2)


def test_a_wild_first_time_does_not_shut_the_others_out() -> None:
    assert taken([0.0, *BASE]) == (BASE, 1)
    assert taken([BEGAN_S + 1e9, *BASE]) == (BASE, 1)


def test_a_gap_of_hours_is_no_wild_time() -> None:
    late = [BEGAN_S + 8 * HOUR_S + 60.0 * k for k in range(5)]
    assert taken([*BASE, *late]) == ([*BASE, *late], 0)
    assert taken([*BASE, late[0]]) == ([*BASE, late[0]], 0)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 4e9), max_size=40), st.integers(0, 1000))
def test_the_running_time_never_goes_back_and_nothing_is_lost_uncounted(wild: list[float], seed: int) -> None:
    times = [*BASE, *wild]
    random.Random(seed).shuffle(times)
    rejected: Counter[str] = Counter()
    out = list(arrivals(plain(times), [], "rye", rejected))
    received = [a.received_s for a in out]
    assert received == sorted(received)
    assert [a.seq for a in out] == list(range(len(out)))
    assert len(out) + sum(rejected.values()) == len(times)


def test_a_received_column_is_the_running_time_and_told_feedings_fall_in_their_place() -> None:
    rows = [(BEGAN_S + 100.0 * k, Reading(time_s=BEGAN_S + 60.0 * k, jar="x", distance_mm=100.0)) for k in range(4)]
    told = [Fed(time_s=BEGAN_S + 150.0, jar="y", feeding=Feeding(starter_g=25.0)), Fed(time_s=BEGAN_S + 9e9, jar="y")]
    rejected: Counter[str] = Counter()
    out = list(arrivals(rows, told, "rye", rejected))
    assert [type(a.item).__name__ for a in out] == ["Reading", "Reading", "Fed", "Reading", "Reading"]
    assert [a.received_s - BEGAN_S for a in out] == [0.0, 100.0, 150.0, 200.0, 300.0]
    assert {a.item.jar for a in out if not hasattr(a.item, "offset_s")} == {"rye"}
    assert sum(rejected.values()) == 1


@pytest.mark.parametrize("name", ["echo_loose_lid", "echo_tight_lid", "good_night"])
def test_the_sensor_and_lid_of_a_run_are_those_of_its_header(tmp_path: Path, name: str) -> None:
    """The command says of a recorded run what the step function says with that sensor, and not another."""
    path = Path(__file__).parents[2] / "simulated_runs" / f"{name}.csv"
    opened = run_file.read(path)
    sensor = "optical" if name == "good_night" else "ultrasonic"
    assert opened.header["sensor"] == sensor
    jar = JarSettings(name=opened.jar, empty_mm=opened.empty_mm, geometry=opened.geometry or Straight(), sensor=sensor)  # type: ignore[arg-type]
    assert run_file.jar_of(opened.jar, opened.header, opened.empty_mm, opened.geometry) == jar
    events = [event for event in replay(opened.rows(), [], jar, Counter()) if event.kind is not EventKind.FORECAST]
    said = [(one["kind"], one["happened_at"]) for one in lines(call(path, "--format", "jsonl"))]
    assert said == [(event.kind.value, rfc3339.text(float(round(event.happened_at_s)))) for event in events]


@pytest.mark.parametrize(
    ("venting", "means"), [("tight", "tight"), ("open", "open"), ("sealed", "loose"), ("", "loose")]
)
def test_a_lid_that_nobody_knows_is_a_loose_one(venting: str, means: str) -> None:
    assert run_file.jar_of("rye", {"sensor": "lidar", "venting": venting}, 180.0, None) == JarSettings(
        name="rye",
        empty_mm=180.0,
        venting=means,  # type: ignore[arg-type]
    )
