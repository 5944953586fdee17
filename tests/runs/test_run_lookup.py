"""Finding a jar's open run costs the same however many jars and runs there are."""

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from monitor.runs.database import Database
from monitor.runs.store import Store
from monitor.settings import JarSettings
from monitor.values import Delivery, Reading

NOW_S = 1_790_000_000.0


def test_runs_of_a_jar_are_found_by_its_index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite's own plan (https://sqlite.org/eqp.html): by the jar, and not by what all watched runs have in common."""
    asked: list[tuple[str, Any]] = []
    for name in ("query", "execute"):
        real = getattr(Database, name)

        def noted(self: Database, sql: str, values: Any = (), real: Any = real) -> Any:
            asked.append((sql, values))
            return real(self, sql, values)

        monkeypatch.setattr(Database, name, noted)
    reading = Reading(time_s=NOW_S, jar="rye", distance_mm=92.0)
    with Store.open(tmp_path / "s.db", NOW_S) as store:
        store.ensure_run(JarSettings(name="rye"), NOW_S)
        asked.clear()
        store.add([Delivery(source="x", received_s=NOW_S, reading=reading, boot="b", seq=1, timed=True)])
        store.open_run("rye")
        store.live_runs("rye")
        store.run_of("rye", 1)
    plain = sqlite3.connect(tmp_path / "s.db")
    about = [(sql, values) for sql, values in asked if "FROM run" in sql and "digest IS NULL" in sql]
    assert len(about) >= 4
    for sql, values in about:
        plan = " ".join(str(row) for row in plain.execute(f"EXPLAIN QUERY PLAN {sql}", values))
        assert "run_of_jar" in plan, (sql, plan)
