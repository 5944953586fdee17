"""`jartide review`, `jartide compare` and the summary behind them, on the golden recordings, whose truth is known."""

from __future__ import annotations

import json
import re
import sys
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.review.summary import RunSummary, summarize
from monitor.review.text_curve import BESIDE, text_curve
from monitor.runs import run_file
from monitor.settings import JarSettings
from monitor.sources.replay import replay
from monitor.values import Fed, Reading, of_grams
from tests import golden_making, golden_troubles
from tests.terminal import jartide as run
from tests.terminal import on_a_terminal

FOLDER = golden_making.FOLDER


def unix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def summary_of(name: str, told: tuple[Fed, ...] = ()) -> RunSummary:
    opened = run_file.read(FOLDER / f"{name}.csv")
    jar = JarSettings(name=opened.jar, empty_mm=opened.empty_mm)
    events = list(replay(opened.rows(), told, jar, Counter()))
    summary = summarize((r for _, r in opened.rows()), events, told, jar, {})
    assert summary is not None
    return summary


@pytest.mark.parametrize("name", ["plain", "white-noise", "gap-at-peak", "look-lower", "every-10-min", "disorder"])
def test_refined_peaks_agree_with_the_truth(name: str) -> None:
    summary = summary_of(name)
    wanted = [w for w in json.loads((FOLDER / f"{name}.json").read_text())["must"] if w["kind"] == "peak_reached"]
    assert wanted
    for peak in wanted:
        begin_s, end_s = map(unix, peak["last_in"])
        cycle = next(c for c in summary.cycles if c.begin_s < (begin_s + end_s) / 2 < c.end_s)
        assert cycle.top is not None
        # the range meets the hours in which the surface was within half a millimetre of its peak
        assert cycle.top.peak_at.earliest_s <= unix(peak["happened_to"])
        assert cycle.top.peak_at.latest_s >= unix(peak["happened_from"])


def test_a_night_that_was_decided_after_its_last_reading_is_looked_back_on_all_the_same() -> None:
    opened = run_file.read(FOLDER / "plain.csv")
    jar = JarSettings(name=opened.jar, empty_mm=opened.empty_mm)
    readings = [reading for _, reading in opened.rows()]
    late_s = max(reading.time_s for reading in readings) + 3600.0
    rows = [(late_s + 0.1 * n, reading) for n, reading in enumerate(readings)]
    late = summarize(readings, list(replay(iter(rows), (), jar, Counter())), (), jar, {})
    in_time = summary_of("plain")
    assert late is not None
    assert [c.top is None for c in late.cycles] == [c.top is None for c in in_time.cycles]
    for one, other in zip(late.cycles, in_time.cycles, strict=True):
        if one.top is not None and other.top is not None:
            assert one.top.peak_at.likely_s == pytest.approx(other.top.peak_at.likely_s, abs=600.0)


def test_rise_ratio_and_hours_of_a_whole_cycle() -> None:
    # scene: fed to 42.5 mm, rises by 40 mm (Richards, all but a little of it by the time it falls): 82 / 42.5 = 1.93
    cycle = summary_of("start-changes").cycles[1]
    assert cycle.start_mm == pytest.approx(42.5, abs=1.0)
    assert cycle.rise_ratio is not None
    assert cycle.rise_ratio[1] == pytest.approx(1.93, abs=0.06)
    assert cycle.hours_to_peak is not None
    assert cycle.hours_to_fall is not None
    assert 7.0 < cycle.hours_to_peak[1] < cycle.hours_to_fall[1] < 10.5
    assert cycle.mean_c == pytest.approx(24.0, abs=0.1)


def test_a_run_that_begins_in_the_middle_has_no_ratio_until_it_is_fed() -> None:
    first = summary_of("mid-cycle").cycles[0]
    assert first.fed_at_s is None
    assert first.rise_ratio is None
    assert first.rise_mm is not None


def test_a_told_feeding_at_the_beginning_gives_the_first_cycle_its_ratio() -> None:
    fed = Fed(time_s=golden_troubles.START_S - 60.0, jar="golden", feeding=of_grams((25.0, 100.0, 100.0)))
    first = summary_of("plain", (fed,)).cycles[0]
    assert first.fed == fed
    assert first.rise_ratio is not None
    assert first.rise_ratio[1] == pytest.approx((50.0 + 44.0) / 50.0, abs=0.06)


