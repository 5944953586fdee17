"""Is every port there and sending, can every broker be reached, do readings arrive? Findings from what was received."""

from __future__ import annotations

import glob
from collections.abc import Iterator
from pathlib import Path

from monitor.check import Finding
from monitor.check.listen import Listener, Received
from monitor.core.display.refusals import words
from monitor.settings import SOURCES, SerialSettings, Settings
from monitor.values import SourceHealth

BY_ID = Path("/dev/serial/by-id")
USUAL_S = 30.0  # as our firmware notes have it
ENOUGH = 3  # readings of a jar: the median of three is no stray


def enough(settings: Settings, received: Received) -> bool:
    """Whether listening longer would show nothing more."""
    return all(
        sum(one.distance_mm is not None or one.echo_us is not None for one in received.readings.get(jar.name, ()))
        >= ENOUGH
        for jar in settings.jars
    )


def judge(settings: Settings, listener: Listener, listened_s: float) -> Iterator[Finding]:
    """One finding for each source, after listening for a while."""
    if not settings.any_source:
        none = " and ".join(f"no [[{name}]]" for name in SOURCES)
        yield Finding("sources", "wrong", f"there is {none}: no reading can arrive")
        return
    received = listener.received()
    if listener.daemon is not None:
        yield Finding("daemon", "ok", f"process {listener.daemon} is watching with this store: its state is shown here")
    for health in received.health:
        yield _source(health, received, listener, listened_s)
    for serial in settings.serial:
        yield from _names(serial)


def _source(health: SourceHealth, received: Received, listener: Listener, listened_s: float) -> Finding:
    name = health.name
    if not health.connected:
        return Finding(name, "wrong", health.trouble or "not connected")
    if listener.daemon is not None:
        return Finding(name, "wrong" if health.trouble else "ok", health.trouble or "connected")
    refused, count = received.refused.get(name, []), received.counts.get(name, 0)
    if count == 0 and not health.trouble:
        missing = "is the device powered, is its name for the jar and its topic right?"
        if name.startswith("serial"):
            missing = "is it the right port and baud, is the program on the board?"
        if listened_s < USUAL_S:
            missing = f"boards send about every {USUAL_S:.0f} s, so listen longer (--listen-s); or {missing}"
        return Finding(name, "wrong", f"open, but nothing came within {listened_s:.0f} s: {missing}")
    complaints = [health.trouble] if health.trouble else []
    if refused:
        last = refused[-1]
        complaints.append(
            f"{len(refused)} of {count} messages were rejected, the last one: {words(last.reason)}: {last.detail}"
        )
    if complaints:
        return Finding(name, "wrong" if len(refused) == count else "note", "; ".join(complaints))
    return Finding(name, "ok", f"sending: {count} message{'s' if count > 1 else ''}")


def _names(serial: SerialSettings) -> Iterator[Finding]:
    """The lasting name of a port, for a config with one that may change."""
    name = f"serial {serial.port}"
    if "://" in serial.port:
        return
    fitting = sorted(glob.glob(serial.port)) if glob.has_magic(serial.port) else [serial.port]
    if len(fitting) > 1:
        yield Finding(name, "note", f"{len(fitting)} ports match: {', '.join(fitting)}; the first that opens is used")
    for port in fitting:
        lasting = sorted(str(link) for link in BY_ID.glob("*") if link.resolve() == Path(port).resolve())
        if lasting and port not in lasting and not port.startswith("/dev/serial/"):
            yield Finding(name, "note", f"{port} may have another name next time: write port = {lasting[0]!r}")
