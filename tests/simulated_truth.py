"""What may and must be decided from the recordings in `simulated_runs/`, worked out from the simulator's truth alone.

`write()` makes every run file and its `.expected.json` again from the scenario beside it. Nothing that a detector ever
put out goes into them. `tests/simulator/test_simulated_runs.py` replays the run files and compares.

Tolerances, the same for all runs:
- a feeding within 15 min (or three readings) of its time, where it moved the surface by at least 8 mm; one that moves
  it up (no discard) may also be called a disturbance, and within an hour: a surface far above where a lid could put it
  may be a hand or a cloth, until it has lain still for long. Where a feeding moves it less, or an echo is bent by the
  gas under a tight lid, nobody can see it: then the feedings are told, from the `.feedings.csv` beside the run;
- times are those of the device's clock, as in the run file, where that clock is wrong;
- the peak while the surface was in truth within 1 mm of its highest, and 20 min (or four readings) to either side: no
  sensor here can say it closer; where messages are missing for half an hour or more around that time, anywhere in the
  gap as well;
- the start of fall from then on until the surface had sunk by some 3 mm (at least 15 min longer than 1 mm takes), and
  20 min (or four readings) more: a round top has no sharp end;
- the fall decided not before the true peak, and at the latest 90 min after the surface had sunk by 5 mm, which is three
  times the noise of one reading; a cycle that ended before that, or never sank so far, may go without;
- no other start of fall at all;
- no feeding, no absence and no rest where the baker did nothing, half an hour before or an hour after.
"""

from __future__ import annotations

import json
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from monitor.runs import rfc3339, run_file
from monitor.simulator.player import feedings, run_path, write_runs
from monitor.simulator.scenario import JarPlan, Scenario, read
from monitor.simulator.truth import JarTruth, TrueCycle

FOLDER = Path(__file__).resolve().parent.parent / "simulated_runs"
FED_STEP_MM = 8.0
RISEN_RATIO = 1.3  # a rise that everybody would call one
FLAT_RATIO, FLAT_H = 1.04, 40.0  # by then the latest time that is predicted for a peak is over, in a cool room too
LATE_S = 90 * 60.0
FALL_NEAR_S = 15 * 60.0
UPWARD_S = 3600.0
COLD_WITHIN_S = 5 * 3600.0  # a jar takes hours to cool down or warm up
BEFORE_S = 1800.0
AWAY_LEAST_MIN = 45.0
GAP_LEAST_S, GAP_MOST_S = 1800.0, 6 * 3600.0  # a longer one is a share of messages lost, not a gap


def runs() -> list[tuple[Path, Path]]:
    """(scenario file, run file) of every jar of every scenario."""
    out = []
    for path in sorted(FOLDER.glob("*.toml")):
        scenario = scenario_of(path)
        out += [(path, run_path(path.with_suffix(".csv"), scenario, jar)) for jar in scenario.jar]
    return out


def scenario_of(path: Path) -> Scenario:
    """The scenario in a file of the folder."""
    return read(path.read_text(encoding="utf-8"), path.name)


def write(only: str = "") -> None:
    """Make the run files and what is expected of them again."""
    for path in sorted(FOLDER.glob("*.toml")):
        if only and path.stem != only:
            continue
        scenario = scenario_of(path)
        truths: dict[str, JarTruth] = {}
        made = write_runs(scenario, path.with_suffix(".csv"), truths, path.name)
        for jar, run in zip(scenario.jar, made, strict=True):
            truth = truths[jar.name]
            wanted = expected(scenario, jar, truth)
            told = run.with_suffix(".feedings.csv")
            told.unlink(missing_ok=True)
            if not all_seen(jar, truth):
                with told.open("w", encoding="utf-8", newline="") as file:
                    run_file.write_feedings(file, feedings(truth))
            run.with_suffix(".expected.json").write_text(json.dumps(wanted, indent=1) + "\n", encoding="utf-8")


def expected(scenario: Scenario, jar: JarPlan, truth: JarTruth) -> dict[str, Any]:
    """What must be decided, and where a start of fall may be."""
    sampling_s = jar.sampling_s or scenario.sampling_s
    near_s = max(20 * 60.0, 4 * sampling_s)
    end_s = scenario.starts_s + scenario.hours * 3600
    must: list[dict[str, Any]] = []
    may_fall: list[list[Any]] = []
    told = not all_seen(jar, truth)
    gaps = [(float(row["from_s"]), float(row["to_s"])) for row in truth.faults if row["what"] == "gap"]  # type: ignore[arg-type]
    gaps = [(from_s, to_s) for from_s, to_s in gaps if GAP_LEAST_S <= to_s - from_s < GAP_MOST_S]
    bounds = [cycle.fed_at_s for cycle in truth.cycles] + [end_s]
    for cycle, (fed_s, next_s) in zip(truth.cycles, pairwise(bounds), strict=True):
        if told or seen(cycle):
            tell_s = max(15 * 60.0, 3 * sampling_s)
            kind = "fed" if told or cycle.start_mm < cycle.before_mm else "fed|disturbed"
            must.append(event(kind, fed_s - tell_s, fed_s + (tell_s if kind == "fed" else max(tell_s, UPWARD_S))))
        if cycle.peak_ratio >= RISEN_RATIO and cycle.peak_at_s is not None:
            must.append(event("rise_began", fed_s, cycle.peak_at_s, within=(fed_s, next_s)))
        elif cycle.peak_ratio <= FLAT_RATIO and next_s - fed_s >= FLAT_H * 3600:
            must.append(event("stayed_flat", fed_s, next_s))
        _peak_and_fall(cycle, gaps, fed_s, next_s, near_s, must, may_fall)
    must += _doings(truth, end_s, near_s)
    for one in must:
        for name in ("happened", "last_within", "decided"):
            if name in one:
                one[name] = [_as_the_device_says(at_s, scenario, jar) for at_s in one[name]]
    may_fall = [[_as_the_device_says(at_s, scenario, jar) for at_s in span] for span in may_fall]
    may_do = [[_as_the_device_says(at_s, scenario, jar) for at_s in _around(row)] for row in truth.doings]
    return {"must": must, "may_fall": may_fall, "may_do": may_do}


