"""Metrics, health and posted readings, held against prometheus-client's own parsers and a real time-series server.

https://prometheus.io/docs/specs/om/open_metrics_spec/ ; the queries of the dashboards in configs/ are asked of
VictoriaMetrics, which has to answer each with rows.
"""

from __future__ import annotations

import asyncio
import json
import threading
import time
import urllib.parse
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_metrics
from prometheus_client.parser import text_string_to_metric_families as prometheus
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import Message

from monitor.core.display.units import Display
from monitor.daemon.jars import Jars
from monitor.daemon.loop import Daemon
from monitor.page import metrics
from monitor.page.for_programs import ForPrograms
from monitor.page.readers import Readers
from monitor.page.server import PageServer
from monitor.page.sessions import Seal
from monitor.runs import daemon_status
from monitor.runs.store import Store
from monitor.settings import PageSettings, Settings
from monitor.sinks.time_series import lines_of
from monitor.sources.http_post import PostedReadings
from monitor.values import Arrival, Event, EventKind, Fed, Forecast, Reading, SourceHealth, Span, of_grams
from tests.page.serving import serving
from tests.page_house import settings_of
from tests.servers import free_port, wait_until
from tests.timeseries import VictoriaMetrics, get

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
BEARER = {"authorization": "Bearer for-boards"}


def test_both_forms_are_what_their_parsers_read(client: httpx.Client) -> None:
    plain = client.get("/metrics", headers={"accept": "*/*"})
    assert plain.headers["content-type"].startswith("text/plain; version=0.0.4")
    families = {family.name: family for family in prometheus(plain.text)}
    assert families["jartide_rise_ratio"].samples[0].labels == {"jar": "rye"}
    assert 0.5 < families["jartide_rise_ratio"].samples[0].value < 5
    assert 0.0 < families["jartide_level_meters"].samples[0].value < 0.2
    assert families["jartide_watching"].samples[0].value in (0.0, 1.0)
    asked = {"accept": "application/openmetrics-text; version=1.0.0"}
    new = client.get("/metrics", headers=asked)
    assert new.headers["content-type"].startswith("application/openmetrics-text")
    stage = next(family for family in open_metrics(new.text) if family.name == "jartide_stage")
    assert sum(sample.value for sample in stage.samples) == 1.0  # one stage at a time
    expected = next(family for family in open_metrics(new.text) if family.name.startswith("jartide_expected"))
    assert {sample.labels["bound"] for sample in expected.samples} <= {"earliest", "likely", "latest"}


def test_metrics_are_behind_the_token_and_health_is_not(household: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TOKEN", "for-boards")
    with serving(household, token_env="TOKEN") as client:
        assert client.get("/metrics").status_code == 401
        assert client.get("/metrics", headers=BEARER).status_code == 200
        assert client.get("/healthz").text == "ok"
        wait_until(lambda: client.get("/readyz").status_code in (200, 503), "an answer")
        with Store.join(household.store.path) as store:
            status = daemon_status.read(store)
            assert status is not None
            daemon_status.write(store, time.time(), status.jars, status.sources)
            assert client.get("/readyz").text == "ok"
            daemon_status.write(store, time.time() - 3600, status.jars, status.sources)
            assert (client.get("/readyz").status_code, client.get("/readyz").text) == (503, "nothing is watching")
            daemon_status.write(store, status.as_of_s, status.jars, status.sources)


@pytest.fixture(scope="module")
def house_with_boards(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Settings, httpx.Client]]:
    """The whole daemon, with a page that boards may post to."""
    folder = tmp_path_factory.mktemp("boards")
    (folder / "token").write_text("for-boards")
    (folder / "token").chmod(0o600)
    settings = settings_of(folder, ["rye", "wheat"], PageSettings(port=free_port(), token_file=folder / "token"))
    posted = PostedReadings(frozenset({"rye", "wheat"}))
    daemons: list[Daemon] = []

    def run() -> None:
        with Store.open(settings.store.path, time.time()) as store:
            jars = Jars(settings, store, Display())
            daemons.append(Daemon(jars, store, [posted], [PageServer(settings, time.time, posted.take)]))
            daemons[0].run()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{settings.page.port}", timeout=30) as client:
            wait_until(lambda: _answers(client), "the page answers")
            yield settings, client
    finally:
        wait_until(lambda: daemons, "it has started")
        daemons[0].stop()
        thread.join(30)


def _answers(client: httpx.Client) -> bool:
    try:
        return client.get("/healthz").status_code == 200
    except httpx.TransportError:
        return False


def test_a_posted_reading_is_answered_when_it_is_stored(house_with_boards: tuple[Settings, httpx.Client]) -> None:
    settings, client = house_with_boards
    line = {"distance_mm": 92.4, "temperature_c": 24.1, "boot": "7f3a", "seq": 12, "up_ms": 120_034}
    assert client.post("/api/jars/rye/reading", json=line, headers=BEARER).status_code == 201
    with Store.join(settings.store.path) as store:
        (arrival,) = store.arrivals("rye", 0)
        assert isinstance(arrival.item, Reading)
        assert (arrival.item.distance_mm, arrival.item.temperature_c) == (92.4, 24.1)
    assert client.post("/api/jars/rye/reading", json=line, headers=BEARER).status_code == 201  # sent again: known
    with Store.join(settings.store.path) as store:
        assert len(list(store.arrivals("rye", 0))) == 1


