"""Fixtures that several files here use."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from monitor.runs.store import Store
from tests.sinks.delivering import NOW, Web


@pytest.fixture
def web() -> Iterator[Callable[..., Web]]:
    servers: list[tuple[ThreadingHTTPServer, Web]] = []

    def make(*answers: int | tuple[int, dict[str, str]], hang: bool = False) -> Web:
        site = Web(hang=hang)
        if answers:
            site.answers = [(answer, {}) if isinstance(answer, int) else answer for answer in answers]

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                site.got.append(json.loads(body))
                site.headers.append(dict(self.headers))
                if site.hang:
                    site.let_go.wait(30)
                    return
                status, headers = site.answers.pop(0) if len(site.answers) > 1 else site.answers[0]
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        server.daemon_threads = True
        site.port = server.server_address[1]
        threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
        servers.append((server, site))
        return site

    yield make
    for server, site in servers:
        site.let_go.set()
        server.shutdown()
        server.server_close()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "jartide.db", NOW) as opened:
        yield opened
