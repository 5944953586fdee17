"""What a newcomer needs: `python -m tests.bench.fresh_root FOLDER` (as root), a Debian with nothing but Python.

FOLDER is made by debootstrap where it is empty (and left there for another run). Into it goes the wheel and nothing of
this checkout; in it a virtual environment, `jartide init`, a simulated night over a pseudo-terminal at 600 times its
pace, until "feed now" is printed; then the service is set up as in a machine's image, and systemd reads its units. Each
step is timed, with the megabytes that it took. Exit code 1 when no notice came. `tests/bench/container.py` builds the
container in the same Debian.
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.servers import program

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = "python3,python3-venv,ca-certificates,systemd"
SPEED = 600
PATIENCE_S = 240.0
CERTIFICATES = Path("/etc/ssl/certs/ca-certificates.crt")  # of this machine, where its registry has one of its own
JARTIDE = "/opt/jartide/bin/jartide"
MADE = (  # by an earlier run
    "opt/jartide", "root/jartide.toml", "root/jartide.db", "root/jartide.db-wal", "root/jartide.db-shm",
    "root/jartide.db.lock", "var/lib/jartide", "etc/sysusers.d/jartide.conf", "etc/tmpfiles.d/jartide.conf",
    "etc/systemd/system/jartide.service", "etc/systemd/system/jartide-backup.service",
    "etc/systemd/system/jartide-backup.timer", "usr/local/share/man/man1",
)  # fmt: skip
UNITS = "/etc/systemd/system/jartide.service /etc/systemd/system/jartide-backup.service"


def megabytes(folder: Path) -> float:
    said = subprocess.run(["du", "-sxk", str(folder)], capture_output=True, text=True, check=True).stdout
    return int(said.split()[0]) / 1024


@contextlib.contextmanager
def mounted(root: Path) -> Iterator[None]:
    """What a running machine has: devices, pseudo-terminals, processes."""
    done: list[Path] = []
    try:
        for words in (["--bind", "/dev", root / "dev"], ["--bind", "/dev/pts", root / "dev/pts"],
                      ["-t", "proc", "proc", root / "proc"]):  # fmt: skip
            subprocess.run(["mount", *map(str, words)], check=True)
            done.append(Path(words[-1]))
        yield
    finally:
        for place in reversed(done):
            subprocess.run(["umount", "-l", str(place)], check=False)


def step(words: str, root: Path, command: str) -> None:
    before_mb, began_s = megabytes(root / "opt"), time.monotonic()
    clean = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LANG": "C.UTF-8", "PIP_CERT": str(CERTIFICATES)}
    called = ["chroot", str(root), "sh", "-ec", command]
    subprocess.run(called, check=True, stdout=subprocess.DEVNULL, env=clean)
    took_s, grew_mb = time.monotonic() - began_s, megabytes(root / "opt") - before_mb
    print(f"{words}: {took_s:.1f} s, {grew_mb:.1f} MB", flush=True)


def night(root: Path) -> bool:
    """Whether "feed now" was told."""
    began_s = time.monotonic()
    watch = f"cd /root && exec {JARTIDE} watch"
    play = f"cd /root && exec {JARTIDE} simulate good_night.toml --pty --link /tmp/jar --speed {SPEED}"
    with (
        tempfile.TemporaryFile("w+") as told,
        subprocess.Popen(["chroot", str(root), "sh", "-c", watch], stdout=told, stderr=subprocess.STDOUT) as watching,
        subprocess.Popen(["chroot", str(root), "sh", "-c", play], stdout=subprocess.DEVNULL) as playing,
    ):
        try:
            while time.monotonic() - began_s < PATIENCE_S:
                told.seek(0)
                said = told.read()
                if "Feed midnight now" in said:
                    resident = Path(f"/proc/{watching.pid}/status").read_text()
                    mb = next(int(line.split()[1]) for line in resident.splitlines() if line.startswith("VmRSS")) / 1024
                    print(f"a night until its notice: {time.monotonic() - began_s:.1f} s; the daemon {mb:.1f} MB")
                    return True
                time.sleep(0.2)
            print(said)
            return False
        finally:
            for one in (playing, watching):
                one.terminate()


def debian(root: Path) -> None:
    """What is missing of a small Debian in `root`, with this machine's way to the registries."""
    if not (root / "usr").exists():
        began_s = time.monotonic()
        made = ["--variant=minbase", f"--include={PACKAGES}", "bookworm", str(root)]
        subprocess.run([program("debootstrap"), *made], check=True, stdout=subprocess.DEVNULL)
        print(f"debootstrap: {time.monotonic() - began_s:.0f} s, {megabytes(root):.0f} MB", flush=True)
    if CERTIFICATES.exists():
        shutil.copyfile(CERTIFICATES, root / "etc/ssl/certs/ca-certificates.crt")
    for name in ("resolv.conf", "hosts"):
        shutil.copyfile(Path("/etc") / name, root / "etc" / name)


def wheel_of_this(folder: Path) -> Path:
    """The wheel, built from a copy in `folder`."""
    left_out = shutil.ignore_patterns(".git", ".venv", "*_cache", "*.egg-info", "build", "tests")
    shutil.copytree(ROOT, folder / "source", ignore=left_out)
    words = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(folder), str(folder / "source")]
    subprocess.run(words, check=True)
    (wheel,) = folder.glob("*.whl")
    return wheel


def main() -> None:
    root = Path(sys.argv[1]).resolve()
    debian(root)
    for name in MADE:
        place = root / name
        shutil.rmtree(place) if place.is_dir() else place.unlink(missing_ok=True)
    with tempfile.TemporaryDirectory() as folder, mounted(root):
        wheel = wheel_of_this(Path(folder))
        shutil.copy(wheel, root / "root")
        print(f"the wheel: {wheel.stat().st_size / 1e6:.2f} MB", flush=True)
        step("a virtual environment", root, "python3 -m venv /opt/jartide")
        step("the wheel with all that it needs", root, f"/opt/jartide/bin/pip install -q /root/{wheel.name}")
        step("jartide --version", root, f"{JARTIDE} --version")
        step(
            "jartide init",
            root,
            f"cd /root && {JARTIDE} init --yes --jar midnight --serial /tmp/jar --empty-mm 150 --quiet ''",
        )
        step("jartide status", root, f"cd /root && {JARTIDE} status || true")
        scenario = ROOT / "simulated_runs/good_night.toml"
        step("the scenario of a night, from the wheel", root,
             f"cp /opt/jartide/share/jartide/simulated_runs/{scenario.name} /root/")  # fmt: skip
        told = night(root)
        step("jartide init --service, in a machine's image", root, f"{JARTIDE} init --service --yes")
        step("systemd reads its units", root, f"systemd-analyze verify --man=no {UNITS}")
    sys.exit(not told)


if __name__ == "__main__":
    main()
