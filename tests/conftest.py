"""Options of the test run, and the fault numbers by which tests can be picked (`pytest -k S4`; see `faults.py`)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import hypothesis
import pytest

from tests.faults import numbers_of

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext

# a machine's bad moment is no failure: speed is measured by benchmarks, and pytest-timeout ends what hangs
hypothesis.settings.register_profile("jartide", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow])
hypothesis.settings.load_profile("jartide")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rewrite-golden", action="store_true", help="make tests/recordings again from its scenes")


def pytest_itemcollected(item: pytest.Item) -> None:
    item.extra_keyword_matches.update(numbers_of(item))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real browser."""
    from tests.browsing import launched  # takes a second to load, and few tests need it

    with launched() as made:
        yield made


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    """A visitor of its own: no cookies, nothing in a cache."""
    made = browser.new_context()
    yield made
    made.close()
