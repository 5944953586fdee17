"""The fault catalogue is covered, and its table tells the truth."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from tests import faults
from tests.core import test_golden

TESTS = Path(__file__).parents[1]
_MARK = re.compile(r'(?:mark\.fault|\bstep)\(\s*"([A-Z]\d+)"')


def marked() -> set[str]:
    """The numbers on the tests, as the sources say."""
    found = set(test_golden.FAULTS.values())
    for path in TESTS.rglob("test_*.py"):
        found |= set(_MARK.findall(path.read_text()))
    return found


def test_every_fault_has_a_test() -> None:
    missing = set(faults.FAULTS) - marked()
    assert not missing, sorted(missing)
    assert marked() <= set(faults.FAULTS)
    assert len(faults.FAULTS) >= 100


def test_the_table_shows_pass_and_where() -> None:
    """For a few; the whole of it is `python -m tests.faults`."""
    command = [sys.executable, "-m", "tests.faults", "C2", "F9"]
    wrong = subprocess.run(command, cwd=TESTS.parent, capture_output=True, text=True, check=False)
    assert wrong.returncode == 2
    assert "no such fault: F9" in wrong.stderr
    table = faults.Table({"C2", "W8"})
    table.tests = {"C2": ["tests/test_x.py::test_a[1]", "tests/test_x.py::test_a[2]"]}
    assert [row[2:] for row in table.rows()] == [("not run", "test_x.py::test_a"), ("missing", "")]
    table.ended = {"tests/test_x.py::test_a[1]": "passed", "tests/test_x.py::test_a[2]": "passed"}
    assert table.rows()[0][2] == "pass"
    table.ended["tests/test_x.py::test_a[2]"] = "failed"
    assert table.rows()[0][2] == "failed"
