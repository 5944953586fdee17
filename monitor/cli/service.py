"""What `jartide init --service` sets up on a machine with systemd, one step at a time, each printed: the service's user
and folders (systemd-sysusers, systemd-tmpfiles), config, unit, and a copy of the store each night.

Nothing that exists is overwritten, so that it can be run again after an upgrade.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import click

from monitor.cli import manual
from monitor.cli.opening import SERVICE_FOLDER, refuse
from monitor.host.shipped import shipped

USER = "jartide"
MAN = "usr/local/share/man/man1"
PROGRAM = "/opt/jartide/bin/jartide"  # as the shipped units name it
BOOTED = Path("/run/systemd/system")  # sd_booted(3): exists where systemd runs, and not in an image being made
HIDDEN = ("/home", "/root", "/run/user")  # the units' ProtectHome=yes keeps these from the service
# shipped file -> where it goes
FILES = {
    "configs/jartide.sysusers": "etc/sysusers.d/jartide.conf",
    "configs/jartide.tmpfiles": "etc/tmpfiles.d/jartide.conf",
    "configs/jartide.service": "etc/systemd/system/jartide.service",
    "configs/jartide-backup.service": "etc/systemd/system/jartide-backup.service",
    "configs/jartide-backup.timer": "etc/systemd/system/jartide-backup.timer",
}


def check_may(root: Path) -> None:
    """Exits with 2 if the service cannot be set up: not root, no systemd, or a program that it could not reach."""
    if root != Path("/"):
        return  # files only, for a package or an image
    if os.geteuid() != 0:
        refuse(f"--service: writes into /etc and {SERVICE_FOLDER}; run it as root: sudo {sys.argv[0]} init --service")
    if shutil.which("systemctl") is None:
        refuse("--service: there is no systemd here; start `jartide watch` with whatever starts programs here")
    if _program().startswith(HIDDEN):
        refuse(
            f"--service: {_program()} is in a home folder, which the service may not read; install it elsewhere:"
            " python3 -m venv /opt/jartide && /opt/jartide/bin/pip install WHEEL (jartide guide install)"
        )


def set_up(root: Path, config: Path, text: str | None) -> None:
    """Set up everything, printing each step; `text` is the new config, None if there is one already. With a `root`
    other than / only files are written and no command is run."""
    program = PROGRAM if root != Path("/") else _program()
    for name, place in FILES.items():
        _write(root / place, shipped(name).read_text("utf-8").replace(PROGRAM, program))
    _run(root, "systemd-sysusers")
    _run(root, "systemd-tmpfiles", "--create", str(root / FILES["configs/jartide.tmpfiles"]))
    config.parent.mkdir(parents=True, exist_ok=True)
    if text is not None:
        _write(config, text)
        config.chmod(0o660)
        if root == Path("/"):
            shutil.chown(config, USER, USER)
    pages = root / MAN
    click.echo(f"written: {manual.write(pages)} man pages in {pages}")
    if root != Path("/") or BOOTED.is_dir():
        _run(root, "systemctl", "daemon-reload")
        _run(root, "systemctl", "enable", "--now", "jartide.service", "jartide-backup.timer")
    else:
        _run(root, "systemctl", "enable", "jartide.service", "jartide-backup.timer")
        click.echo("systemd is not running here: the service will start with the machine")
    click.echo(f"Add yourself to its group and log in again: usermod -a -G {USER} {os.environ.get('SUDO_USER', 'YOU')}")


def _program() -> str:
    """This command, by the full path that a unit needs."""
    found = shutil.which(sys.argv[0]) or shutil.which("jartide") or PROGRAM
    return os.path.abspath(found)


def _write(path: Path, text: str) -> None:
    if path.exists():
        same = path.read_text("utf-8") == text
        click.echo(f"{'unchanged' if same else 'exists and differs, left as it is'}: {path}")
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")
    click.echo(f"written: {path}")


def _run(root: Path, *words: str) -> None:
    said = " ".join(words)
    if root != Path("/"):
        click.echo(f"not run, since the files are for another machine: {said}")
        return
    click.echo(f"running: {said}")
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    except OSError as error:
        refuse(f"{said}: {error.strerror}")
    if done.returncode != 0:
        last = (done.stderr or done.stdout).strip().splitlines()[-1:] or ["no reason given"]
        click.echo(f"{said}: {last[0]}", err=True)
        sys.exit(1)
