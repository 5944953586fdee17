"""What is sent to the page or brought in by hand and is far too large, or not at all what it says it is.

The page takes no files: what comes to it is a body of a few words, or refused. What takes files is `jartide import`.
"""

from __future__ import annotations

import gzip
import io
import resource
import socket
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from monitor.core.display.units import Display
from monitor.daemon.store_alarm import StoreAlarm
from monitor.page.guard import BODY_BYTES
from monitor.page.live import UNWRITTEN
from monitor.page.server import PageServer
from monitor.runs import run_file, transfer
from monitor.runs.store import Store
from monitor.settings import NoticeSettings, PageSettings
from tests.page_house import settings_of
from tests.servers import free_port, listens, wait_until
from tests.terminal import jartide

SERVER = """
import sys, threading, time
from pathlib import Path
from monitor.page.server import PageServer
from monitor.runs.store import Store
from monitor.settings import PageSettings
from tests.page_house import settings_of
settings = settings_of(Path(sys.argv[1]), ["rye"], PageSettings(port=int(sys.argv[2])))
Store.open(settings.store.path).close()
PageServer(settings).start()
threading.Event().wait()
"""
MANY = 64 << 20
GROWTH_MB = 12.0  # the first requests load what they need


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[httpx.Client, int]]:
    """A page in a process of its own, so that its memory can be measured."""
    port = free_port()
    command = [sys.executable, "-c", SERVER, str(tmp_path_factory.mktemp("page")), str(port)]
    process = subprocess.Popen(command, cwd=Path(__file__).parents[2])
    try:
        wait_until(lambda: listens(port), "the page listens")
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=20) as client:
            yield client, process.pid
    finally:
        process.kill()
        process.wait()


def memory_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def zipped(size: int) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("night.csv", bytes(size))
    return out.getvalue()


@pytest.mark.fault("W8")
@pytest.mark.parametrize("path", ["/api/jars/rye/fed", "/api/jars/rye/noted", "/login", "/logout", "/", "/api/upload"])
def test_a_huge_body_is_refused_wherever_it_goes(served: tuple[httpx.Client, int], path: str) -> None:
    client, pid = served
    token = {"x-jartide-token": client.get("/api/session").json()["token"]}
    before_mb = memory_mb(pid)
    for headers in ({}, {"content-type": "application/json"}, {"content-type": "multipart/form-data; boundary=x"}):
        said_at_once = f"POST {path} HTTP/1.1\r\nhost: localhost\r\ncontent-length: {MANY}\r\n".encode()
        lines = "".join(f"{name}: {value}\r\n" for name, value in (headers | token).items()).encode()
        with socket.create_connection(("127.0.0.1", client.base_url.port or 0), timeout=10) as raw:
            raw.sendall(said_at_once + lines + b"\r\n")
            assert b"413" in raw.recv(100)  # before a byte of it was sent
        endless = (b" " * 65_536 for _ in range(MANY // 65_536))
        try:
            status = client.post(path, content=endless, headers={**headers, **token}).status_code
        except httpx.TransportError:  # the server has hung up
            status = 413
        unread = 303 if path == "/logout" else 413  # signing out looks at no body
        assert status in (unread, 403, 404, 405, 413, 415), (path, headers, status)
    assert memory_mb(pid) - before_mb < GROWTH_MB


@pytest.mark.fault("W8")
def test_a_body_that_is_packed_is_not_unpacked(served: tuple[httpx.Client, int]) -> None:
    """A few kilobytes that would be many megabytes: no server unpacks what it was not asked to (RFC 9110, 15.5.16)."""
    client, pid = served
    token = {"x-jartide-token": client.get("/api/session").json()["token"], "content-type": "application/json"}
    before_mb = memory_mb(pid)
    for body, encoding in ((gzip.compress(b" " * (10 << 20)), "gzip"), (zipped(10 << 20), "identity")):
        assert len(body) < BODY_BYTES
        answer = client.post("/api/jars/rye/fed", content=body, headers={**token, "content-encoding": encoding})
        assert answer.status_code in (400, 415)
        assert "not JSON" in answer.json()["error"]
    assert memory_mb(pid) - before_mb < GROWTH_MB


@pytest.mark.fault("W8")
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"PK\x03\x04" + zipped(10 << 20), "not a text file"),
        (b"time;distance_mm\n2026-03-02T06:00:00Z;92\n", "cells must be separated by commas"),
        (b"when,how_far\n1,2\n", "no column time and no column distance_mm"),
        (b"time,distance_mm\nnever,92\n2026-03-02T06:00:00Z,soon\n", "no row of it is a reading"),
        (b"# a: b\n" * 10, "no header row"),
    ],
    ids=["zip", "semicolons", "columns", "rows", "header"],
)
def test_a_file_that_is_no_run_is_one_sentence(tmp_path: Path, content: bytes, said: str) -> None:
    settings = settings_of(tmp_path, ["rye"], PageSettings(on=False))
    (tmp_path / "night.csv").write_bytes(content)
    done = jartide("import", "--store", settings.store.path, tmp_path / "night.csv")
    assert done.exit_code in (1, 2)
    assert said in done.output
    assert "Traceback" not in done.output


@pytest.mark.fault("W8")
def test_a_file_that_is_too_large_is_refused_before_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(transfer, "LARGEST_FILE_BYTES", 1 << 20)
    settings = settings_of(tmp_path, ["rye"], PageSettings(on=False))
    (tmp_path / "night.csv").write_bytes(b"time,distance_mm\n" + b"2026-03-02T06:00:00Z,92\n" * 50_000)
    done = jartide("import", "--store", settings.store.path, tmp_path / "night.csv")
    assert done.exit_code in (1, 2)
    assert "is larger than 1 MB; split it" in done.output


@pytest.mark.fault("D1")
@pytest.mark.fault("W9")
def test_that_nothing_can_be_written_down_is_shown_at_once(tmp_path: Path) -> None:
    """A daemon whose disk is full can tell its store nothing, and so neither a page that reads it alone."""
    settings = settings_of(tmp_path, ["rye"], PageSettings(port=free_port()))
    Store.open(settings.store.path).close()
    server = PageServer(settings)
    alarm = StoreAlarm([], NoticeSettings(), Display(), [server])
    server.start()
    try:
        wait_until(lambda: listens(settings.page.port), "the page listens")
        with httpx.Client(base_url=f"http://127.0.0.1:{settings.page.port}", timeout=20) as client:
            for trouble, wanted in (
                (None, []),
                ("the disk is full", [UNWRITTEN.format("the disk is full")]),
                (None, []),
            ):
                with client.stream("GET", "/api/events") as events:
                    alarm.look(trouble, 0.0, 0.0)
                    if trouble is not None:
                        heard = events.iter_text()
                        wait_until(lambda: "the disk is full" in next(heard), "an open page is told")  # noqa: B023
                for path in ("/api/now", "/api/health"):
                    assert client.get(path).json()["troubles"] == wanted
    finally:
        server.stop()


@pytest.mark.fault("F3")
def test_a_file_of_nothing_but_header_lines_fills_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    lines = [f"# key{number}: {'x' * 5000}\n" for number in range(3000)]
    path.write_text("".join(lines) + "# empty_mm: 180\ntime,distance_mm\n2026-03-02T06:00:00Z,92\n")
    file = run_file.read(path)
    assert file.empty_mm == 180  # however many lines come before it
    assert sum(len(key) + len(value) for key, value in file.header.items()) < 500_000