def test_gaps_sampling_and_counts() -> None:
    summary = summary_of("gaps")
    assert summary.sampling_s == 180.0
    assert [round((b - a) / 60.0) for a, b in summary.gaps] == pytest.approx([21, 63, 183], abs=4)
    every = summary_of("empty-cells")
    assert every.with_level < every.readings
    assert every.with_level == pytest.approx(0.92 * every.readings, rel=0.03)


def test_nothing_in_nothing_out() -> None:
    jar = JarSettings(name="none", empty_mm=180.0)
    assert summarize([], [], [], jar, {}) is None
    only = summarize([Reading(time_s=1e9, jar="none")], [], [], jar, {"twice": 0, "late": 2})
    assert only is not None
    assert (only.readings, only.with_level, only.sampling_s) == (1, 0, None)
    assert only.rejected == {"late": 2}


def test_review_in_words_and_as_json() -> None:
    done = run("review", FOLDER / "start-changes.csv")
    assert done.exit_code == 0
    assert "570 readings, one every 4 min" in done.output
    assert "times its starting level" in done.output
    assert "█" not in done.output  # no curve in a pipe
    body: dict[str, Any] = json.loads(run("review", FOLDER / "start-changes.csv", "--json").output)
    assert body["jar"] == "golden"
    assert len(body["cycles"]) == 3
    second = body["cycles"][1]
    assert second["peak_at"]["earliest"] <= second["peak_at"]["likely"] <= second["peak_at"]["latest"]
    assert second["rise_ratio"]["low"] <= second["rise_ratio"]["likely"] <= second["rise_ratio"]["high"]
    assert len(second["curve"]) <= 120


def test_one_cycle_of_a_file_and_of_the_store(tmp_path: Path) -> None:
    store = tmp_path / "jars.db"
    assert run("import", "--store", store, FOLDER / "start-changes.csv").exit_code == 0
    from_file = json.loads(run("review", f"{FOLDER / 'start-changes.csv'}:1", "--json").output)
    stored = run("review", "1:1", "--store", store, "--json")
    assert stored.exit_code == 0, stored.output
    from_store = json.loads(stored.output)
    assert len(from_file["cycles"]) == len(from_store["cycles"]) == 1
    assert from_store["cycles"][0]["began_at"] == from_file["cycles"][0]["began_at"]
    assert from_store["cycles"][0]["peak_at"] == from_file["cycles"][0]["peak_at"]


def test_compare_lays_runs_side_by_side() -> None:
    done = run("compare", FOLDER / "plain.csv", f"{FOLDER / 'start-changes.csv'}:1")
    assert done.exit_code == 0
    lines = done.output.splitlines()
    assert lines[0].split() == ["rise", "to", "the", "peak", "to", "the", "fall", "warmth"]
    assert any(line.startswith("plain.csv:0") and "mm" in line for line in lines)
    assert any(line.startswith("start-changes.csv:1 ") and "times" in line for line in lines)
    fed = [line.split() for line in lines if re.match(r"plain.csv:[1-9]", line)]
    middle = [line.split() for line in lines if line.startswith("plain.csv middle")]
    assert [row[-2] for row in middle] == [row[-2] for row in fed]  # the half hour before the first feeding is none
    assert lines[-1].startswith("middle: ")
    as_json = run("compare", FOLDER / "plain.csv", FOLDER / "plain.csv", "--json").output.splitlines()
    assert as_json[0] == as_json[1]


def test_runs_of_the_store_are_told_apart_by_their_jars(tmp_path: Path) -> None:
    store, page = tmp_path / "jars.db", tmp_path / "two.html"
    assert run("import", "--store", store, FOLDER / "plain.csv", FOLDER / "start-changes.csv").exit_code == 0
    lines = run("compare", "1", "2:1", "--store", store).output.splitlines()
    assert [line[:11].rstrip() for line in lines[1:5]] == ["golden 1:0", "golden 1:1", "golden 1 mi", "golden 2:1"]
    assert run("compare", "1", "2:1", "--store", store, "--html", page).exit_code == 0
    assert all(f"{name}<" in page.read_text() for name in ("golden 1", "golden 2"))


