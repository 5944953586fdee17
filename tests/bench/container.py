"""The container, built by a real builder: `python -m tests.bench.container FOLDER` (as root, with Debian's `buildah`).

The base image that `configs/Containerfile` names comes from a registry of images. In its place stands the Debian of
`tests/bench/fresh_root.py` (FOLDER, made by debootstrap where it is empty) with a Python of its own in /usr/local, by
the same name; all after the first line is built as it is, from the wheel alone. In what was built, as its user:
version, `init`, `status`, and the watch by the image's own command until its page answers and it ends by the image's
own signal. Exit code 1 when it does not. Not tried here: podman itself, a volume, a device, other processors.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from tests.bench.fresh_root import CERTIFICATES, ROOT, debian, megabytes, wheel_of_this
from tests.servers import program

FILE = ROOT / "configs" / "Containerfile"
PATIENCE_S = 60.0


def main() -> int:
    """See the module."""
    root = Path(sys.argv[1]).resolve()
    debian(root)
    (base,) = re.findall(r"^FROM (\S+)$", FILE.read_text(), re.MULTILINE)
    with tempfile.TemporaryDirectory() as name:
        folder, context = Path(name), Path(name) / "context"
        kept = ["--root", str(folder / "images"), "--runroot", str(folder / "run"), "--storage-driver", "vfs"]

        def buildah(*words: str) -> str:
            done = subprocess.run([program("buildah"), *kept, *words], stdout=subprocess.PIPE, text=True, check=True)
            return done.stdout.strip()

        context.mkdir()
        shutil.move(wheel_of_this(folder), context)
        stand_in = buildah("from", "scratch")
        buildah("add", "-q", stand_in, str(root), "/")
        buildah("run", "--isolation", "chroot", stand_in, "--", "python3", "-m", "venv", "/usr/local")
        path = "PATH=/usr/local/bin:/usr/local/sbin:/usr/sbin:/usr/bin:/sbin:/bin"
        buildah("config", "--env", path, "--env", f"PIP_CERT={CERTIFICATES}", stand_in)
        buildah("commit", "-q", "--rm", stand_in, base)
        began_s = time.monotonic()
        buildah("bud", "-q", "--isolation", "chroot", "--pull-never", "-t", "jartide", "-f", str(FILE), str(context))
        took_s = time.monotonic() - began_s
        made = buildah("from", "--pull-never", "localhost/jartide")
        place = Path(buildah("mount", made))
        grew_mb = megabytes(place) - megabytes(root)
        print(f"built: {took_s:.0f} s, {grew_mb:.0f} MB more than its base")
        image = json.loads(buildah("inspect", "--type", "image", "localhost/jartide"))["OCIv1"]["config"]
        run = [program("buildah"), *kept, "run", "--isolation", "chroot", made, "--"]
        for words in (["jartide", "--version"], ["jartide", "init", "--yes", "--jar", "rye", "--serial", "/dev/jar"],
                      ["sh", "-c", "id -un; pwd; jartide status"]):  # fmt: skip
            print(subprocess.run([*run, *words], stdout=subprocess.PIPE, text=True).stdout.strip(), flush=True)
        began_s = time.monotonic()
        # sh, to learn the process that a container would send its signal to
        watch = [*run, "sh", "-c", f"echo $$; exec {' '.join(image['Cmd'])}"]
        with subprocess.Popen(watch, stdout=subprocess.PIPE, text=True) as watching:
            assert watching.stdout is not None
            pid = int(watching.stdout.readline())
            healthy = False
            while not healthy and time.monotonic() - began_s < PATIENCE_S and watching.poll() is None:
                with contextlib.suppress(OSError):  # it does not listen yet
                    healthy = urllib.request.urlopen("http://127.0.0.1:8140/healthz", timeout=10).status == 200
                time.sleep(0.05)
            print(f"the page answers: {healthy}, {time.monotonic() - began_s:.1f} s after the start")
            stop = {"SIGTERM": 15, "SIGINT": 2}[image["StopSignal"]]
            os.kill(pid, stop)
            ended = watching.wait(PATIENCE_S)
        print(f"ended by {image['StopSignal']} with {ended}")
        buildah("umount", made)
        buildah("rm", made)
    return 0 if healthy and ended == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
