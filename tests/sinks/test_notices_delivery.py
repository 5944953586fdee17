"""Notices on their way out: real local HTTP servers, dead and slow and refusing ones, crashes in between.

Status codes are RFC 9110's; how often to try is the product's own promise.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.runs import deliveries, outbox
from monitor.runs.store import Store, StoreTrouble
from monitor.sinks import apprise_channel
from monitor.sinks.apprise_channel import AppriseChannel
from monitor.sinks.notices import Console, NoticeSink
from tests.servers import free_port, wait_until
from tests.sinks.delivering import NOW, Monotonic, Web, notice, queue, states


def attempts(store: Store) -> tuple[str, int] | None:
    return next(((state, tries) for state, tries, _ in deliveries.of_notice(store, 1).values()), None)


def test_a_notice_goes_out_once_with_its_id(store: Store, web: Callable[..., Web]) -> None:
    site = web()
    outbox.put(store, [notice()], NOW)
    one = queue(site.address())
    for _ in range(3):
        assert one.turn(store) is None
    assert [(got["title"], got["message"]) for got in site.got] == [
        ("feed_now rye", "Text of feed_now 0.\n\n[rye.0.4.feed_now.0]")
    ]
    assert states(store) == ["sent"]


def test_what_waits_for_one_jar_goes_out_as_one_message(store: Store, web: Callable[..., Web]) -> None:
    site = web()
    waiting = [
        notice("sensor_back"),
        notice("feed_now"),
        notice("near_rim", urgent=True),
        notice("at_peak", jar="white"),
    ]
    outbox.put(store, [*waiting, notice("daily_summary", jar="")], NOW)
    queue(site.address()).turn(store)
    assert [got["title"] for got in site.got] == ["daily_summary", "near_rim rye (and 2 more)", "at_peak white"]
    assert site.got[1]["message"] == (
        "Text of near_rim 0.\n\nfeed_now rye: Text of feed_now 0.\n\nsensor_back rye: Text of sensor_back "
        "0.\n\n[rye.0.4.near_rim.0 rye.0.4.feed_now.0 rye.0.4.sensor_back.0]"
    )
    assert states(store) == ["sent"] * 5


@pytest.mark.fault("N3")
@pytest.mark.fault("N4")
@pytest.mark.parametrize(
    ("answer", "reason", "first_wait_s"),
    [
        (500, "HTTP 500 Internal Server Error", 30),
        (503, "HTTP 503 Service Unavailable", 30),
        (408, "HTTP 408 Request Timeout", 30),
        ((429, {"Retry-After": "120"}), "HTTP 429 Too Many Requests", 300),
        (401, "HTTP 401 Unauthorized", 3600),
        (403, "HTTP 403 Forbidden", 3600),
        (404, "HTTP 404 Not Found", 3600),
    ],
)
def test_how_long_each_refusal_holds_back(
    store: Store, web: Callable[..., Web], answer: Any, reason: str, first_wait_s: float
) -> None:
    site, clock = web(answer, 200), Monotonic()
    outbox.put(store, [notice()], NOW)
    one = queue(site.address(), clock=clock)
    assert one.turn(store) == first_wait_s
    assert deliveries.of_notice(store, 1) == {one.channel.key: ("waiting", 1, reason)}
    clock.now_s += first_wait_s - 1
    outbox.put(store, [notice("near_rim")], NOW)  # something new does not hurry it
    assert one.turn(store) == 1
    assert len(site.got) == 1
    clock.now_s += 1
    assert one.turn(store) is None
    assert len(site.got) == 2
    assert states(store) == ["sent", "sent"]


@pytest.mark.fault("N1")
def test_a_refused_connection_is_tried_again_from_half_a_minute_to_an_hour(store: Store) -> None:
    clock = Monotonic()
    one = queue(f"json://127.0.0.1:{free_port()}/x", clock=clock)
    outbox.put(store, [notice()], NOW)
    waits = []
    for _ in range(9):
        wait_s = one.turn(store)
        assert wait_s is not None
        waits.append(wait_s)
        clock.now_s += wait_s
    assert waits == [30, 60, 120, 240, 480, 960, 1920, 3600, 3600]
    assert one.trouble() == f"notices do not get through to {one.channel.shown}: connection refused (9 tries)"
    assert states(store) == ["pending"]


@pytest.mark.fault("N1")
def test_a_name_that_is_not_found_and_an_address_that_is_none(store: Store) -> None:
    outbox.put(store, [notice()], NOW)
    lost = queue("json://jartide.invalid/x")  # RFC 2606: never to be found
    assert lost.turn(store) == 30
    assert deliveries.of_notice(store, 1)[lost.channel.key][2] == "host name not found"
    bad = queue("carrier-pigeon://loft")
    assert bad.turn(store) == 3600
    assert "not a usable address" in deliveries.of_notice(store, 1)[bad.channel.key][2]
    assert lost.trouble() is None  # once may be a router that restarts
    assert "not a usable address" in str(bad.trouble())


@pytest.mark.fault("N2")
def test_a_service_that_does_not_answer_is_left_after_its_time(
    store: Store, web: Callable[..., Web], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.sinks.apprise_channel.READ_S", 0.3)
    site = web(hang=True)
    outbox.put(store, [notice()], NOW)
    one = queue(site.address(query="?rto=900"))  # an address cannot ask for a quarter of an hour
    began_s = time.monotonic()
    assert one.turn(store) == 30
    assert time.monotonic() - began_s < 30  # far from a quarter of an hour, also on a busy machine
    assert deliveries.of_notice(store, 1)[one.channel.key][2] == "no answer in time"


@pytest.mark.fault("N8")
def test_what_is_no_longer_true_or_of_use_is_not_sent(store: Store, web: Callable[..., Web]) -> None:
    site, clock = web(), Monotonic()
    dead = queue(f"json://127.0.0.1:{free_port()}/x", clock=clock)
    fine = queue(site.address(), dead.channel.key)
    outbox.put(store, [notice("feed_now"), notice("at_peak"), notice("overdue", expires_s=NOW - 1)], NOW)
    outbox.supersede(store, "rye", NOW, ["at_peak"])
    fine.turn(store)
    dead.turn(store)
    assert [got["title"] for got in site.got] == ["feed_now rye"]
    assert states(store) == ["pending", "superseded", "expired"]
    deliveries.expire(store, NOW + 86401)  # one channel has it, the other never came back
    assert states(store) == ["sent", "superseded", "expired"]


@pytest.mark.fault("N1")
def test_one_dead_channel_is_tried_again_without_telling_the_other_twice(store: Store, web: Callable[..., Web]) -> None:
    good, bad, clock = web(), web(500, 500, 200), Monotonic()
    keys = [AppriseChannel(site.address()).key for site in (good, bad)]
    queues = [queue(site.address(), *keys, clock=clock) for site in (good, bad)]
    outbox.put(store, [notice()], NOW)
    for waited_s in (0, 30, 60):
        clock.now_s += waited_s
        for one in queues:
            one.turn(store)
        assert len(good.got) == 1
        assert states(store) == ["sent" if waited_s == 60 else "pending"]
    assert len(bad.got) == 3


@pytest.mark.fault("N2")
def test_a_slow_channel_holds_up_no_other(tmp_path: Path, store: Store, web: Callable[..., Web]) -> None:
    slow, quick = web(hang=True), web()
    sink = NoticeSink(store.path, [AppriseChannel(site.address()) for site in (slow, quick)], wall=lambda: NOW)
    outbox.put(store, [notice()], NOW)
    sink.start()
    wait_until(lambda: slow.got and quick.got, "both called")
    outbox.put(store, [notice("overdue")], NOW)
    sink.wake()
    wait_until(lambda: len(quick.got) == 2, "the quick one told again, while the slow one hangs")
    assert len(slow.got) == 1
    began_s = time.monotonic()
    sink.stop()
    assert time.monotonic() - began_s < apprise_channel.READ_S  # it does not wait for the slow one


def test_the_sink_tells_of_a_channel_that_does_not_get_through(store: Store, web: Callable[..., Web]) -> None:
    site, clock = web(503), Monotonic()
    sink = NoticeSink(store.path, [AppriseChannel(site.address())], wall=lambda: NOW, monotonic=clock)
    outbox.put(store, [notice()], NOW)
    sink.start()
    for count in (1, 2, 3):
        assert sink.trouble() is None
        wait_until(lambda count=count: attempts(store) == ("waiting", count), f"try {count} has failed")
        clock.now_s += 4000
        sink.wake()
    wait_until(lambda: sink.trouble() is not None, "trouble told")
    assert "HTTP 503 Service Unavailable (3 tries)" in str(sink.trouble())
    sink.stop()


@pytest.mark.fault("P4")
def test_twenty_starts_send_nothing_again(store: Store, web: Callable[..., Web]) -> None:
    site, heard = web(), []
    outbox.put(store, [notice(), notice("overdue", jar="white")], NOW)
    for start in range(20):
        sink = NoticeSink(store.path, [AppriseChannel(site.address()), Console(heard.append)], wall=lambda: NOW)
        outbox.put(store, [notice(), notice("overdue", jar="white")], NOW)  # decided again by the replay
        sink.start()
        if start == 0:
            wait_until(lambda: states(store) == ["sent", "sent"], "sent")
        sink.stop()
    assert len(site.got) == len(heard) == 2


CRASHES = """
import os, sys
from pathlib import Path
from monitor.runs import deliveries
from monitor.runs.store import Store
from monitor.sinks.apprise_channel import AppriseChannel
from monitor.sinks.channel_queue import ChannelQueue
path, address = sys.argv[1:]
channel = AppriseChannel(address)
queue = ChannelQueue(channel, {channel.key}, lambda: 1_790_000_000.0)
with Store.join(Path(path)) as store:
    queue.resume(store)
    if os.environ.get("CRASH"):
        deliveries.sent = lambda *_: os._exit(9)
    queue.turn(store)