def test_a_terminal_is_shown_small_curves() -> None:
    night = str(FOLDER / "plain.csv")
    _, looked = on_a_terminal([sys.executable, "-m", "monitor", "review", night], "stdout")
    assert "█" in looked
    assert re.search(r"^ +P", looked, re.MULTILINE)  # where its peak was
    for columns in ("40", "200"):
        command = ["env", f"COLUMNS={columns}", sys.executable, "-m", "monitor", "review", night]
        _, fitted = on_a_terminal(command, "stdout")
        widest = max(len(line.rstrip()) for line in fitted.splitlines() if "█" in line)
        assert widest == (40 - 2 if columns == "40" else 2 + 8 + 72)
        assert re.search(r"^ +hours, P peak, F start of fall\r?$", fitted, re.MULTILINE)
    _, beside = on_a_terminal(
        ["env", "COLUMNS=120", sys.executable, "-m", "monitor", "compare", night, night], "stdout"
    )
    rows = [line for line in beside.splitlines() if line.startswith("plain.csv:0")]
    assert len(rows) == 2
    assert all("█" in row and "▁" in row for row in rows)
    assert "█" not in run("compare", night, night).output


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("review", "no-such-file.csv"), "no-such-file.csv"),
        (("review", f"{FOLDER / 'plain.csv'}:9"), "has no cycle 9; it has 0 to 1"),
        (("compare", FOLDER / "plain.csv"), "at least two"),
        (("review", "7", "--config", "no-such-config.toml"), "no-such-config.toml"),
        (("review", FOLDER / "plain.json"), "plain.json"),
    ],
)
def test_a_wrong_call_is_one_line_and_exit_2(words: tuple[str | Path, ...], says: str) -> None:
    done = run(*words)
    assert done.exit_code == 2
    assert says in done.output
    assert "Traceback" not in done.output
    assert done.exception is None or isinstance(done.exception, SystemExit)


@given(
    st.lists(
        st.tuples(st.floats(0.0, 1e6), st.floats(-500.0, 500.0)), min_size=2, max_size=200, unique_by=lambda p: p[0]
    ),
    st.integers(10, 100),
    st.integers(2, 12),
)
def test_text_curve_keeps_its_bounds(curve: list[tuple[float, float]], width: int, height: int) -> None:
    curve = sorted(curve)
    lines = text_curve(curve, [(curve[-1][0], "P")], width=width, height=height)
    assert len(lines) == height + 2
    assert all(len(line) <= width + BESIDE for line in lines)
    top = max(level for _, level in curve)
    assert float(lines[0][:6]) <= top + 0.5  # means of a column may lie below the top
    assert "P" in lines[-2]
    assert set("".join(line[8:] for line in text_curve(curve, [], plain=True)[:-2])) <= set(" .:#")


# recordings in which hands, lids and slow sampling come close to the top, with the simulator's truth beside them
@pytest.mark.parametrize("name", ["weekday_weekend", "heat_wave", "lid_set_back", "gap_over_the_peak", "misted_window"])
def test_the_top_is_the_starters_and_not_a_hand_over_the_jar(name: str) -> None:
    folder = golden_making.FOLDER.parent.parent / "simulated_runs"
    looked_at = json.loads(run("review", folder / f"{name}.csv", "--json").output)["cycles"]
    must = json.loads((folder / f"{name}.expected.json").read_text())["must"]
    wanted = [one for one in must if one["kind"] in ("peak_reached", "fall_began")]
    assert wanted
    for one in wanted:
        begin_s, end_s = map(unix, one["happened"])
        cycle = next(c for c in looked_at if unix(c["began_at"]) < (begin_s + end_s) / 2 < unix(c["ended_at"]))
        span = cycle["peak_at" if one["kind"] == "peak_reached" else "fall_at"]
        assert span is not None, (one, cycle["cycle"])
        assert unix(span["earliest"]) <= end_s
        assert unix(span["latest"]) >= begin_s
