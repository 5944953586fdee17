"""The mirror against a real VictoriaMetrics and a real InfluxDB 1.6 engine: nothing is lost by a restart of ours, by a
kill of theirs, or by days without them; what they will never take is found and set apart."""

from __future__ import annotations

import http.server
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.runs.store import Store
from monitor.settings import InfluxSettings
from monitor.sinks import mirror, time_series
from monitor.sinks.mirror import Mirror
from monitor.sinks.time_series import lines_of
from monitor.values import Arrival, Delivery, Event, EventKind, Fed, Noted, Noting, Reading, of_grams
from tests.servers import free_port, wait_until
from tests.timeseries import Influx16, VictoriaMetrics, get

START_S = 1_772_000_000.0  # 2026-02-25, a whole number of seconds
DAY_S = 86_400


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waits that a person would not notice, so that a test need not wait either; the overlap stays as it is."""
    for name, value_s in {"PAUSE_S": 0.01, "FIRST_RETRY_S": 0.02, "LAST_RETRY_S": 0.1, "DENIED_RETRY_S": 0.1}.items():
        monkeypatch.setattr(mirror, name, value_s)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "jartide.db") as store:
        yield store


@pytest.fixture(params=["victoria", "influx"])
def server(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[VictoriaMetrics | Influx16]:
    if request.param == "victoria":
        victoria = VictoriaMetrics(tmp_path / "victoria")
        yield victoria
        victoria.end()
    else:
        influx = Influx16(tmp_path / "influx")
        yield influx
        influx.close()


@pytest.fixture
def influx(tmp_path: Path) -> Iterator[Influx16]:
    influx = Influx16(tmp_path / "influx")
    yield influx
    influx.close()


def fill(store: Store, count: int, *, first: int = 0, every_s: float = 10.0, jar: str = "rye") -> dict[int, float]:
    """Store invented readings; returns what the server should then hold: {time in ms: distance}."""
    readings = [
        Reading(time_s=START_S + n * every_s, jar=jar, distance_mm=100 + n % 700 / 10, temperature_c=24.0)
        for n in range(first, first + count)
    ]
    deliveries = [Delivery(source="test", received_s=r.time_s, reading=r, timed=True) for r in readings]
    assert None not in store.add(deliveries)
    return {round(r.time_s * 1000): r.distance_mm for r in readings if r.distance_mm is not None}


def mirror_to(url: str, store: Store) -> Mirror:
    return Mirror(InfluxSettings(url=url, org="home"), store.path)


def test_everything_arrives_in_the_columns_it_belongs_to(server: VictoriaMetrics | Influx16, store: Store) -> None:
    server.start()
    expected = fill(store, 2500)
    store.tell(Fed(time_s=START_S, jar="rye", feeding=of_grams((25, 100, 100))), START_S)
    event = Event(
        kind=EventKind.FALL_BEGAN,
        jar="rye",
        happened_at_s=START_S + 100,
        decided_at_s=START_S + 1900,
        evidence={"rise_ratio": 2.4, "sure": True, "why": "level"},
    )
    store.add_events("rye", 2500, [event])
    sink = mirror_to(server.url, store)
    sink.start()
    wait_until(lambda: server.readings("distance_mm", "rye") == expected, "all readings")
    assert set(server.readings("temperature_c", "rye").values()) == {24.0}
    if isinstance(server, Influx16):
        wait_until(lambda: server.ask('SELECT * FROM "event"'), "the event")
        (row,) = server.ask('SELECT "fall_began", "fall_began_rise_ratio" FROM "event"')
        assert row["values"] == [[round((START_S + 100) * 1000), 1800.0, 2.4]]
        (row,) = server.ask('SELECT "starter_g", "flour_g", "water_g", "told" FROM "feeding"')
        assert row["values"] == [[round(START_S * 1000), 25.0, 100.0, 100.0, 1.0]]
    else:
        wait_until(lambda: server.series('{__name__="event_fall_began"}'), "the event")
    assert sink.trouble() is None
    sink.stop()


@pytest.mark.fault("D10")
def test_days_without_the_server_and_a_restart_of_ours_lose_nothing(
    server: VictoriaMetrics | Influx16, store: Store
) -> None:
    expected = fill(store, 3 * DAY_S // 60, every_s=60)
    sink = mirror_to(server.url, store)
    sink.start()
    wait_until(lambda: sink.trouble() is not None, "a word about the absence")
    assert "no answer" in str(sink.trouble())
    sink.stop()
    server.start()
    for n in range(4):  # restarts of ours in the middle of catching up
        sink = mirror_to(server.url, store)
        sink.start()
        wait_until(lambda part=n * 1000: len(server.readings("distance_mm", "rye")) > part, "a part of it")
        sink.stop()
    sink = mirror_to(server.url, store)
    sink.start()
    wait_until(lambda: server.readings("distance_mm", "rye") == expected, "all readings")
    assert sink.trouble() is None
    sink.stop()


@pytest.mark.fault("D10")
def test_a_kill_of_theirs_loses_nothing_that_was_acknowledged(server: VictoriaMetrics | Influx16, store: Store) -> None:
    server.start()
    expected: dict[int, float] = {}
    sink = mirror_to(server.url, store)
    sink.start()
    for round_ in range(4):
        expected |= fill(store, 20, first=20 * round_)
        sink.wake()
        wait_until(lambda: acknowledged(sink) == store.last_seq(), "the acknowledgement")
        server.end()  # kill -9, right after it
        server.start()
    expected |= fill(store, 1, first=200)  # the next reading finds the connection broken
    sink.wake()
    wait_until(lambda: server.readings("distance_mm", "rye") == expected, "all that was acknowledged before the kills")
    sink.stop()


def test_a_power_cut_of_both_loses_nothing(server: VictoriaMetrics | Influx16, store: Store) -> None:
    server.start()
    expected = fill(store, 50)
    sink = mirror_to(server.url, store)
    sink.start()
    wait_until(lambda: acknowledged(sink) == store.last_seq(), "the acknowledgement")
    server.end()
    sink.stop()
    server.start()
    sink = mirror_to(server.url, store)
    sink.start()
    wait_until(lambda: server.readings("distance_mm", "rye") == expected, "all readings")
    sink.stop()


def test_a_row_is_safe_when_the_connection_works_a_minute_after_its_acknowledgement(store: Store) -> None:
    cursor = mirror._Cursor(store, mirror.ITEMS)
    for now_s, place in [(0.0, 10), (59.9, 20), (61.0, 30), (130.0, 40)]:
        cursor.acknowledged(place, now_s)
    cursor.keep_sometimes(130.0)
    assert mirror._Cursor(store, mirror.ITEMS).place == 30
    cursor.rewind()
    assert cursor.place == 30
    cursor.acknowledged(50, 140.0)
    cursor.acknowledged(60, 205.0)
    cursor.keep_sometimes(189.0)  # a commit a minute at most
    assert mirror._Cursor(store, mirror.ITEMS).place == 30
    cursor.keep_sometimes(205.0)
    assert mirror._Cursor(store, mirror.ITEMS).place == 50


def acknowledged(sink: Mirror) -> int:
    return sink.progress.get(mirror.ITEMS, 0)


@pytest.mark.fault("D10")
def test_rows_that_are_never_taken_are_parked_and_hold_up_nothing(influx: Influx16, store: Store) -> None:
    influx.start()
    # A field's type is fixed for each shard, here Monday to Monday: text in it makes numbers impossible in that week.
    get(f"{influx.engine_url}/write?db={influx.bucket}", b'reading,jar=other distance_mm="text" 1772000000000000000')
    everything = fill(store, 100, every_s=6 * 3600.0)
    sink = mirror_to(influx.url, store)
    sink.start()
    wait_until(lambda: acknowledged(sink) == store.last_seq(), "the last reading")
    there = influx.readings("distance_mm", "rye")
    parked = [seq for (seq,) in store.query("SELECT place FROM parked ORDER BY place")]
    missing = [n for n, at in enumerate(sorted(everything), 1) if at not in there]
    assert missing == list(range(1, 20))  # 2026-02-25T06:13:20Z to 2026-03-01T18:13:20Z
    assert parked == missing
    assert "field type conflict" in store.query("SELECT reason FROM parked")[0][0]
    sink.stop()


@pytest.mark.fault("D11")
def test_what_is_too_old_for_the_server_is_reported_once_and_not_tried_for_ever(tmp_path: Path, store: Store) -> None:
    influx = Influx16(tmp_path / "influx", retention="52w")
    try:
        influx.start()
        old = [Reading(time_s=1_000_000_000.0 + n, jar="rye", distance_mm=1.0) for n in range(50)]
        store.add([Delivery(source="test", received_s=START_S, reading=r, timed=True) for r in old])
        expected = fill(store, 50)
        sink = mirror_to(influx.url, store)
        sink.start()
        wait_until(lambda: influx.readings("distance_mm", "rye") == expected, "the newer half of the batch")
        wait_until(lambda: "retention" in str(sink.trouble()), "a word about the older half")
        assert store.query("SELECT count(*) FROM parked") == [(1,)]
        sink.stop()
    finally:
        influx.close()


def test_an_unknown_bucket_is_said_and_retried(influx: Influx16, store: Store) -> None:
    influx.start()
    expected = fill(store, 5)
    influx.ask(f'DROP DATABASE "{influx.bucket}"', post=b"")
    sink = mirror_to(influx.url, store)
    sink.start()
    wait_until(lambda: "knows no bucket 'jartide'" in str(sink.trouble()), "a word about the bucket")
    influx.ask(f'CREATE DATABASE "{influx.bucket}"', post=b"")
    wait_until(lambda: influx.readings("distance_mm", "rye") == expected, "all readings")
    wait_until(lambda: sink.trouble() is None, "the end of the trouble")
    sink.stop()


@pytest.mark.fault("D10")
def test_refusals_are_sentences_and_end(store: Store) -> None:
    """Status codes of the InfluxDB v2 write call: 401 bad token, 429 and 503 with Retry-After, 204 taken."""
    fill(store, 5)
    answers = [(401, {}), (429, {"Retry-After": "0"}), (503, {}), (204, {})]
    bodies: list[bytes] = []

    class Scripted(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            status, headers = answers.pop(0) if answers else (204, {})
            if status == 204:
                bodies.append(body)
            self.send_response(status)
            for name, value in {**headers, "Content-Length": "0"}.items():
                self.send_header(name, value)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Scripted) as scripted:
        threading.Thread(target=scripted.serve_forever, daemon=True).start()
        said: list[str] = []
        sink = mirror_to(f"http://127.0.0.1:{scripted.server_port}", store)
        sink.start()

        def taken() -> bool:
            if (trouble := sink.trouble()) and trouble not in said:
                said.append(trouble)
            return bool(bodies) and sink.trouble() is None

        wait_until(taken, "the batch")
        sink.stop()
        scripted.shutdown()
    assert any("refuses the token (401" in sentence for sentence in said)
    assert len(bodies[0].splitlines()) == 5


@pytest.mark.fault("D10")
def test_a_server_that_never_answers_holds_up_nobody(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time_series, "TIMEOUT_MS", 100)
    fill(store, 5)
    with socket.create_server(("127.0.0.1", 0)) as silent:  # accepts, and says nothing
        sink = mirror_to(f"http://127.0.0.1:{silent.getsockname()[1]}", store)
        sink.start()
        wait_until(lambda: "no answer" in str(sink.trouble()), "a word about the silence")
        fill(store, 5, first=5)
        sink.stop()
        assert not sink._worker.running
    assert store.last_seq() == 10


def test_a_token_that_is_not_there_is_named(store: Store, tmp_path: Path) -> None:
    settings = InfluxSettings(url=f"http://127.0.0.1:{free_port()}", token_file=tmp_path / "no token")
    sink = Mirror(settings, store.path)
    sink.start()
    wait_until(lambda: "no token" in str(sink.trouble()), "a word about the token")
    sink.stop()


@pytest.mark.parametrize(
    ("jar", "tag"),
    [
        # InfluxDB v2 line protocol reference: in tag values comma, equals sign and space are escaped; emoji are plain
        ("tag Value1", r"tag\ Value1"),
        ("server 01", r"server\ 01"),
        ("us,west", r"us\,west"),
        ("a=b", r"a\=b"),
        ("🍭", "🍭"),
        ("two\nlines", r"two\ lines"),
    ],
)
def test_line_protocol(jar: str, tag: str) -> None:
    reading = Reading(time_s=1_556_813_561.098, jar=jar, distance_mm=100, temperature_c=float("nan"))
    arrival = Arrival(seq=1, received_s=0, item=reading)
    assert lines_of(arrival) == f"reading,jar={tag} distance_mm=100 1556813561098000000"
    assert "i " not in str(lines_of(arrival))  # never an integer field


def test_what_has_no_numbers_has_no_line() -> None:
    assert lines_of(Arrival(seq=1, received_s=0, item=Reading(time_s=0, jar="rye"))) is None
    assert lines_of(Arrival(seq=1, received_s=0, item=Noted(time_s=0, jar="rye", what=Noting.HOOCH))) is None


def test_the_client_is_not_loaded_before_it_is_wanted() -> None:
    code = "import sys, monitor.sinks.mirror; sys.exit('influxdb_client' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
