"""One daemon for each store: a lock that the kernel releases when its holder dies, with the holder's process id in
it."""

from __future__ import annotations

import fcntl
import os
import time
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from monitor.host import file_modes

TRY_S, TRIES = 0.02, 50  # `jartide status` holds it for a moment when it looks, a daemon for longer than a second


class StoreBusy(Exception):
    """Another daemon uses this store; the text says which."""


class StoreLock:
    """Held from `with StoreLock(store_path):` to its end. Raises StoreBusy within a second when another process holds
    it, and OSError when the lock file cannot be written."""

    def __init__(self, store: Path) -> None:
        self._path = _beside(store)
        self._store = store
        self._file: int | None = None

    def __enter__(self) -> Self:
        with suppress(FileExistsError):
            os.close(file_modes.make(self._path))
        file = os.open(self._path, os.O_RDWR | os.O_CLOEXEC)
        try:
            self._hold(file)
        except BaseException:
            os.close(file)  # or this process would hold a lock for ever that it cannot use
            raise
        with suppress(OSError):  # perhaps a full disk: the lock holds all the same, only nobody can read whose it is
            os.ftruncate(file, os.pwrite(file, f"{os.getpid()}\n".encode(), 0))
        self._file = file
        return self

    def _hold(self, file: int) -> None:
        for left in reversed(range(TRIES)):
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except BlockingIOError:
                if left:
                    time.sleep(TRY_S)
        raise StoreBusy(
            f"{self._store}: another daemon (process {_pid(file) or 'unknown'}) is watching with this store"
        )

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._file is not None
        os.close(self._file)  # the file stays: if it were removed, two daemons could lock two files of one name


def holder(store: Path) -> int | None:
    """The process id of the daemon that watches with this store; None when none does, or when this user may not know.
    Changes nothing."""
    try:
        file = os.open(_beside(store), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        return None
    except BlockingIOError:
        return _pid(file)
    finally:
        os.close(file)


def hidden(store: Path) -> bool:
    """Whether this user may not know whether a daemon watches with this store."""
    return _beside(store).exists() and not os.access(_beside(store), os.R_OK, effective_ids=True)


def _beside(store: Path) -> Path:
    return store.with_name(store.name + ".lock")


def _pid(file: int) -> int | None:
    try:
        text = os.pread(file, 20, 0).decode("ascii", "replace").strip()
    except OSError:  # a card that fails
        return None
    return int(text) if text.isdigit() else None
