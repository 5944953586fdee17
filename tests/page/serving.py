"""A served household, and a client of its API."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import httpx

from monitor.page.server import PageServer
from monitor.settings import PageSettings, Settings
from tests.servers import free_port, listens, wait_until


@contextmanager
def serving(settings: Settings, **page: object) -> Iterator[httpx.Client]:
    """The page on a free port, and a client that has its own cookies."""
    port = free_port()
    host = str(page.get("host", "127.0.0.1"))
    settings = replace(settings, page=PageSettings(**{"port": port, **page}))  # type: ignore[arg-type]
    server = PageServer(settings)
    server.start()
    try:
        base = f"http://[{host}]:{port}" if ":" in host else f"http://127.0.0.1:{port}"
        with httpx.Client(base_url=base, timeout=20, verify=False) as client:  # no TLS: else a third of a second
            wait_until(lambda: _up(client), f"the page answers ({server.trouble()})")
            yield client
    finally:
        server.stop()


@contextmanager
def shown(settings: Settings, **more: Any) -> Iterator[str]:
    """The address of the page for a browser, on the port that the settings name; `more` goes to the server."""
    server = PageServer(settings, **more)
    server.start()
    try:
        wait_until(lambda: listens(settings.page.port), "the page listens")
        yield f"http://127.0.0.1:{settings.page.port}/"
    finally:
        server.stop()


def _up(client: httpx.Client) -> bool:
    try:
        return client.get("/static/page.css").status_code == 200
    except httpx.TransportError:
        return False


def token(client: httpx.Client) -> dict[str, str]:
    return {"x-jartide-token": client.get("/api/session").json()["token"]}
