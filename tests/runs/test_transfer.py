"""Run files out of the store: whose they are, and how far the writing has come."""

from __future__ import annotations

import io
from pathlib import Path

from monitor.runs import run_file, transfer
from monitor.runs.store import Store
from tests.runs.stored import RYE, T, delivery


def test_a_file_that_named_no_jar_goes_out_under_the_name_it_came_in_by(tmp_path: Path) -> None:
    theirs, ours = tmp_path / "spelt.csv", tmp_path / "other.csv"
    theirs.write_text("time,distance_mm\n2026-03-02T06:00:00Z,100\n2026-03-02T06:00:10Z,101\n")
    with Store.open(tmp_path / "s.db") as store:
        run = store.run(transfer.import_file(store, theirs, T).run)
        assert run is not None
        with ours.open("w") as out:
            assert transfer.export(store, run, None, out) == 2
    assert run_file.read(ours).jar == "spelt"


def test_whoever_watches_hears_of_each_thousand_rows(tmp_path: Path) -> None:
    seen: list[int] = []
    with Store.open(tmp_path / "s.db") as store:
        run = store.ensure_run(RYE, T)
        store.add([delivery(n) for n in range(2500)])
        assert transfer.export(store, run, None, io.StringIO(), seen.append) == 2500
    assert seen == [1000, 1000]
