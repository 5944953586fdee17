"""One daemon a store, whoever looks at the lock meanwhile."""

from __future__ import annotations

import errno
import fcntl
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from monitor.host import lock
from monitor.host.lock import StoreBusy, StoreLock, holder


@pytest.mark.fault("P7")
def test_a_look_never_keeps_a_daemon_from_starting(tmp_path: Path) -> None:
    store, over = tmp_path / "s.db", threading.Event()
    seen: set[int | None] = set()

    def look() -> None:
        while not over.wait(0.0005):  # on a busy machine one without a pause would leave no moment to start in
            seen.add(holder(store))

    lookers = [threading.Thread(target=look) for _ in range(3)]
    for looker in lookers:
        looker.start()
    try:
        for _ in range(200):
            with StoreLock(store):
                pass
    finally:
        over.set()
        for looker in lookers:
            looker.join()
    assert seen <= {None, os.getpid()}


@pytest.mark.fault("P7")
def test_a_start_waits_for_the_end_of_a_look(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = tmp_path / "s.db"
    with StoreLock(store):
        pass
    look = os.open(tmp_path / "s.db.lock", os.O_RDONLY)
    fcntl.flock(look, fcntl.LOCK_SH)
    waited: list[float] = []

    def meanwhile(seconds: float) -> None:
        waited.append(seconds)
        if len(waited) == 3:
            os.close(look)

    monkeypatch.setattr(lock.time, "sleep", meanwhile)
    with StoreLock(store):
        assert len(waited) == 3


@pytest.mark.fault("D8")
def test_the_holder_is_named_and_its_death_lets_go(tmp_path: Path) -> None:
    store = tmp_path / "s.db"
    assert holder(store) is None
    assert not list(tmp_path.iterdir())  # looking leaves nothing behind
    hold = "import sys,time; from pathlib import Path; from monitor.host.lock import StoreLock\n"
    hold += "with StoreLock(Path(sys.argv[1])): print('held', flush=True); time.sleep(60)"
    other = subprocess.Popen([sys.executable, "-c", hold, str(store)], stdout=subprocess.PIPE)
    assert other.stdout is not None
    assert other.stdout.readline() == b"held\n"
    assert holder(store) == other.pid
    with pytest.raises(StoreBusy, match=f"process {other.pid}"), StoreLock(store):
        pass
    other.kill()
    other.wait()
    assert holder(store) is None
    with StoreLock(store):
        assert holder(store) == os.getpid()


@pytest.mark.parametrize("call", ["flock", "pwrite", "ftruncate"])
def test_a_failure_while_it_is_taken_leaves_no_lock_behind(
    tmp_path: Path, call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the file says is for people; whether it is held is the kernel's (flock(2))."""

    def fails(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    store, taken = tmp_path / "s.db", call != "flock"
    with monkeypatch.context() as broken:
        broken.setattr(lock.fcntl if call == "flock" else lock.os, call, fails)
        if taken:
            with StoreLock(store), pytest.raises(StoreBusy), StoreLock(store):
                pass
        else:
            with pytest.raises(OSError, match="No space"), StoreLock(store):
                pass
    with StoreLock(store):
        assert holder(store) == os.getpid()
