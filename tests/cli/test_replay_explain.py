"""`jartide replay --explain`: why "feed now" did not come earlier, in a person's words."""

from __future__ import annotations

import json
import re
from pathlib import Path

from click.testing import Result

from monitor.cli.replay import WHY_NOT
from monitor.core.detect.verdict import Gate
from tests.terminal import jartide

RECORDINGS = Path(__file__).parents[1] / "recordings"


def replayed(*args: str) -> Result:
    return jartide("replay", *args)


def test_every_reason_has_its_sentence() -> None:
    assert set(WHY_NOT) == set(Gate)


def test_a_late_notice_is_explained_up_to_the_fall() -> None:
    """The last reason before the fall ends when the fall is decided, and the numbers beside it grow towards it."""
    said = replayed(str(RECORDINGS / "plain.csv"), "--explain").stdout.splitlines()
    fall = next(i for i, line in enumerate(said) if "fall began" in line)
    why = [line for line in said[:fall] if "no fall yet" in line]
    assert "no rise has been seen" in why[0]
    assert any("within noise" in line for line in why)
    z = [float(found.group(1)) for line in why if (found := re.search(r"at (\d+)% of what is needed", line))]
    assert z[-1] > z[0]
    fed = next(i for i, line in enumerate(said) if i > fall and "  fed" in line)
    assert not any("no fall yet" in line for line in said[fall + 1 : fed])


def test_the_events_are_those_of_a_plain_replay() -> None:
    path = str(RECORDINGS / "two-days.csv")
    plain = replayed(path, "--format", "jsonl").stdout.splitlines()
    both = [json.loads(line) for line in replayed(path, "--explain", "--format", "jsonl").stdout.splitlines()]
    assert [json.dumps(one) for one in both if one["kind"] != "no_fall_yet"] == plain
    assert {one["because"] for one in both if one["kind"] == "no_fall_yet"} <= {gate.value for gate in Gate}


def test_it_is_asked_for_alone() -> None:
    done = replayed(str(RECORDINGS / "plain.csv"), "--explain", "--forecasts")
    assert done.exit_code == 2
    assert "one of them at a time" in done.stderr
