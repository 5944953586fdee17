"""Options of the test run, and the fault numbers by which tests can be picked (`pytest -k S4`; see `faults.py`)."""

import hypothesis
import pytest

from tests.faults import numbers_of

# a machine's bad moment is no failure: speed is measured by benchmarks, and pytest-timeout ends what hangs
hypothesis.settings.register_profile("jartide", deadline=None)
hypothesis.settings.load_profile("jartide")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rewrite-golden", action="store_true", help="make tests/recordings anew from its scenes")


def pytest_itemcollected(item: pytest.Item) -> None:
    item.extra_keyword_matches.update(numbers_of(item))
