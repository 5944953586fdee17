"""The examples in the docstrings run, and the functions that a newcomer meets first have one."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "monitor"
WITH_EXAMPLES = sorted(path for path in PACKAGE.rglob("*.py") if ">>> " in path.read_text("utf-8"))
MET_FIRST = {
    "monitor.values.Feeding.ratio",
    "monitor.sources.wire.parse",
    "monitor.core.vessel.level.echo_to_mm",
    "monitor.core.vessel.level.rise_ratio",
    "monitor.core.detect.step.take",
    "monitor.core.signal.change_point.search",
    "monitor.core.detect.superseded.not_superseded",
    "monitor.core.forecast.starter_model.learn",
    "monitor.core.forecast.peak_time.forecast",
    "monitor.core.plan.feeding.plan",
}


def name_of(path: Path) -> str:
    return ".".join(("monitor", *path.relative_to(PACKAGE).with_suffix("").parts))


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=name_of)
def test_the_examples_of_a_module_run(path: Path) -> None:
    failed, attempted = doctest.testmod(importlib.import_module(name_of(path)))
    assert attempted > 0
    assert failed == 0


def test_what_a_newcomer_meets_first_has_an_example() -> None:
    found = {
        test.name
        for path in WITH_EXAMPLES
        for test in doctest.DocTestFinder().find(importlib.import_module(name_of(path)))
        if test.examples
    }
    assert found >= MET_FIRST
