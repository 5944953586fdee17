"""WebKit for the main stories, by its own WebDriver (https://www.w3.org/TR/webdriver2/): Debian's webkit2gtk-driver
drives the small browser that comes with the library, on a screen that Xvfb draws in memory."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from tests.page.firefox import ANSWER_S, PHONE
from tests.servers import free_port, listens, program, wait_until

BROWSERS = "*/webkit2gtk-4.1/MiniBrowser"  # below /usr/lib, by processor
LANGUAGE = "en_GB.UTF-8"  # from the plain locale C it makes the language tag "C", with which no number can be formatted
NO_GPU = {"WEBKIT_DISABLE_COMPOSITING_MODE": "1", "LIBGL_ALWAYS_SOFTWARE": "1"}


class WebKit:
    """A browser with one page open."""

    def __init__(self, driver: httpx.Client) -> None:
        self._driver = driver
        options = {"binary": str(_browser()), "args": ["--automation"]}
        wanted = {"alwaysMatch": {"pageLoadStrategy": "normal", "webkitgtk:browserOptions": options}}
        self._session = self._ask("POST", "/session", {"capabilities": wanted})["sessionId"]
        wide, high = PHONE
        self._ask("POST", f"/session/{self._session}/window/rect", {"width": wide, "height": high})

    def open(self, url: str) -> None:
        """Go there."""
        self._ask("POST", f"/session/{self._session}/url", {"url": url})

    def run(self, expression: str) -> Any:
        """What an expression of JavaScript comes to on the page."""
        script = {"script": f"return {expression}", "args": []}
        return self._ask("POST", f"/session/{self._session}/execute/sync", script)

    def close(self) -> None:
        """End the browser."""
        self._ask("DELETE", f"/session/{self._session}", None)

    def _ask(self, method: str, path: str, params: dict[str, Any] | None) -> Any:
        answer = self._driver.request(method, path, json=params)
        assert answer.status_code == 200, answer.text
        return answer.json()["value"]


def _browser() -> Path:
    found = next(Path("/usr/lib").glob(BROWSERS), Path("MiniBrowser"))
    return Path(program(str(found)))


@contextmanager
def webkit(folder: Path) -> Iterator[WebKit]:
    """WebKit."""
    port = free_port()
    read, write = os.pipe()
    screen_command = [program("Xvfb"), "-displayfd", str(write), "-screen", "0", "1280x1024x24", "-nolisten", "tcp"]
    command = [program("WebKitWebDriver"), "-p", str(port)]
    with (folder / "webkit.log").open("wb") as log:
        screen = subprocess.Popen(screen_command, stdout=log, stderr=log, pass_fds=[write])
        os.close(write)
        try:
            with os.fdopen(read) as number:
                display = f":{number.readline().strip()}"  # said as soon as it draws
            own = {"HOME": str(folder), "DISPLAY": display, "LANG": LANGUAGE, "LANGUAGE": "en_GB", "LC_ALL": ""}
            driver = subprocess.Popen(command, stdout=log, stderr=log, env={**os.environ, **NO_GPU, **own})
            try:
                wait_until(lambda: listens(port), "the driver listens")
                with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=ANSWER_S) as client:
                    engine = WebKit(client)
                    try:
                        yield engine
                    finally:
                        engine.close()
            finally:
                driver.terminate()
                driver.wait(20)
        finally:
            screen.terminate()
            screen.wait(20)
