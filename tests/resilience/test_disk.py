"""A disk of its own (ext4 on a loop device): the power goes at random moments, and the kernel makes it read-only.

What the loop device has written is in its file, and nothing else: a copy of that file is what a cut leaves. Needs root,
as in the checks; elsewhere it is skipped. `JARTIDE_CUTS=500 pytest tests/resilience/test_disk.py -n 0 -s` cuts oftener.
"""

from __future__ import annotations

import os
import random
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from tests.kitchen import Kitchen
from tests.night import night
from tests.resilience.test_store import WRITER, whole_groups
from tests.servers import program, wait_until

CUTS = int(os.environ.get("JARTIDE_CUTS", "10"))
IMAGE_MB = 24


def must(*words: object) -> None:
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{words}: {done.stderr}"


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """An empty file system in a file."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount")
    made = tmp_path / "disk"
    made.write_bytes(b"")
    os.truncate(made, IMAGE_MB << 20)
    must(program("mkfs.ext4"), "-q", made)
    return made


@contextmanager
def mounted(image: Path) -> Iterator[Path]:
    """The file system at a folder; what a cut left of its journal is taken over by the mount."""
    folder = image.with_name(f"{image.name}.at")
    folder.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", "-o", "loop,errors=remount-ro", image, folder], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        pytest.skip(f"no loop device here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        must("umount", folder)


@pytest.mark.fault("D22")
@pytest.mark.timeout(60 + 20 * CUTS)
def test_a_power_cut_leaves_all_that_was_acknowledged(image: Path, tmp_path: Path) -> None:
    chance, cuts = random.Random(CUTS), []
    with mounted(image) as folder:
        command = [sys.executable, "-c", WRITER, str(folder / "s.db"), "64"]
        writer = subprocess.Popen(command, cwd=Path(__file__).parents[2], stdout=subprocess.PIPE)
        assert writer.stdout is not None
        said = b""
        try:
            for _ in range(CUTS):
                said = os.read(writer.stdout.fileno(), 1 << 20)  # waits until there is some
                time.sleep(chance.uniform(0.0, 0.2))  # the moment itself is the matter, not waiting for anything
                writer.send_signal(signal.SIGSTOP)
                os.waitid(os.P_PID, writer.pid, os.WSTOPPED | os.WNOWAIT)
                while select.select([writer.stdout], [], [], 0)[0]:
                    said += os.read(writer.stdout.fileno(), 1 << 20)
                acknowledged = int(said[: said.rindex(b"\n")].rpartition(b"\n")[2])
                cut = tmp_path / "cut"
                shutil.copyfile(image, cut)
                writer.send_signal(signal.SIGCONT)
                with mounted(cut) as left:
                    found = whole_groups(left / "s.db")
                assert found is not None  # never damaged
                assert found >= acknowledged
                cuts.append(found - acknowledged)
        finally:
            writer.kill()
            writer.wait()
    print(f"{len(cuts)} cuts: nothing acknowledged was lost; up to {max(cuts)} more readings were there")


@pytest.mark.fault("D23")
def test_a_disk_that_becomes_read_only_keeps_nothing_back_and_loses_nothing(image: Path) -> None:
    """As the kernel does with a card that fails (ext4(5), errors=remount-ro): nothing is acknowledged from then on, it
    is told, and when the disk is mounted again the broker sends again what it still has."""
    things = [replace(thing, token=number) for number, thing in enumerate(night(every_s=300.0, hours=4.0))]
    half = len(things) // 2
    with mounted(image) as folder, closing(Kitchen(folder / "s.db")) as kitchen:
        kitchen.store.query("PRAGMA synchronous = FULL")  # as the store itself has it; a kitchen saves the time
        kitchen.live(things[:half])
        kitchen.daemon.flush()
        acknowledged = set(kitchen.source.acknowledged)
        assert acknowledged == set(range(half))
        device = subprocess.run(["findmnt", "-no", "SOURCE", folder], capture_output=True, text=True, check=True).stdout
        (Path("/sys/fs/ext4") / Path(device.strip()).name / "trigger_fs_error").write_text("1")
        wait_until(lambda: "emergency_ro" in _options(folder) or _options(folder).startswith("ro"), "read-only")
        kitchen.live(things[half:])
        kitchen.daemon.flush()
        assert set(kitchen.source.acknowledged) == acknowledged
        trouble = kitchen.trouble()
        assert trouble is not None
        assert str(folder / "s.db") in trouble
    subprocess.run([program("fsck.ext4"), "-p", image], capture_output=True, check=False)  # 1: mended
    with mounted(image) as folder, closing(Kitchen(folder / "s.db", things[half].received_s)) as kitchen:
        kitchen.live(things[half:])
        kitchen.daemon.flush()
        assert kitchen.trouble() is None
        assert acknowledged | set(kitchen.source.acknowledged) == set(range(len(things)))
        numbers = kitchen.store.query("SELECT device_seq FROM item WHERE told IS NULL ORDER BY seq")
        assert numbers == [(thing.seq,) for thing in things]


@contextmanager
def closing(kitchen: Kitchen) -> Iterator[Kitchen]:
    try:
        yield kitchen
    finally:
        kitchen.store.close()


def _options(folder: Path) -> str:
    mounts = (line.split() for line in Path("/proc/mounts").read_text().splitlines())
    return next(options for _, where, _, options, *_ in mounts if where == str(folder))
