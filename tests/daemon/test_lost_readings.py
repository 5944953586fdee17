"""What a device sent and nobody got is told with its cause and its cure, wherever somebody looks."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from monitor.check import ground
from monitor.cli.runs import runs
from monitor.core.display.units import Display
from monitor.runs.lost_readings import LostReadings
from monitor.runs.store import Store
from monitor.settings import Settings, StoreSettings
from tests.kitchen import SETTINGS, Kitchen
from tests.night import START_S, night

NIGHT = list(night(every_s=30.0))


@pytest.fixture
def forgetful(tmp_path: Path) -> Path:
    """A night in which the broker forgot all but the first readings of the two hours that the daemon was away."""
    path = tmp_path / "s.db"
    kitchen = Kitchen(path)
    kitchen.live(NIGHT[:240])
    kitchen.daemon.flush()
    kitchen.store.close()
    back = Kitchen(path, NIGHT[480].received_s)
    kept = [replace(one, received_s=NIGHT[480].received_s) for one in NIGHT[240:300]]
    back.live([*kept, *NIGHT[480:600]])
    back.daemon.flush()
    back.store.close()
    return path


@pytest.mark.fault("M21")
def test_it_is_a_trouble_for_a_day(forgetful: Path) -> None:
    with Store.join(forgetful) as store:
        said = LostReadings(store, Display(), lambda: START_S + 6 * 3600)
        assert said.trouble() == (
            "readings were sent but never arrived, as their numbers show: 180 of rye (between 20:29 and 22:00)"
        )
        assert "max_queued_messages" in said.advice
        assert LostReadings(store, Display(), lambda: START_S + 48 * 3600).trouble() is None


@pytest.mark.fault("M21")
def test_a_few_single_ones_are_no_trouble(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path / "s.db")
    kitchen.live([one for number, one in enumerate(NIGHT[:240]) if number % 40 != 39])
    kitchen.daemon.flush()
    assert sum(gap.count for gap in kitchen.store.missing(0.0)) == 5
    assert LostReadings(kitchen.store, Display(), kitchen.wall).trouble() is None


@pytest.mark.fault("M21")
def test_check_and_the_list_of_runs_say_so(forgetful: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ground, "time", SimpleNamespace(time=lambda: START_S + 6 * 3600))
    settings: Settings = replace(SETTINGS, store=StoreSettings(path=forgetful))
    (finding,) = [one for one in ground.store(settings) if one.what == "readings"]
    assert finding.state == "note"
    assert "180 of rye" in finding.says
    assert "max_queued_messages" in finding.says
    listed = CliRunner().invoke(runs, ["--store", str(forgetful)])
    assert "420 readings, 180 never arrived (first start)" in " ".join(listed.output.split())
    as_json = json.loads(CliRunner().invoke(runs, ["--store", str(forgetful), "--json"]).output)
    assert (as_json["readings"], as_json["never_came"]) == (420, 180)