def _around(row: dict[str, Any]) -> tuple[float, float]:
    """When something that the baker did may be dated."""
    at_s, lasts_s = float(row["at_s"]), float(row.get("minutes") or 0.0) * 60
    return at_s - BEFORE_S, at_s + lasts_s + (COLD_WITHIN_S if row["what"] == "move" else UPWARD_S)


def seen(cycle: TrueCycle) -> bool:
    """Did the feeding move the surface so far that it can be seen?"""
    return abs(cycle.before_mm - cycle.start_mm) >= FED_STEP_MM


def all_seen(jar: JarPlan, truth: JarTruth) -> bool:
    """Can every feeding of the run be seen?"""
    bent = jar.sensor.kind == "ultrasonic" and jar.sensor.venting == "tight"
    return not bent and all(seen(cycle) for cycle in truth.cycles)


def _as_the_device_says(at_s: float, scenario: Scenario, jar: JarPlan) -> str:
    since_s = at_s - scenario.starts_s
    jumps_s = sum(
        fault.size or 0.0 for fault in jar.fault if fault.what == "clock_jump" and (fault.at_s or 0.0) <= since_s
    )
    if jar.clock.kind == "absent":
        return rfc3339.text(at_s)
    return rfc3339.text(at_s + jar.clock.wrong_s + jar.clock.drift_s_per_day * since_s / 86400 + jumps_s)


def _peak_and_fall(
    cycle: TrueCycle,
    gaps: list[tuple[float, float]],
    fed_s: float,
    next_s: float,
    near_s: float,
    must: list[dict[str, Any]],
    may: list[list[Any]],
) -> None:
    if cycle.fall_began_at_s is None or cycle.top_from_s is None or cycle.sunk_1mm_at_s is None:
        return
    first_s, last_s = cycle.top_from_s - near_s, cycle.sunk_1mm_at_s + near_s
    for from_s, to_s in gaps:
        if from_s < last_s and to_s > first_s:
            first_s, last_s = min(first_s, from_s - near_s), max(last_s, to_s + near_s)
    half_s = (cycle.sunk_5mm_at_s - cycle.sunk_1mm_at_s) / 2 if cycle.sunk_5mm_at_s is not None else 0.0
    fall_last_s = last_s + max(FALL_NEAR_S, half_s)
    may.append([first_s, fall_last_s])
    if cycle.peak_ratio < RISEN_RATIO or cycle.sunk_5mm_at_s is None or cycle.peak_at_s is None:
        return
    latest_s = cycle.sunk_5mm_at_s + LATE_S
    if latest_s < next_s:
        must.append(event("peak_reached", first_s, last_s, within=(fed_s, next_s)))
        must.append(
            event("fall_began", first_s, fall_last_s, within=(fed_s, next_s), decided=(cycle.peak_at_s, latest_s))
        )


def _doings(truth: JarTruth, end_s: float, near_s: float) -> list[dict[str, Any]]:
    must = []
    for row in truth.doings:
        at_s, minutes = float(row["at_s"]), row.get("minutes")  # type: ignore[arg-type]
        if row["what"] == "move":
            kind = "rest_began" if row["place"] == "fridge" else "rest_ended"
            must.append(event(kind, at_s, at_s + COLD_WITHIN_S))
        elif row["what"] == "away" and isinstance(minutes, float) and minutes >= AWAY_LEAST_MIN:
            must.append(event("jar_away", at_s - near_s, at_s + near_s))
            must.append(event("jar_back", at_s + minutes * 60 - near_s, at_s + minutes * 60 + near_s))
    return [one for one in must if one["happened"][1] < end_s]


def event(
    kind: str, first_s: float, last_s: float, within: tuple[float, float] | None = None,
    decided: tuple[float, float] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """`happened` and `decided`: from, to. `within`: the last of this kind between these times is meant."""
    out: dict[str, Any] = {"kind": kind, "happened": [first_s, last_s]}
    if within is not None:
        out["last_within"] = list(within)
    if decided is not None:
        out["decided"] = list(decided)
    return out


def unix(text: str) -> float:
    """Unix seconds of an RFC 3339 time."""
    return datetime.fromisoformat(text).timestamp()
