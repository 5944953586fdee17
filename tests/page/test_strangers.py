"""Who asks, how often and over how many connections: sessions that end, proxies that are believed, connections that say
nothing.

Rules held against: OWASP's cheat sheets on session management and denial of service; RFC 7239, section 8.1 (who may say
for whom a request comes); the OpenAPI document for what a stream sends.
"""

from __future__ import annotations

import json
import logging
import os
import socket
import ssl
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import httpx
import jsonschema_rs  # schemathesis brings it
import pytest

from monitor.page import connections as connections_module
from monitor.page.connections import BACKLOG, RESERVED, RepeatFilter
from monitor.page.openapi import document
from monitor.page.server import KEPT_FREE, _listening
from monitor.settings import PageSettings, Settings
from tests.page.serving import serving
from tests.servers import Authority, free_port, listens, wait_until

NOTE = {"json": {"what": "hooch"}}
BEARER = {"authorization": "Bearer for-programs"}


@pytest.fixture
def locked(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    monkeypatch.setenv("WORD", "tide and time")
    monkeypatch.setenv("TOKEN", "for-programs")
    return {"password_env": "WORD", "token_env": "TOKEN"}


# --- sessions


@pytest.mark.fault("W11")
@pytest.mark.parametrize(("name", "after"), [("WORD", 401), ("TOKEN", 401), ("OTHER", 200)])
def test_a_new_password_or_token_ends_every_session(
    household: Settings, locked: dict[str, str], monkeypatch: pytest.MonkeyPatch, name: str, after: int
) -> None:
    with serving(household, **locked) as client:
        client.post("/login", data={"password": "tide and time"})
        cookie = {"cookie": f"jartide={client.cookies['jartide']}"}
        assert client.get("/api/now", headers=cookie).status_code == 200
    monkeypatch.setenv(name, "a new one")
    with serving(household, **locked) as client:
        assert client.get("/api/now", headers=cookie).status_code == after


@pytest.mark.fault("W3")
@pytest.mark.parametrize("given", ["Basic cnllOnJ5ZQ==", "Bearer wrong", "x"])
def test_no_header_but_a_right_bearer_stands_for_the_origin(
    household: Settings, locked: dict[str, str], given: str
) -> None:
    with serving(household, **locked) as client:
        client.post("/login", data={"password": "tide and time"})
        forged = {"sec-fetch-site": "cross-site", "authorization": given}
        assert client.post("/api/jars/rye/noted", **NOTE, headers=forged).status_code == 403
        assert client.post("/api/jars/rye/noted", **NOTE, headers=forged | BEARER).status_code == 201


@pytest.mark.fault("W5")
def test_a_right_token_is_let_in_whoever_else_guesses(household: Settings, locked: dict[str, str]) -> None:
    with serving(household, **locked) as client:
        wrong = {"authorization": "Bearer guess"}
        assert [client.get("/api/now", headers=wrong).status_code for _ in range(60)] == [401] * 60
        assert client.post("/login", data={"password": "tide and time"}).status_code == 429
        assert client.get("/api/now", headers=BEARER).status_code == 200


def wrong_tries(client: httpx.Client, many: int) -> list[int]:
    """Each from another address, as the sender says."""
    said = ({"x-forwarded-for": f"10.0.0.{n}"} for n in range(many))
    return [client.post("/login", data={"password": "guess"}, headers=one).status_code for one in said]


@pytest.mark.fault("W5")
def test_who_asks_is_not_what_the_asker_says(household: Settings, locked: dict[str, str]) -> None:
    with serving(household, **locked) as client:
        assert wrong_tries(client, 7) == [403] * 4 + [429] * 3
    with serving(household, **locked, proxies=("127.0.0.1",)) as client:
        assert wrong_tries(client, 7) == [403] * 7  # a proxy of ours says who each of them is
        assert client.post("/login", data={"password": "tide and time"}).status_code == 303


# --- connections


def half_a_request(port: int) -> socket.socket:
    raw = socket.create_connection(("127.0.0.1", port), timeout=20)
    raw.sendall(b"GET /api/now HTTP/1.1\r\nhost: localhost\r\nx-slow: ")
    return raw


def crowd(opened: ExitStack, port: int, many: int, come: Callable[[], socket.socket]) -> None:
    """So many connections, as fast as they are taken: what a full queue turns away tries again after a whole second
    (RFC 6298, 2.1)."""
    for n in range(many):
        opened.enter_context(come())
        if n % (BACKLOG // 2) == 0:
            wait_until(lambda: _queued(port) == 0, "all are taken")


def _queued(port: int) -> int:
    """How many connections wait to be accepted (the receive queue of a listening socket, proc(5))."""
    rows = (line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:])
    return next(int(row[4].split(":")[1], 16) for row in rows if row[1] == f"0100007F:{port:04X}" and row[3] == "0A")


def closed(raw: socket.socket) -> bool:
    try:
        return raw.recv(1) == b""
    except ConnectionResetError:
        return True


@pytest.mark.fault("W12")
@pytest.mark.parametrize(
    "said", [b"", b"GET /api/now HT", b"POST /login HTTP/1.1\r\nhost: x\r\ncontent-length: 9\r\n\r\npas"]
)
def test_who_does_not_say_the_rest_is_hung_up_on(
    household: Settings, monkeypatch: pytest.MonkeyPatch, said: bytes
) -> None:
    real = connections_module.protocol
    monkeypatch.setattr(connections_module, "protocol", lambda most: real(most, 0.3))
    with serving(household) as client, socket.create_connection(("127.0.0.1", client.base_url.port or 0), 20) as raw:
        raw.sendall(said)
        with ExitStack() as dribble:
            if said:
                dribble.enter_context(_dribbling(raw))  # a byte now and then gives no more time
            while not closed(raw):  # the answer to a request that is no whole one may come first
                pass
        assert client.get("/api/now").status_code == 200


@contextmanager
def _dribbling(raw: socket.socket) -> Iterator[None]:
    import threading

    stop = threading.Event()

    def run() -> None:
        while not stop.wait(0.05):
            try:
                raw.sendall(b"x")
            except OSError:
                return

    thread = threading.Thread(target=run)
    thread.start()
    yield
    stop.set()
    thread.join()


DESCRIPTORS = 512  # half of what a process has by default: a crowd that is larger comes in half the time
CROWD = DESCRIPTORS + 60
SERVER = f"""
import resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_NOFILE, ({DESCRIPTORS}, {DESCRIPTORS}))
from monitor.page.server import PageServer
from monitor.settings import PageSettings
from tests.page_house import settings_of
import logging, threading
logging.basicConfig(level=logging.INFO)
folder, port = Path(sys.argv[1]), int(sys.argv[2])
cert = [Path(one) for one in sys.argv[3:]] or [None, None]
page = PageSettings(port=port, cert_file=cert[0], key_file=cert[1])
PageServer(settings_of(folder, ["rye"], page)).start()
threading.Event().wait()
"""


@pytest.mark.fault("W12")
def test_a_crowd_of_idle_connections_takes_nothing_from_anybody(tmp_path: Path) -> None:
    """More half requests than the process has descriptors: whoever asks wholly is answered, the rest of
    the descriptors stay free, and the log stays short."""
    port = free_port()
    with (tmp_path / "log").open("wb") as log:
        command = [sys.executable, "-c", SERVER, str(tmp_path), str(port)]
        process = subprocess.Popen(command, cwd=Path(__file__).parents[2], stderr=log)
    try:
        wait_until(lambda: listens(port), "the page listens")
        with (
            ExitStack() as opened,
            httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=20, verify=False) as client,
        ):
            crowd(opened, port, CROWD, lambda: half_a_request(port))
            for _ in range(20):
                crowd(opened, port, 10, lambda: half_a_request(port))
                assert client.get("/api/now").status_code == 200
            fresh = httpx.get(f"http://127.0.0.1:{port}/static/page.css", timeout=20, verify=False)
            assert fresh.status_code == 200
            held = len(os.listdir(f"/proc/{process.pid}/fd"))
            assert held < DESCRIPTORS - RESERVED / 2, held
            assert held > (DESCRIPTORS - RESERVED) * 0.9  # they are still there
        assert (tmp_path / "log").stat().st_size < 20_000
    finally:
        process.kill()
        process.wait()


