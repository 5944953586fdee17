"""A device on a serial line: keeps one port open whatever happens, and hands its lines to `ingest`.

The port is a stable path, a pattern, or a pyserial URL (`socket://host:port`). Nothing is ever written to it. Of
several ports that match a pattern (`/dev/serial/by-id/*`) the first by name that opens is taken. When it is lost, it is
looked for under its own name and under names that are new since. A port that matched before and was not taken belongs
to another device, perhaps of another jar, and is never taken instead.

pyserial reports an unplugged device sometimes by SerialException and sometimes by OSError, and `is_open` stays true;
its `readline` gives half a line as a whole one. So bytes are read in chunks and cut in `wire`, and any error closes the
port and begins again.
"""

from __future__ import annotations

import errno
import glob
import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, Protocol

import serial

from monitor.core.display.refusals import Refusal
from monitor.host.heartbeat import working
from monitor.settings import SerialSettings
from monitor.sources import Put
from monitor.sources.boot_clock import BootClocks
from monitor.sources.ingest import Clock, Ingest, SourceStatus
from monitor.sources.rate_limit import RateLimit
from monitor.sources.wire import Line, Remainder, cut
from monitor.values import Rejected, SourceHealth

log = logging.getLogger(__name__)

READ_S = 0.25  # a read waits this long at most, so that what `RateLimit` holds is passed on in time
CHUNK_BYTES = 4096  # a Linux tty buffers no more
RETRY_S = (0.5, 5.0)  # first and longest wait before the next try; looking for a file is cheap
STOP_S = 4.0  # a read or close that hangs longer than this is abandoned
NOISE_LINES = 20  # that many refused lines in a row show that the two ends do not agree on the baud rate or form


class Port(Protocol):
    """The part of a pyserial port that is used."""

    @property
    def in_waiting(self) -> int: ...

    def read(self, size: int = 1, /) -> bytes: ...

    def close(self) -> None: ...


def open_port(path: str, baud: int) -> Port:
    """Open a port for this program alone. Raises OSError or ValueError."""
    options: dict[str, Any] = {} if "://" in path else {"exclusive": True}
    port: Port = serial.serial_for_url(path, baudrate=baud, timeout=READ_S, **options)
    return port


