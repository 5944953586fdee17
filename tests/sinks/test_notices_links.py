"""A notice leads to its jar: in its text, and on a tap where the service has a place for it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.runs import outbox
from monitor.runs.store import Store
from monitor.sinks.apprise_channel import AppriseChannel
from monitor.sinks.channel_queue import ChannelQueue
from tests.sinks.delivering import NOW, Web, notice


@pytest.mark.parametrize("jar", ["rye", ""])
def test_a_notice_leads_to_its_jar(store: Store, web: Callable[..., Web], jar: str) -> None:
    site = web()
    link = "http://kitchen.local:8140/#/jar/rye" if jar else "http://kitchen.local:8140/#/"
    outbox.put(store, [notice(jar=jar)], NOW)
    for address in (site.address(), f"ntfy://127.0.0.1:{site.port}/jars"):
        channel = AppriseChannel(address, "http://kitchen.local:8140/")
        queue = ChannelQueue(channel, {channel.key, "another"}, lambda: NOW)
        assert queue.turn(store) is None, queue._reason
    plain, ntfy = site.got
    assert link in plain["message"].splitlines()
    assert site.headers[1]["X-Click"] == link
    assert link in ntfy["message"].splitlines()


@pytest.mark.parametrize(("kind", "asked"), [("feed_now", True), ("too_cold", False)])
def test_a_notice_that_asks_has_a_button(store: Store, web: Callable[..., Web], kind: str, asked: bool) -> None:
    site = web()
    outbox.put(store, [notice(kind)], NOW)
    channel = AppriseChannel(
        f"ntfy://127.0.0.1:{site.port}/jars", "http://k:8140", lambda jar: f"http://k:8140/fed/{jar}-x"
    )
    ChannelQueue(channel, {channel.key}, lambda: NOW).turn(store)
    wanted = "http, Fed, http://k:8140/fed/rye-x, method=POST, clear=true" if asked else None
    assert site.headers[0].get("X-Actions") == wanted


def test_without_an_address_there_is_none(store: Store, web: Callable[..., Web]) -> None:
    site = web()
    outbox.put(store, [notice()], NOW)
    channel = AppriseChannel(site.address())
    ChannelQueue(channel, {channel.key}, lambda: NOW).turn(store)
    assert "http" not in site.got[0]["message"]