@pytest.mark.fault("W12")
def test_who_does_not_greet_takes_no_reserved_descriptor(tmp_path: Path) -> None:
    """With TLS, connections without a greeting are none yet for the server that would count them."""
    authority, port = Authority.make(tmp_path / "ca"), free_port()
    certificate = [str(one) for one in authority.issue("localhost")]
    with (tmp_path / "log").open("wb") as log:
        command = [sys.executable, "-c", SERVER, str(tmp_path), str(port), *certificate]
        process = subprocess.Popen(command, cwd=Path(__file__).parents[2], stderr=log)
    try:
        wait_until(lambda: listens(port), "the page listens")
        with ExitStack() as opened:
            crowd(opened, port, CROWD, lambda: socket.create_connection(("127.0.0.1", port), timeout=20))
            held = len(os.listdir(f"/proc/{process.pid}/fd"))
            assert DESCRIPTORS / 2 < held <= DESCRIPTORS - min(KEPT_FREE, DESCRIPTORS // 4) + 1, held
        context = ssl.create_default_context(cafile=authority.file)
        asked = [f"https://localhost:{port}/healthz"]
        wait_until(
            lambda: httpx.get(asked[0], verify=context, timeout=20).text == "ok", "it answers when they have gone"
        )
        assert (tmp_path / "log").stat().st_size < 20_000
    finally:
        process.kill()
        process.wait()


def test_what_strangers_make_the_log_say_is_said_seldom(monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = [0.0]
    monkeypatch.setattr(connections_module.time, "monotonic", lambda: now_s[0])
    repeats = RepeatFilter()

    def passes(message: str, level: int = logging.WARNING) -> str | None:
        record = logging.LogRecord("uvicorn.error", level, "x", 1, message, (), None)
        return record.getMessage() if repeats.filter(record) else None

    assert passes("Invalid") == "Invalid"
    assert [passes("Invalid") for _ in range(500)] == [None] * 500
    assert passes("Another") == "Another"
    assert passes("Started", logging.INFO) == passes("Started", logging.INFO) == "Started"
    now_s[0] = 61.0
    assert passes("Invalid") == "Invalid (and 500 more like it)"
    for number in range(1000):
        passes(f"line {number}")
    assert len(repeats._said_s) <= connections_module.KINDS_MAX


@pytest.mark.fault("W6")
def test_streams_are_capped_however_many_come_at_once(household: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    import monitor.page.app as app_module

    monkeypatch.setattr(app_module, "MOST_PAGES", 3)
    with serving(household) as client:
        port = client.base_url.port or 0
        ask = b"GET /api/events HTTP/1.1\r\nhost: localhost\r\n\r\n"
        with ExitStack() as opened:
            raws = [opened.enter_context(socket.create_connection(("127.0.0.1", port), 20)) for _ in range(12)]
            for raw in raws:
                raw.sendall(ask)
            answers = sorted(raw.recv(12)[-3:] for raw in raws)
            assert answers == [b"200"] * 3 + [b"503"] * 9
        wait_until(lambda: _may_stream(client), "closed pages are let go")


def _may_stream(client: httpx.Client) -> bool:
    with client.stream("GET", "/api/events") as stream:
        return stream.status_code == 200


def test_what_a_stream_sends_is_what_the_document_says(household: Settings) -> None:
    whole = document()
    form = jsonschema_rs.validator_for({"$ref": "#/components/schemas/Change", "components": whole["components"]})
    with serving(household) as client, client.stream("GET", "/api/events", params={"after": "elsewhere-7"}) as stream:
        lines = stream.iter_lines()
        assert next(line for line in lines if line.startswith("event: ")) == "event: again"
        form.validate(json.loads(next(lines).removeprefix("data: ")))
        token = {"x-jartide-token": client.get("/api/session").json()["token"]}
        client.post("/api/jars/rye/noted", **NOTE, headers=token)
        form.validate(json.loads(next(line for line in lines if line.startswith("data: "))[6:]))


def test_an_answer_does_not_wait_for_an_acknowledgement(household: Settings) -> None:
    """Nagle's algorithm against delayed acknowledgements: 40 ms in each answer (RFC 1122, 4.2.3.4). asyncio switches it
    off where the socket says that it is TCP."""
    with _listening(replace(household, page=PageSettings(port=free_port()))) as listener:
        assert listener.proto == socket.IPPROTO_TCP
