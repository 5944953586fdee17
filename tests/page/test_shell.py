"""The page on a phone's home screen: what makes it installable, what it shows where the house is out of reach, and TLS
of its own."""

from __future__ import annotations

import json
import os
import ssl
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from urllib.request import urlopen

import httpx
import pytest
from playwright.sync_api import Browser, expect

from monitor.page.server import PageServer, address
from monitor.runs.store import Store
from monitor.settings import PageSettings, Settings
from tests.browsing import PHONE, WAIT_MS, Eyes, serious
from tests.page_house import settings_of
from tests.servers import free_port, listens, wait_until


@pytest.fixture
def settings(tmp_path: Path) -> Iterator[Settings]:
    made = settings_of(tmp_path, ["rye"], PageSettings(port=free_port()))
    with Store.open(made.store.path, 0.0):
        yield made


def served(settings: Settings) -> PageServer:
    server = PageServer(settings)
    server.start()
    wait_until(lambda: listens(settings.page.port), "the page listens")
    return server


def test_a_phone_can_install_it_and_is_told_when_the_house_is_out_of_reach(
    settings: Settings, browser: Browser
) -> None:
    """A manifest with a name, a start and icons of 192 and 512 px makes a page installable (W3C Web Application
    Manifest; the sizes are what browsers ask for); a service worker answers where nobody else does (W3C Service
    Workers)."""
    server = served(settings)
    try:
        context = browser.new_context()
        eyes = Eyes(context, address(settings))
        page = eyes.page
        manifest = json.loads(
            page.evaluate("fetch(document.querySelector('link[rel=manifest]').href).then(r => r.text())")
        )
        assert manifest["name"] == "Jartide"
        assert {icon["sizes"] for icon in manifest["icons"]} >= {"192x192", "512x512"}
        for icon in manifest["icons"]:
            kind = page.evaluate(
                "name => fetch('static/' + name).then(r => r.headers.get('content-type'))", icon["src"]
            )
            assert kind.startswith(icon["type"])
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.reload()  # from now on the worker stands before the page
        assert not eyes.wrong
    finally:
        server.stop()
    wait_until(lambda: not listens(settings.page.port), "the house is out of reach")
    page.goto(address(settings))
    expect(page.locator("h1")).to_have_text("Not connected", timeout=WAIT_MS)
    assert "rye" not in page.content()  # nothing old about a jar
    context.close()


def test_the_page_speaks_tls_itself(settings: Settings, tmp_path: Path) -> None:
    key, cert = tmp_path / "page.key", tmp_path / "page.crt"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    subprocess.run([*command, "-addext", "subjectAltName=DNS:localhost", "-keyout", key, "-out", cert],
                   check=True, capture_output=True)  # fmt: skip
    secure = replace(settings, page=replace(settings.page, cert_file=cert, key_file=key))
    server = served(secure)
    try:
        url = f"https://localhost:{secure.page.port}/"
        assert address(secure) == url.replace("localhost", "127.0.0.1")
        with urlopen(url, context=ssl.create_default_context(cafile=str(cert)), timeout=30) as answer:
            assert b"Jartide" in answer.read()
            assert "Secure" in answer.headers["set-cookie"]
    finally:
        server.stop()


def test_the_guide_is_on_the_page(settings: Settings, browser: Browser) -> None:
    """The same pages as `jartide guide --html` writes, from the page's foot to a baker's answer and back to a key."""
    server = served(settings)
    try:
        for name, colours in (("light", "light"), ("dark", "dark")):
            context = browser.new_context(viewport=PHONE, color_scheme=colours)  # type: ignore[arg-type]
            eyes = Eyes(context, address(settings))
            eyes.page.get_by_role("link", name="Guide").click()
            eyes.page.get_by_role("link", name="How it decides").click()
            expect(eyes.page.locator("h1")).to_have_text("How it decides", timeout=WAIT_MS)
            assert eyes.page.evaluate("[...document.images].every((one) => one.naturalWidth > 0)")
            assert eyes.page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
            assert serious(eyes.page) == []
            if folder := os.environ.get("JARTIDE_SCREENSHOTS"):
                eyes.page.screenshot(path=f"{folder}/guide_{name}.png", full_page=True)
            eyes.page.goto(f"{address(settings)}guide/keys.html")
            assert "empty_mm" in eyes.page.content()
            assert serious(eyes.page) == []
            assert not eyes.wrong
            context.close()
        assert httpx.get(f"{address(settings)}guide/nothing.html").status_code == 404
        assert httpx.get(f"{address(settings)}guide").headers["location"] == "guide/index.html"
    finally:
        server.stop()