class SerialPort:
    """One [[serial]] table as a source."""

    def __init__(
        self,
        settings: SerialSettings,
        *,
        jars: frozenset[str],
        elsewhere: frozenset[str] = frozenset(),
        jar: str | None = None,
        clocks: BootClocks | None = None,
        wall: Clock = time.time,
        monotonic: Clock = time.monotonic,
        opener: Callable[[str, int], Port] = open_port,
    ) -> None:
        self.name = f"serial {settings.port}"
        self._settings = settings
        self._ingest = Ingest(
            self.name,
            jars=jars,
            elsewhere=elsewhere,
            jar=jar,
            bare_lines=settings.bare_lines,
            clocks=clocks,
            wall=wall,
            monotonic=monotonic,
        )
        self._wall = wall
        self._status = SourceStatus(self.name, wall, monotonic)
        self._opener = opener
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._port: Port | None = None
        self._taken: str | None = None  # the path that was opened last
        self._others: set[str] = set()  # the other paths that matched at that time

    def start(self, put: Put) -> None:
        """Begin to look for the port and to read it, in a thread of its own."""
        self._thread = threading.Thread(target=self._run, args=(put,), name=self.name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End within 5 s; a driver that hangs is abandoned with its (daemon) thread."""
        self._stopping.set()
        with suppress(Exception):  # not every kind of port can be woken
            self._port.cancel_read()  # type: ignore[union-attr]
        if self._thread is not None:
            self._thread.join(STOP_S)
        self._status.report(connected=False, trouble=None)

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Nothing to do: nobody on a serial line waits for it."""

    def health(self) -> SourceHealth:
        """How the port is doing."""
        return self._status.health()

    # --- the thread ------------------------------------------------------------------------------------------------

    def _run(self, put: Put) -> None:
        wait_s = RETRY_S[0]
        while not self._stopping.is_set():
            try:
                with working() as on:  # a driver may hang in any call
                    self._port = self._open()
                    if self._port is not None:
                        wait_s = RETRY_S[0]
                        self._read(self._port, put, on)
            except OSError as error:  # a SerialException is one
                why = f" ({error.strerror})" if error.strerror else ""  # pyserial's own text guesses what ours asks
                self._trouble(f"lost {self._settings.port}{why}: unplugged, or read by another program as well?")
            except queue.Full:  # the daemon is stopping, and will say so to us next
                self._trouble("the queue is full: the daemon is stopping")
            except Exception as error:
                log.exception("%s", self.name)
                self._trouble(f"stopped by an error in this program ({error}): it will try again; see the log")
            finally:
                if self._port is not None:
                    _close(self._port)
                    self._port = None
            self._stopping.wait(wait_s)
            wait_s = min(2 * wait_s, RETRY_S[1])

    def _trouble(self, sentence: str) -> None:
        if not self._stopping.is_set():
            self._status.report(connected=False, trouble=sentence)

    def _open(self) -> Port | None:
        wanted = self._settings.port
        fitting = sorted(glob.glob(wanted)) if "://" not in wanted and glob.has_magic(wanted) else [wanted]
        sentence = f"no serial port matches {wanted}: is the device plugged in?"
        if self._taken is not None and fitting:
            sentence = f"{self._taken} is gone, and no new port matches {wanted}: is the device plugged in?"
        for path in fitting:
            if path in self._others:
                continue
            try:
                port = self._opener(path, self._settings.baud)
            except (OSError, ValueError) as error:
                sentence = _why_not(path, self._settings.baud, error)
            else:
                self._taken, self._others = path, set(fitting) - {path}
                if self._others:
                    log.info("%s: reads %s of %s", self.name, path, ", ".join(fitting))
                self._status.report(connected=True, trouble=None)
                return port
        self._trouble(sentence)
        return None

    def _read(self, port: Port, put: Put, on: Callable[[], None]) -> None:
        remainder, pace, noise, warned = Remainder(), RateLimit(), 0, False
        refused: Rejected | None = None
        while not self._stopping.is_set():
            on()
            chunk = port.read(min(port.in_waiting, CHUNK_BYTES) or 1)
            lines, remainder = cut(remainder, chunk)
            for line in lines:
                item = self._item(line)
                if item is None:
                    continue
                refused = item if isinstance(item, Rejected) else None
                noise = noise + 1 if refused is not None else 0
                for passed in pace.offer(item):
                    put(passed)
            for passed in pace.due(self._wall()):
                put(passed)
            if lines:
                self._status.message_came()
                self._status.report(connected=True, trouble=self._complaint(noise, refused))
            if pace.dropped and not warned:
                warned = True
                log.warning("%s: sends faster than twice a second; only the newest reading is kept", self.name)

    def _item(self, line: Line) -> Any:
        """The delivery in a line; None for a line that only seems broken because the port was opened in its middle."""
        if line.overlong:
            return None if line.first else self._ingest.refuse(Refusal.LINE_TOO_LONG, line.data)
        if line.first and not line.data.startswith(b"{"):
            return None
        item = self._ingest.take(line.data)
        return None if line.first and isinstance(item, Rejected) else item

    def _complaint(self, noise: int, refused: Rejected | None) -> str | None:
        if noise >= NOISE_LINES and refused is not None:
            if refused.reason == Refusal.UNKNOWN_JAR:
                return f"every line is for a jar that is not in the config ({refused.detail}): name a [[jar]] like that"
            if refused.reason == Refusal.NO_JAR:
                return "no line names its jar: set jar = ... in [[serial]]"
            return f"only unreadable lines: does the device really send at {self._settings.baud} baud?"
        return self._ingest.clock_trouble


def _close(port: Port) -> None:
    """Close the port in a separate thread: some drivers hang in close when the device is gone."""
    closer = threading.Thread(target=_close_quietly, args=(port,), name="serial close", daemon=True)
    closer.start()
    closer.join(2.0)


def _close_quietly(port: Port) -> None:
    with suppress(Exception):
        port.close()


def _why_not(path: str, baud: int, error: Exception) -> str:
    code = getattr(error, "errno", None)
    if "exclusively lock" in str(error) or code == errno.EBUSY:
        return f"{path} is used by another program: stop that first"
    if code in (errno.EACCES, errno.EPERM):
        return f"no permission for {path}: add the user of this program to the group dialout and log in again"
    if code == errno.ENOENT:
        return f"there is no {path}: is the device plugged in?"
    if isinstance(error, ValueError):
        return f"{path} cannot be opened at {baud} baud ({error}): correct port and baud in [[serial]]"
    return f"{path} cannot be opened ({error}): unplug the device for a moment"
