"""Two other browser engines for the main stories: WebKit (Debian's webkit2gtk-driver, by selenium, on a screen of Xvfb)
and Firefox (its own WebDriver BiDi, https://w3c.github.io/webdriver-bidi/). Both answer to the same two calls."""

from __future__ import annotations

import itertools
import json
import os
import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from glob import glob
from pathlib import Path
from typing import Any, Protocol

import pytest

from tests.servers import program, wait_until

PHONE = (390, 844)
ANSWER_S = 60.0


class Engine(Protocol):
    """A browser with one page open."""

    def open(self, url: str) -> None:
        """Go there."""

    def run(self, expression: str) -> Any:
        """What an expression of JavaScript comes to on the page."""


class WebKit:
    """Through WebDriver."""

    def __init__(self, driver: Any) -> None:
        self._driver = driver

    def open(self, url: str) -> None:
        self._driver.get(url)

    def run(self, expression: str) -> Any:
        return self._driver.execute_script(f"return {expression};")


class Firefox:
    """Through WebDriver BiDi."""

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
        self._ask("browsingContext.navigate", {"context": self._context, "url": url, "wait": "complete"})

    def run(self, expression: str) -> Any:
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
def webkit(folder: Path) -> Iterator[Engine]:
    """WebKit, as the phones of one maker have it."""
    from selenium import webdriver

    driver_path = program("WebKitWebDriver")
    browsers = glob("/usr/lib/*/webkit2gtk-4.*/MiniBrowser")
    if not browsers:
        pytest.skip("MiniBrowser is not installed")
    with _screen() as display:
        # no sandbox where the tests run as root
        more = {"DISPLAY": display, "WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS": "1", "LIBGL_ALWAYS_SOFTWARE": "1"}
        options = webdriver.WebKitGTKOptions()
        options.binary_location = browsers[-1]
        options.add_argument("--automation")
        options.page_load_strategy = "none"  # a page with a stream of events is never wholly loaded
        service = webdriver.WebKitGTKService(
            executable_path=driver_path, env={**os.environ, **more, "HOME": str(folder)}, log_output=str(folder / "log")
        )
        driver = webdriver.WebKitGTK(options=options, service=service)
        try:
            driver.set_window_size(*PHONE)
            yield WebKit(driver)
        finally:
            driver.quit()


@contextmanager
def firefox(folder: Path) -> Iterator[Engine]:
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


@contextmanager
def _screen() -> Iterator[str]:
    """A screen that nobody sees; its number is the first that is free."""
    read_end, write_end = os.pipe()
    command = [program("Xvfb"), "-displayfd", str(write_end), "-screen", "0", "1280x1024x24", "-nolisten", "tcp"]
    process = subprocess.Popen(command, pass_fds=(write_end,), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    os.close(write_end)
    try:
        with os.fdopen(read_end) as said:
            yield f":{said.readline().strip()}"
    finally:
        process.terminate()
        process.wait(10)
