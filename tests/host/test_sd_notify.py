"""What the service manager hears, on a real socket: sd_notify(3) and sd_watchdog_enabled(3) of systemd 252."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.host import systemd


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, dict[str, str]]]:
    name = (
        f"/tmp/jartide-{os.getpid()}-{request.node.name[:20]}.sock"
        if request.param == "path"
        else f"@jartide-{os.getpid()}-{tmp_path.name}"
    )
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind("\0" + name[1:] if name.startswith("@") else name)
        end.settimeout(5)
        yield end, {"NOTIFY_SOCKET": name}
    if not name.startswith("@"):
        Path(name).unlink()


def test_ready_alive_and_stopping(manager: tuple[socket.socket, dict[str, str]]) -> None:
    end, environ = manager
    assert systemd.tell(systemd.READY, environ=environ)
    assert end.recv(4096) == b"READY=1"
    assert systemd.tell(systemd.ALIVE, "STATUS=3 jars", environ=environ)
    assert end.recv(4096) == b"WATCHDOG=1\nSTATUS=3 jars"
    assert systemd.tell(systemd.STOPPING, environ=environ)
    assert end.recv(4096) == b"STOPPING=1"


@pytest.mark.parametrize(
    "path", ["", "relative/path", "/no/such/socket", "@nobody-listens-here", "/tmp", "@" + "x" * 200]
)
def test_nobody_to_tell_is_no_trouble(path: str) -> None:
    assert not systemd.tell(systemd.READY, environ={"NOTIFY_SOCKET": path} if path else {})


def test_a_full_socket_does_not_block(manager: tuple[socket.socket, dict[str, str]]) -> None:
    _, environ = manager
    told = [systemd.tell(systemd.ALIVE, environ=environ) for _ in range(5000)]
    assert told[0]
    assert not told[-1]


@pytest.mark.parametrize(
    ("environ", "every_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "60000000"}, 30.0),  # half of it, as the manual says
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "-5"}, None),
    ],
)
def test_the_watchdog_is_for_us_or_not(environ: dict[str, str], every_s: float | None) -> None:
    assert systemd.watchdog_s(environ) == every_s
