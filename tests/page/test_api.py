"""The page's API: what it shows, and the events by which open pages move.

Held against RFC 9110 for statuses and the HTML standard's server-sent events.
"""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from monitor.page import live as live_module
from monitor.runs import transfer
from monitor.runs.database import Database
from monitor.runs.store import Store, StoreTrouble
from monitor.settings import Settings
from monitor.values import Noted, Noting
from tests.page.serving import serving, token
from tests.servers import wait_until

pytestmark = pytest.mark.dates


def test_now_says_what_the_daemon_believes(client: httpx.Client) -> None:
    jar = client.get("/api/now").json()["jars"][0]
    assert jar["jar"] == "rye"
    assert jar["stage"] == "falling"
    assert jar["stage_words"] == "sinking, hungry"
    assert 1.7 < jar["rise_ratio"] < 2.0  # the invented curve doubles and has sunk a little since
    assert jar["last_feeding"] == {"starter_g": 25.0, "flour_g": 100.0, "water_g": 100.0, "flour": "rye"}
    assert jar["next_notice"]["words"].startswith("Feed rye now")
    assert jar["health"] == []
    assert jar["heard"]["words"] == "just now" or "min ago, " in jar["heard"]["words"]


def test_the_stores_size_counts_what_is_not_taken_over_yet(household: Settings, client: httpx.Client) -> None:
    def size() -> int:
        return sum(p.stat().st_size for p in household.store.path.parent.glob("jartide.db*") if p.suffix != ".db-shm")

    with Store.join(household.store.path) as store:
        store.set_meta("padding", "x" * 500_000)
        assert household.store.path.with_name("jartide.db-wal").stat().st_size >= 500_000
        assert client.get("/api/health").json()["store"]["bytes"] == size()


def test_the_stores_readings_are_counted_with_those_of_imported_runs(household: Settings, tmp_path: Path) -> None:
    night = tmp_path / "night.csv"
    night.write_text("# jar: old\ntime,distance_mm\n2026-03-02T06:00:00Z,50\n2026-03-02T06:05:00Z,50\n")
    settings = replace(household, store=replace(household.store, path=tmp_path / "another.db"))
    with Store.open(settings.store.path) as store:
        store.tell(Noted(time_s=time.time(), jar="rye", what=Noting.HOOCH, text=""), time.time())
        transfer.import_file(store, night, time.time())
    with serving(settings) as client:
        assert client.get("/api/health").json()["store"]["items"] == 3


def test_the_open_curve_has_its_highest_and_lowest_reading(household: Settings, client: httpx.Client) -> None:
    got = client.get("/api/jars/rye/curve").json()
    curve = got["curve"]
    with Store.join(household.store.path) as store:
        rows = store.query(
            "SELECT time_s, distance_mm FROM item WHERE told IS NULL AND distance_mm < 180 AND time_s >= ?",
            (got["fed_at_s"] - 900,),
        )
    assert max(curve["highest_mm"]) == pytest.approx(180 - min(d for _, d in rows), abs=0.06)
    assert min(curve["lowest_mm"]) == pytest.approx(180 - max(d for _, d in rows), abs=0.06)
    assert curve["time_s"] == sorted(curve["time_s"])


def test_past_cycles_are_those_of_the_store(household: Settings, client: httpx.Client) -> None:
    past = client.get("/api/jars/rye/cycles").json()
    with Store.join(household.store.path) as store:
        kept = [cycle for run in store.runs() for cycle in store.cycles(run.id)]
    assert [row["cycle"] for row in past["cycles"]] == [cycle.number for cycle in reversed(kept)]
    closed = next(row for row in past["cycles"] if row["hours_to_fall"] and row["ended_at_s"])
    assert closed["ratio"] == "1:4:4"
    assert 5.5 < closed["hours_to_fall"] < 7.5  # tests.night sinks from 6.5 h on
    one = client.get(f"/api/runs/{closed['run']}/cycles/{closed['cycle']}").json()
    assert max(one["clock_h"]) == pytest.approx(12.0, abs=0.3)
    # at 23.5 degC an hour is worth a little less than one at 24
    assert all(0.9 * h < e < h for h, e in zip(one["clock_h"][1:], one["equivalent_h"][1:], strict=True))
    assert [mark["kind"] for mark in one["marks"]][:3] == ["fed", "peak", "fall"]


def test_a_past_cycle_is_looked_back_upon_as_review_does(household: Settings, client: httpx.Client) -> None:
    from click.testing import CliRunner

    from monitor.cli.review import review

    row = next(r for r in client.get("/api/jars/rye/cycles").json()["cycles"] if r["hours_to_fall"] and r["ended_at_s"])
    top = client.get(f"/api/runs/{row['run']}/cycles/{row['cycle']}/top").json()
    assert top["peak_at"]["earliest_s"] <= top["peak_at"]["likely_s"] <= top["peak_at"]["latest_s"]
    assert top["hours_to_peak"][0] < 6.3 < top["hours_to_peak"][2] + 0.5  # tests.night: its top lies about there
    assert top["hours_to_fall"][1] > top["hours_to_peak"][1]
    words = [f"{row['run']}:{row['cycle']}", "--store", str(household.store.path), "--empty-mm", "180", "--json"]
    (cycle,) = json.loads(CliRunner().invoke(review, words).stdout)["cycles"]
    assert list(cycle["hours_to_peak"].values()) == pytest.approx(top["hours_to_peak"], abs=0.2)
    assert list(cycle["rise_ratio"].values()) == pytest.approx(top["rise_ratio"], abs=0.05)


