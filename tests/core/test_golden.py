"""Golden recordings: each trouble that readings have, replayed through the very function behind `jartide replay`.

`pytest tests/core/test_golden.py --rewrite-golden` makes recordings and expectations again from
`tests/golden_scenes.py`; what is expected is computed there from the true curves, so a rewrite never turns a
detector's answer into the truth.
"""

from __future__ import annotations

import json
from collections import Counter
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from monitor.runs import run_file
from monitor.settings import JarSettings
from monitor.sources.replay import replay
from monitor.values import Event
from tests import golden_making, golden_scenes

NAMES = [scene.name for scene in golden_scenes.SCENES]
FAULTS = {
    "disorder": "M6", "frozen": "V2", "wild-values": "V3", "bursts": "V3", "codes": "V4", "mist": "V5",
    "look-higher": "V6", "look-lower": "V6", "dead": "V10", "gap-at-peak": "V13", "fed-early": "V9", "weak": "V10",
}  # fmt: skip
MARKED = [pytest.param(name, marks=pytest.mark.fault(FAULTS[name])) if name in FAULTS else name for name in NAMES]


@pytest.fixture(scope="session", autouse=True)
def recordings(request: pytest.FixtureRequest) -> Path:
    if request.config.getoption("--rewrite-golden"):
        golden_making.write()
    return golden_making.FOLDER


def unix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@cache
def events_of(path: Path) -> list[Event]:
    opened = run_file.read(path)
    jar = JarSettings(name=opened.jar, empty_mm=opened.empty_mm)
    return list(replay(opened.rows(), (), jar, Counter()))


def unmet(said: list[Event], wanted: dict[str, Any]) -> str | None:
    """Why no event of `said` is what `wanted` asks for; None when one is."""
    same = [e for e in said if e.kind == wanted["kind"]]
    if "last_in" in wanted:
        begin_s, end_s = map(unix, wanted["last_in"])
        same = [e for e in same if begin_s <= e.decided_at_s <= end_s][-1:]
    if "once_in" in wanted:
        begin_s, end_s = map(unix, wanted["once_in"])
        count = sum(begin_s <= e.decided_at_s <= end_s for e in same)
        if count != 1:
            return f"{count} events {wanted}"
    for event in same:
        good = True
        if "happened_at" in wanted:
            good &= abs(event.happened_at_s - unix(wanted["happened_at"])) <= wanted["within_min"] * 60.0
        if "happened_from" in wanted:
            good &= unix(wanted["happened_from"]) <= event.happened_at_s <= unix(wanted["happened_to"])
        if "decided_from" in wanted:
            good &= event.decided_at_s > unix(wanted["decided_from"])
        if "decided_by" in wanted:
            good &= event.decided_at_s <= unix(wanted["decided_by"])
        if good:
            return None
    return f"none of {[(e.happened_at_s, e.decided_at_s) for e in same]} is {wanted}"


def forbidden(said: list[Event], never: dict[str, str]) -> list[Event]:
    """The events of `said` that must not be."""
    found = [e for e in said if e.kind == never["kind"]]
    if "decided_from" in never:
        found = [e for e in found if unix(never["decided_from"]) < e.decided_at_s <= unix(never["decided_to"])]
    if "happened_from" in never:
        found = [e for e in found if unix(never["happened_from"]) < e.happened_at_s < unix(never["happened_to"])]
    return found


@pytest.mark.parametrize("name", MARKED)
def test_replay_decides_what_truly_happened(name: str, recordings: Path) -> None:
    said = events_of(recordings / f"{name}.csv")
    expected = json.loads((recordings / f"{name}.json").read_text())
    wrong = [reason for wanted in expected["must"] if (reason := unmet(said, wanted))]
    wrong += [f"{event} must not be: {never}" for never in expected["never"] for event in forbidden(said, never)]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("name", NAMES)
def test_decisions_come_in_order_and_once(name: str, recordings: Path) -> None:
    said = [e for e in events_of(recordings / f"{name}.csv") if e.kind != "forecast"]
    decided = [e.decided_at_s for e in said]
    assert decided == sorted(decided)
    assert all(e.happened_at_s <= e.decided_at_s for e in said)


def test_every_recording_has_its_scene_and_says_what_it_shows(recordings: Path) -> None:
    assert sorted(p.stem for p in recordings.glob("*.csv")) == sorted(NAMES)
    for path in recordings.glob("*.csv"):
        header = run_file.read(path).header
        assert header["shows"]
        assert header["data"].startswith("invented")
        assert path.stat().st_size < 60_000
