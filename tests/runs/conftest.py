"""Fixtures that several files here use."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.runs.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "jartide.db") as store:
        yield store