def test_what_is_no_reading_or_nobodys_is_refused(house_with_boards: tuple[Settings, httpx.Client]) -> None:
    _, client = house_with_boards
    for body, said in (
        ('{"distance_mm": "92"}', "distance_mm is not a number"),
        ("{}", "nothing measured in it"),
        ("x" * 5000, "too long"),
    ):
        answer = client.post("/api/jars/rye/reading", content=body, headers=BEARER)
        assert (answer.status_code, said in answer.json()["error"]) == (422, True)
    unknown = client.post("/api/jars/spelt/reading", json={"distance_mm": 92}, headers=BEARER)
    assert (unknown.status_code, "jar not configured" in unknown.json()["error"]) == (422, True)
    assert client.post("/api/jars/rye/reading", json={"distance_mm": 92}).status_code == 401
    wrong = {"authorization": "Bearer x"}
    assert client.post("/api/jars/rye/reading", json={"distance_mm": 92}, headers=wrong).status_code == 401


def test_a_reading_that_the_page_s_end_overtakes_is_to_be_sent_again(tmp_path: Path) -> None:
    """uvicorn cancels what is still being answered a while after it was asked to end."""
    stored = threading.Event()
    settings = settings_of(tmp_path, ["rye"])

    def posted(jar: str, payload: bytes) -> str | None:
        stored.wait(60)
        return None

    async def ended() -> Response:
        seal = Seal("key", None, None)
        programs = ForPrograms(settings, Readers(tmp_path / "s.db"), seal, time.time, Display(), posted)
        request = Request({"type": "http", "method": "POST", "headers": [], "jartide": {"program": True},
                           "path_params": {"jar": "rye"}}, receive=_body)  # fmt: skip
        answering = asyncio.ensure_future(programs.reading(request))
        await asyncio.sleep(0)
        answering.cancel()
        try:
            return await answering
        finally:
            stored.set()
            programs.close()

    answer = asyncio.run(ended())
    assert (answer.status_code, b"send it again" in bytes(answer.body)) == (503, True)


async def _body() -> Message:
    return {"type": "http.request", "body": b"{}"}


# --- dashboards


def queries(name: str) -> list[str]:
    board = json.loads((CONFIGS / name).read_text())
    return [target["expr"].replace("$jar", ".*") for panel in board["panels"] for target in panel["targets"]]


def rows(server: VictoriaMetrics, query: str, at_s: float) -> int:
    asked = urllib.parse.urlencode({"query": query, "time": f"{at_s:.0f}"})
    return len(json.loads(get(f"{server.url}/api/v1/query?{asked}"))["data"]["result"])


@pytest.fixture
def series(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    server = VictoriaMetrics(tmp_path / "series")
    server.start()
    yield server
    server.end()


def unanswered(server: VictoriaMetrics, name: str, at_s: float) -> list[str]:
    get(f"{server.url}/internal/force_flush")
    return [query for query in queries(name) if not rows(server, query, at_s)]


def test_every_query_of_the_metrics_dashboard_returns_rows(
    household: Settings, tmp_path: Path, series: VictoriaMetrics
) -> None:
    with Store.join(household.store.path) as store:
        status = daemon_status.read(store)
    assert status is not None
    now_s = series.now_s()
    span = Span(earliest_s=now_s, likely_s=now_s + 3600.0, latest_s=now_s + 7200.0)
    rising = replace(status.jars[0], forecast=Forecast(made_at_s=now_s, peak_at=span, fall_at=span))
    source = SourceHealth(name="mqtt b:1883", connected=True, trouble=None, since_s=now_s, last_message_s=now_s)
    with Store.open(tmp_path / "s.db", now_s) as store:
        daemon_status.write(store, now_s, [rising], [source])
        body, _ = metrics.text(store, now_s, "")
    get(f"{series.url}/api/v1/import/prometheus", body)
    assert unanswered(series, "dashboard_metrics.json", now_s + 5) == []


def test_every_query_of_the_mirrors_dashboard_returns_rows(series: VictoriaMetrics) -> None:
    now_s = series.now_s()
    reading = Reading(time_s=now_s, jar="rye", distance_mm=92.0, temperature_c=24.0)
    fed = Fed(time_s=now_s, jar="rye", feeding=of_grams((20, 60, 60)))
    fall = Event(jar="rye", kind=EventKind.FALL_BEGAN, happened_at_s=now_s, decided_at_s=now_s + 600, evidence={})
    things = [*(Arrival(seq=n, received_s=now_s, item=item) for n, item in enumerate((reading, fed))), fall]
    get(f"{series.url}/write", "\n".join(lines_of(thing) or "" for thing in things).encode())
    assert unanswered(series, "dashboard_mirror.json", now_s + 5) == []
