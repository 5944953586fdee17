"""Endpoints that answer a byte at a time, or break off: a message ends in time, and is told as what it was."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from monitor.runs import deliveries, outbox
from monitor.runs.store import Store
from monitor.sinks import apprise_channel
from monitor.sinks.apprise_channel import AppriseChannel
from monitor.sinks.notices import NoticeSink
from tests.servers import wait_until
from tests.sinks.delivering import NOW, notice, queue


@contextmanager
def endpoint(answer: Callable[[socket.socket], None]) -> Iterator[tuple[str, list[float]]]:
    """The address of a web service that takes one request at a time and does `answer` with it, and when each began."""
    asked: list[float] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def run() -> None:
            while True:
                try:
                    connection, _ = listener.accept()
                except OSError:
                    return
                with connection:
                    asked.append(time.monotonic())
                    connection.recv(4096)
                    with suppress(OSError):
                        answer(connection)

        threading.Thread(target=run, daemon=True).start()
        yield f"json://127.0.0.1:{listener.getsockname()[1]}/hook", asked
        listener.shutdown(socket.SHUT_RDWR)


def trickle(connection: socket.socket) -> None:
    connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 100000\r\n\r\n")
    while True:
        connection.sendall(b"x")
        time.sleep(0.05)


def reset(connection: socket.socket) -> None:
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


@pytest.mark.fault("N10")
def test_an_answer_that_trickles_is_none(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """No timeout of a socket ends it: each byte comes in time."""
    monkeypatch.setattr(apprise_channel, "WHOLE_S", 5.0)
    outbox.put(store, [notice()], NOW)
    with endpoint(trickle) as (address, _):
        one = queue(address)
        one.turn(store)
    state, _, reason = deliveries.of_notice(store, 1)[one.channel.key]
    assert (state, reason) == ("waiting", "no whole answer within 5 s")


@pytest.mark.fault("N10")
def test_an_end_in_the_middle_of_it_is_not_a_message_sent(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    with Store.open(path, NOW) as store, endpoint(trickle) as (address, asked):
        outbox.put(store, [notice()], NOW)
        channel = AppriseChannel(address)
        sink = NoticeSink(path, [channel], wall=lambda: NOW)
        sink.start()
        wait_until(lambda: asked, "it is being sent")
        assert deliveries.of_notice(store, 1)[channel.key][0] == "sending"
        sink.stop()
        assert deliveries.of_notice(store, 1)[channel.key] == ("waiting", 1, "sending was broken off")


@pytest.mark.fault("N11")
def test_a_broken_connection_is_not_a_mail_servers_word(store: Store) -> None:
    outbox.put(store, [notice()], NOW)
    with endpoint(reset) as (address, _):
        one = queue(address)
        one.turn(store)
    assert deliveries.of_notice(store, 1)[one.channel.key][2] == "connection broken off"
