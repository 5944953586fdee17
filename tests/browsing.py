"""A real browser (Debian's chromium, driven by playwright) for tests (fixtures in conftest.py), and eyes that see what
goes wrong on a page. Accessibility rules: axe-core (WCAG 2.2 A and AA), as carried by axe-playwright-python."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright

from tests.servers import program

# no window, no sandbox where the tests run as root, and nothing that calls home
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
PHONE = {"width": 390, "height": 844}
WAIT_MS = 20_000
expect.set_options(timeout=WAIT_MS)  # the library's own five seconds are short on a busy machine


@contextmanager
def launched() -> Iterator[Browser]:
    """The browser."""
    with sync_playwright() as driver:
        made = driver.chromium.launch(executable_path=program("chromium"), args=list(FLAGS))
        yield made
        made.close()


def more(mine: Locator) -> None:
    """Unfold what a card keeps back: other grams, the notebook."""
    button = mine.get_by_role("button", name="More", exact=True)
    if button.get_attribute("aria-expanded") == "false":
        button.click()


class Eyes:
    """A page, and all that went wrong on it."""

    def __init__(self, context: BrowserContext, url: str) -> None:
        self.page: Page = context.new_page()
        self.page.set_default_timeout(WAIT_MS)
        self.wrong: list[str] = []
        self.asked: list[str] = []
        self.page.on("pageerror", lambda error: self.wrong.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.wrong.append("a dialog: " + dialog.message), dialog.dismiss()))
        self.page.on("console", lambda said: said.type == "error" and self.wrong.append(said.text))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(url)

    def chart(self, jar: str = "rye") -> dict[str, str]:
        """How far the picture of a jar goes."""
        figure = card(self.page, jar).locator("figure")
        figure.scroll_into_view_if_needed()
        expect(figure).to_have_attribute("data-points", re.compile(r"\d+"), timeout=WAIT_MS)
        data: dict[str, str] = figure.evaluate("node => ({ ...node.dataset })")
        return data


def card(page: Page, jar: str = "rye") -> Locator:
    """A jar's card: in a house of several jars only one lies open, and this opens it.

    The same jar may stand open already, in a view that gives way to this one: what is done to that card is lost.
    """
    go = "name => { location.hash = '#/jar/' + encodeURIComponent(name); return location.hash; }"
    address = page.evaluate(go, jar)
    expect(page.locator(f".view[data-address={json.dumps(address)}]")).to_be_attached(timeout=WAIT_MS)
    return page.locator("article", has=page.get_by_role("heading", name=jar, exact=True))


def findings(page: Page) -> list[tuple[str, list[str]]]:
    """What axe finds, however grave: (rule, some of the elements)."""
    return [(one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in _violations(page)]


def serious(page: Page) -> list[tuple[str, list[str]]]:
    """The same of what is serious or critical."""
    grave = [one for one in _violations(page) if one["impact"] in ("serious", "critical")]
    return [(one["id"], [node["html"][:120] for node in one["nodes"][:3]]) for one in grave]


def _violations(page: Page) -> list[dict[str, Any]]:
    if not page.evaluate("'axe' in globalThis"):  # it is half a megabyte: once a page
        page.evaluate(AXE_SCRIPT)
    found: list[dict[str, Any]] = page.evaluate("axe.run({ resultTypes: ['violations'] }).then(all => all.violations)")
    return found
