"""Firefox for the main stories, by its own WebDriver BiDi (https://w3c.github.io/webdriver-bidi/)."""

from __future__ import annotations

import itertools
import json
import os
import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.servers import program, wait_until

PHONE = (390, 844)
ANSWER_S = 60.0


class Firefox:
    """A browser with one page open."""

    def __init__(self, socket: Any) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self._ask("session.new", {"capabilities": {}})
        (first, *_) = self._ask("browsingContext.getTree", {})["contexts"]
        self._context = first["context"]
        wide, high = PHONE
        viewport = {"width": wide, "height": high}
        self._ask("browsingContext.setViewport", {"context": self._context, "viewport": viewport})

    def open(self, url: str) -> None:
        """Go there."""
        self._ask("browsingContext.navigate", {"context": self._context, "url": url, "wait": "complete"})

    def run(self, expression: str) -> Any:
        """What an expression of JavaScript comes to on the page."""
        wanted = {"expression": f"JSON.stringify({expression})", "target": {"context": self._context}}
        said = self._ask("script.evaluate", {**wanted, "awaitPromise": True})
        assert said["type"] == "success", said
        return json.loads(said["result"].get("value", "null"))

    def _ask(self, method: str, params: dict[str, Any]) -> Any:
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": params}))
        while True:
            answer = json.loads(self._socket.recv())
            if answer.get("id") == number:
                assert answer["type"] == "success", answer
                return answer["result"]


@contextmanager
def firefox(folder: Path) -> Iterator[Firefox]:
    """Firefox."""
    from websocket import create_connection

    said = folder / "firefox.log"
    command = [program("firefox-esr"), "--headless", "--no-remote", "--remote-debugging-port=0"]
    command += ["--profile", str(folder), "about:blank"]
    with said.open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log, env={**os.environ, "HOME": str(folder)})
    try:
        found: list[str] = []

        def listening() -> bool:
            found[:] = re.findall(r"BiDi listening on (ws://\S+)", said.read_text(errors="replace"))
            return bool(found)

        wait_until(listening, "Firefox listens")
        socket = create_connection(f"{found[0]}/session", timeout=ANSWER_S, suppress_origin=True)
        try:
            yield Firefox(socket)
        finally:
            socket.close()
    finally:
        process.terminate()
        process.wait(20)
