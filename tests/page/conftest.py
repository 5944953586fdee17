"""Fixtures that several files here use."""

from __future__ import annotations

import time
from collections.abc import Iterator

import httpx
import pytest

from monitor.settings import Settings
from tests.page.serving import serving
from tests.page_house import grow, settings_of
from tests.servers import wait_until


@pytest.fixture(scope="module")
def household(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """A day and a half of one jar."""
    settings = settings_of(tmp_path_factory.mktemp("house"), ["rye"])
    grow(settings, 1.5, time.time())
    return settings


@pytest.fixture(scope="module")
def client(household: Settings) -> Iterator[httpx.Client]:
    with serving(household) as client:
        wait_until(lambda: client.get("/api/now").json()["jars"], "the first look at the store")
        yield client
