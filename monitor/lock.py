"""One daemon a store: a lock that the kernel lets go of when its holder dies, with the holder's process id in it."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from types import TracebackType
from typing import Self


class StoreBusy(Exception):
    """Another daemon watches with this store; the text says which."""


class StoreLock:
    """Held from `with StoreLock(store_path):` to its end. Raises StoreBusy at once when another process holds it, and
    OSError when the lock file cannot be written."""

    def __init__(self, store: Path) -> None:
        self._path = store.with_name(store.name + ".lock")
        self._store = store
        self._file: int | None = None

    def __enter__(self) -> Self:
        file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o660)  # less the umask
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            pid = os.pread(file, 20, 0).decode("ascii", "replace").strip() or "unknown"
            os.close(file)
            raise StoreBusy(f"{self._store}: another daemon (process {pid}) is watching with this store") from None
        os.ftruncate(file, 0)
        os.pwrite(file, f"{os.getpid()}\n".encode(), 0)
        self._file = file
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._file is not None
        os.close(self._file)  # the file stays: removing it would let two daemons lock two files of one name


def holder(store: Path) -> int | None:
    """The process id of the daemon that watches with this store; None when none does."""
    try:
        with StoreLock(store):
            return None
    except StoreBusy:
        text = store.with_name(store.name + ".lock").read_text("ascii", "replace").strip()
        return int(text) if text.isdigit() else None
    except OSError:
        return None
