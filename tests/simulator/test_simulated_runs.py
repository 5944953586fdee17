"""The recordings in `simulated_runs/`, replayed through the step function that the daemon uses, against the truth.

`pytest tests/simulator/test_simulated_runs.py --rewrite-golden` makes them again from the scenarios (see
`simulated_truth.py`).
"""

from __future__ import annotations

import json
import os
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from monitor.runs import rfc3339, run_file
from monitor.settings import JarSettings
from monitor.sources.replay import replay
from monitor.values import Event, EventKind
from tests import simulated_truth
from tests.simulated_truth import unix

RUNS = simulated_truth.runs()
LARGEST_BYTES = 50_000


@pytest.fixture(scope="session", autouse=True)
def recordings(request: pytest.FixtureRequest) -> None:
    if request.config.getoption("--rewrite-golden"):
        if os.environ.get("PYTEST_XDIST_WORKER"):
            pytest.fail("--rewrite-golden needs one process: leave out -n")
        simulated_truth.write()


def events_of(path: Path) -> list[Event]:
    run = run_file.read(path)
    sensor = "ultrasonic" if run.header["sensor"] == "ultrasonic" else "optical"
    assert run.geometry is not None
    jar = JarSettings(name=run.jar, empty_mm=run.empty_mm, geometry=run.geometry, sensor=sensor)  # type: ignore[arg-type]
    told = path.with_suffix(".feedings.csv")
    fed = run_file.read_feedings(told, run.jar)[0] if told.exists() else []
    return list(replay(run.rows(), fed, jar, Counter()))


def unmet(said: list[Event], wanted: dict[str, Any]) -> str | None:
    """Why no event is what is wanted, or None."""
    same = [one for one in said if one.kind in wanted["kind"].split("|")]
    if "last_within" in wanted:
        first_s, last_s = map(unix, wanted["last_within"])
        same = [one for one in same if first_s <= one.happened_at_s < last_s][-1:]
    first_s, last_s = map(unix, wanted["happened"])
    near = [one for one in same if first_s <= one.happened_at_s <= last_s]
    if not near:
        off = [round(max(first_s - one.happened_at_s, one.happened_at_s - last_s) / 60) for one in same]
        return f"{wanted['kind']}: " + (f"off by {min(off)} min" if off else "none")
    if "decided" in wanted:
        from_s, to_s = map(unix, wanted["decided"])
        if not any(from_s <= one.decided_at_s <= to_s for one in near):
            late = round((near[-1].decided_at_s - to_s) / 60)
            return (
                f"{wanted['kind']}: decided {late} min too late" if late > 0 else f"{wanted['kind']}: decided too early"
            )
    return None


@pytest.mark.parametrize("run", [run for _, run in RUNS], ids=lambda run: run.stem)
def test_what_is_decided_is_true(run: Path) -> None:
    wanted = json.loads(run.with_suffix(".expected.json").read_text(encoding="utf-8"))
    said = events_of(run)
    problems = [problem for one in wanted["must"] if (problem := unmet(said, one))]
    falls = [one.happened_at_s for one in said if one.kind is EventKind.FALL_BEGAN]
    true = [tuple(map(unix, span)) for span in wanted["may_fall"]]
    problems += [f"no fall there: {rfc3339.text(at_s)}" for at_s in falls if not any(a <= at_s <= b for a, b in true)]
    done = [tuple(map(unix, span)) for span in wanted["may_do"]]
    problems += [
        f"no {one.kind} there: {rfc3339.text(one.happened_at_s)}"
        for one in said
        if one.kind in (EventKind.FED, EventKind.JAR_AWAY, EventKind.REST_BEGAN)
        and not any(a <= one.happened_at_s <= b for a, b in done)
    ]
    assert not problems


@pytest.mark.parametrize("run", [run for _, run in RUNS], ids=lambda run: run.stem)
def test_the_file_says_what_it_is_and_is_small(run: Path) -> None:
    header = run_file.read(run).header
    assert {"shows", "jar", "scenario", "seed", "sampling_s", "simulated"} <= set(header)
    assert run.stat().st_size < LARGEST_BYTES


def test_there_are_enough_of_them() -> None:
    assert len(RUNS) >= 24


@pytest.mark.parametrize("name", ["good_night", "nasty_night", "three_flours"])
def test_the_same_scenario_gives_the_same_run(name: str, tmp_path: Path) -> None:
    """The committed files, made again here: another run, another machine, the same bytes."""
    path = simulated_truth.FOLDER / f"{name}.toml"
    made = simulated_truth.write_runs(simulated_truth.scenario_of(path), tmp_path / f"{name}.csv", {}, path.name)
    for run in made:
        assert run.read_bytes() == (simulated_truth.FOLDER / run.name).read_bytes()