def test_the_page_brings_the_first_view_along(client: httpx.Client) -> None:
    page = client.get("/").text
    held = page.partition('<script type="application/json" id="first">')[2].partition("</script>")[0]
    first = json.loads(held)
    assert first["now"]["jars"][0]["jar"] == "rye"
    assert first["curves"]["rye"]["curve"] == client.get("/api/jars/rye/curve").json()["curve"]


def test_a_plan_is_that_of_the_command(household: Settings, client: httpx.Client, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from monitor.cli.plan import plan

    config = tmp_path / "jartide.toml"
    config.write_text(f'[[jar]]\nname = "rye"\nflour = "rye"\n[store]\npath = "{household.store.path}"\n')
    arguments = [
        "--jar",
        "rye",
        "--config",
        str(config),
        "--target-hours",
        "10",
        "--temperature-c",
        "21",
        "--format",
        "json",
    ]
    said = json.loads(CliRunner().invoke(plan, arguments).stdout)
    got = client.get("/api/jars/rye/plan", params={"target_h": 10, "temperature_c": 21}).json()
    assert {key: said[key] for key in ("starter_g", "flour_g", "water_g", "ratio", "because", "met")} == {
        key: got[key] for key in ("starter_g", "flour_g", "water_g", "ratio", "because", "met")
    }
    assert list(said["hours_to_fall"].values()) == got["hours_to_fall"]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/jars/nobody/curve", 404),
        ("/api/jars/nobody/cycles", 404),
        ("/api/runs/99/cycles/1", 404),
        ("/api/runs/99/cycles/1/top", 404),
        ("/api/runs/x/cycles/1/top", 422),
        ("/api/runs/x/cycles/1", 422),
        ("/api/runs/99999999999999/cycles/1", 422),
        (f"/api/runs/{'9' * 5000}/cycles/1", 422),
        ("/api/runs/²/cycles/1", 422),
        ("/api/jars/rye/plan?target_h=inf", 422),
        ("/api/jars/rye/plan?target_h=1e9", 422),
        ("/api/jars/rye/plan?temperature_c=hot", 422),
        ("/api/nothing", 404),
    ],
)
def test_what_is_asked_wrongly_is_answered_with_a_sentence(client: httpx.Client, path: str, status: int) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.json()["error"]


def test_changes_come_as_events_and_can_be_taken_up_again(household: Settings, client: httpx.Client) -> None:
    place = client.get("/api/now").json()["place"]
    client.post("/api/jars/rye/noted", json={"what": "smell"}, headers=token(client))
    with client.stream("GET", "/api/events", params={"after": place}) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert "content-encoding" not in stream.headers
        lines = stream.iter_lines()
        assert next(lines) == "retry: 2000"
        next_id = next(line for line in lines if line.startswith("id: "))
        news = json.loads(next(line for line in lines if line.startswith("data: "))[6:])
    assert news["jars"][0]["notes"][-1]["what"] == "smell"
    for after in (
        "",
        "elsewhere-7",
        next_id[4:].split("-")[0] + "-999999",
        next_id[4:].split("-")[0] + "-" + "9" * 5000,
        "x" * 500,
    ):
        with client.stream("GET", "/api/events", headers={"last-event-id": after}) as stream:
            lines = stream.iter_lines()
            assert "event: again" in [next(lines) for _ in range(4)]


@pytest.mark.fault("W9")
def test_a_store_that_cannot_be_read_is_a_sentence_and_it_comes_back(
    household: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live_module, "HEARTBEAT_S", 0.1)
    with serving(household) as client:
        wait_until(lambda: client.get("/api/now").json()["jars"], "the first look")
        real = Database.query

        def broken(*_: object) -> None:
            raise StoreTrouble("jartide.db: another program keeps it locked", lasting=False)

        monkeypatch.setattr(Database, "query", broken)
        assert client.get("/").status_code == 200
        for path in ("/api/health", "/api/jars/rye/cycles", "/api/trials"):
            answer = client.get(path)
            assert answer.status_code == 503
            assert "locked" in answer.json()["error"]
        wait_until(lambda: client.get("/api/now").json()["trouble"], "the page says so")
        assert client.get("/api/now").json()["jars"]  # what was known is still shown
        monkeypatch.setattr(Database, "query", real)
        wait_until(lambda: client.get("/api/now").json()["trouble"] is None, "it is over")
        assert client.get("/api/health").status_code == 200
