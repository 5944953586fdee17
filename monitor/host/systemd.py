"""Tells the service manager that we are ready, still alive, or stopping. Best effort; without systemd nothing happens.

The protocol is one datagram of KEY=VALUE lines to the AF_UNIX socket named in $NOTIFY_SOCKET, where a leading "@" means
the abstract namespace (sd_notify(3)); the watchdog is asked for by $WATCHDOG_USEC, for us only if $WATCHDOG_PID is
unset or ours (sd_watchdog_enabled(3)). The daemon calls `tell`, and decides itself when it is alive enough for that.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping

READY = "READY=1"
ALIVE = "WATCHDOG=1"
STOPPING = "STOPPING=1"


def tell(*lines: str, environ: Mapping[str, str] = os.environ) -> bool:
    """Send these lines; False when there is no service manager or its socket does not take them. Never raises."""
    path = environ.get("NOTIFY_SOCKET", "")
    if not path.startswith(("/", "@")):
        return False
    address = "\0" + path[1:] if path.startswith("@") else path
    with contextlib.suppress(OSError, ValueError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.setblocking(False)  # a stuck service manager must not stop the daemon
        out.sendto("\n".join(lines).encode(), address)
        return True
    return False


def watchdog_s(environ: Mapping[str, str] = os.environ) -> float | None:
    """How often to send ALIVE: half of what systemd allows, as its manual advises. None when no watchdog is wanted."""
    microseconds, pid = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
    if not (microseconds.isascii() and microseconds.isdigit()) or int(microseconds) == 0:
        return None
    if pid and pid != str(os.getpid()):
        return None
    return int(microseconds) / 2e6
