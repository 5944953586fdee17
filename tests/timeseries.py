"""Real time-series servers for the tests: VictoriaMetrics, and the engine of InfluxDB 1.6 behind a small translator,
because that version has no /api/v2. Each test starts its own, since it may kill it. `taking` is none: it takes all."""

from __future__ import annotations

import http.server
import json
import signal
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

from tests.servers import free_port, program, wait_until


def get(url: str, post: bytes | None = None) -> bytes:
    with urllib.request.urlopen(urllib.request.Request(url, data=post), timeout=5) as answer:
        return bytes(answer.read())


class Server:
    """One server process on one port and one directory. It can be killed and started again on the same data."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    health = "/"

    def start(self) -> None:
        self.directory.mkdir(parents=True, exist_ok=True)
        with (self.directory / "log").open("ab") as log:
            self.process = subprocess.Popen(self.command(), stdout=log, stderr=log)
        wait_until(self._answers, f"an answer of {self.command()[0]}")

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.directory / "log").read_text(errors="replace")[-2000:]
        try:
            get(self.url + self.health)
        except OSError:
            return False
        return True

    def end(self, how: int = signal.SIGKILL) -> None:
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(20)
            self.process = None

    def readings(self, field: str, jar: str) -> dict[int, float]:
        """{time in ms: value} of one field of the readings of one jar."""
        raise NotImplementedError


class VictoriaMetrics(Server):
    health = "/health"

    def __init__(self, directory: Path, retention: str = "100y") -> None:
        super().__init__(directory)
        self.retention = retention

    def command(self) -> list[str]:
        return [
            program("victoria-metrics"),
            f"-httpListenAddr=127.0.0.1:{self.port}",
            f"-storageDataPath={self.directory / 'data'}",
            f"-retentionPeriod={self.retention}",
            "-selfScrapeInterval=0",
            "-search.latencyOffset=0s",
            "-search.disableCache",
            "-memory.allowedBytes=64MB",
        ]

    def now_s(self) -> float:
        """The server's own clock, in whole seconds: it takes nothing that is more than two days ahead of it."""
        with urllib.request.urlopen(self.url + self.health, timeout=5) as answer:
            return parsedate_to_datetime(answer.headers["Date"]).timestamp()

    def series(self, match: str) -> list[dict[str, Any]]:
        get(self.url + "/internal/force_flush")
        query = urllib.parse.urlencode({"match[]": match})
        return [json.loads(line) for line in get(f"{self.url}/api/v1/export?{query}").splitlines()]

    def readings(self, field: str, jar: str) -> dict[int, float]:
        found = self.series(f'{{__name__="reading_{field}",jar="{jar}"}}')
        return {at: value for row in found for at, value in zip(row["timestamps"], row["values"], strict=True)}


class Influx16(Server):
    """InfluxDB 1.6 and, on `url`, a translator from the v2 write call to the v1 one; `engine_url` is the real thing."""

    health = "/ping"

    def __init__(self, directory: Path, bucket: str = "jartide", retention: str = "INF") -> None:
        super().__init__(directory)
        self.bucket = bucket
        self.retention = retention
        self.rpc_port = free_port()
        self.engine_url = self.url
        self.translator = http.server.ThreadingHTTPServer(("127.0.0.1", 0), _translate_to(self.engine_url))
        self.url = f"http://127.0.0.1:{self.translator.server_port}"
        threading.Thread(target=self.translator.serve_forever, daemon=True).start()

    def command(self) -> list[str]:
        return [program("influxd"), "run", "-config", str(self.directory / "influxdb.conf")]

    def start(self) -> None:
        self.directory.mkdir(parents=True, exist_ok=True)
        (self.directory / "influxdb.conf").write_text(
            f"""reporting-disabled = true
bind-address = "127.0.0.1:{self.rpc_port}"
[meta]
dir = "{self.directory}/meta"
[data]
dir = "{self.directory}/data"
wal-dir = "{self.directory}/wal"
[http]
bind-address = "127.0.0.1:{self.port}"
"""
        )
        super().start()
        self.ask(f'CREATE DATABASE "{self.bucket}" WITH DURATION {self.retention}', post=b"")

    def _answers(self) -> bool:
        translated, self.url = self.url, self.engine_url
        try:
            return super()._answers()
        finally:
            self.url = translated

    def ask(self, query: str, post: bytes | None = None) -> list[dict[str, Any]]:
        words = urllib.parse.urlencode({"q": query, "db": self.bucket, "epoch": "ms"})
        result = json.loads(get(f"{self.engine_url}/query?{words}", post))["results"][0]
        assert "error" not in result, result
        return list(result.get("series", []))

    def readings(self, field: str, jar: str) -> dict[int, float]:
        series = self.ask(f"""SELECT "{field}" FROM "reading" WHERE "jar" = '{jar}'""")
        return {at: value for row in series for at, value in row["values"]}

    def close(self) -> None:
        self.end()
        self.translator.shutdown()
        self.translator.server_close()


def _translate_to(engine_url: str) -> type[http.server.BaseHTTPRequestHandler]:
    class Translator(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            path, _, query = self.path.partition("?")
            asked = dict(urllib.parse.parse_qsl(query))
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            precision = {"ns": "n", "us": "u", "ms": "ms", "s": "s"}[asked.get("precision", "ns")]
            words = urllib.parse.urlencode({"db": asked.get("bucket", ""), "precision": precision})
            request = urllib.request.Request(f"{engine_url}/write?{words}", data=body, method="POST")
            try:
                with urllib.request.urlopen(request, timeout=5) as answer:
                    status, content = answer.status, answer.read()
            except urllib.error.HTTPError as error:
                status, content = error.code, error.read()
            except OSError:
                self.close_connection = True  # the engine is away: so is this server
                return
            assert path == "/api/v2/write"
            self.send_response(status)
            if status != 204:
                self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            if status != 204:
                self.wfile.write(content)

        def log_message(self, *_: object) -> None:
            pass

    return Translator


@contextmanager
def taking() -> Iterator[tuple[str, list[str]]]:
    """The address of a server that takes whatever is written to it, of any date, and the lines that it was given."""
    lines: list[str] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            lines.extend(self.rfile.read(int(self.headers["Content-Length"])).decode().splitlines())
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}", lines
    finally:
        server.shutdown()
        server.server_close()