"""


@pytest.mark.fault("N5")
def test_a_crash_between_sending_and_marking_leads_to_one_more_copy_at_most(
    store: Store, web: Callable[..., Web]
) -> None:
    site = web()
    outbox.put(store, [notice()], NOW)
    for crash, code, copies in (("1", 9, 1), ("1", 9, 2), ("1", 0, 2), ("", 0, 2)):
        command = [sys.executable, "-c", CRASHES, str(store.path), site.address()]
        done = subprocess.run(command, env={**os.environ, "CRASH": crash}, check=False, timeout=60)
        assert (done.returncode, len(site.got)) == (code, copies)
    assert site.got[0] == site.got[1]  # the same id
    assert states(store) == ["sent"]


@pytest.mark.fault("N9")
def test_a_store_that_cannot_take_it_down_leads_to_no_second_copy(
    store: Store, web: Callable[..., Web], monkeypatch: pytest.MonkeyPatch
) -> None:
    site, real, full = web(), deliveries.sent, [True, True]

    def sent(*arguments: Any) -> None:
        if full:
            full.pop()
            raise StoreTrouble("the disk is full", lasting=False)
        real(*arguments)

    monkeypatch.setattr(deliveries, "sent", sent)
    one = queue(site.address())
    outbox.put(store, [notice()], NOW)
    for _ in range(2):
        with pytest.raises(StoreTrouble):
            one.turn(store)
    one.turn(store)
    assert len(site.got) == 1
    assert states(store) == ["sent"]
