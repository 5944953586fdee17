"""Real peers for tests: a broker of one's own on a free port, certificates, and waiting for a condition.

Every test that needs a server starts its own, in its own folder. A program that is not installed fails the test where
CI is set, and skips it with the reason elsewhere.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest


def program(name: str) -> str:
    """The path of an installed program."""
    path = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
    if path is None:
        message = f"{name} is not installed (tests/debian-packages.txt)"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return path


def free_port() -> int:
    """A TCP port that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until(condition: Callable[[], object], what: str, within_s: float = 60.0) -> None:
    """Return as soon as the condition holds; fail with `what` when it does not in time: a busy machine's time, not the
    program's."""
    end_s = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > end_s:
            pytest.fail(f"not within {within_s:g} s: {what}")
        time.sleep(0.01)


def listens(port: int) -> bool:
    """Whether something accepts connections at the port."""
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


# --- certificates --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Authority:
    """A certificate authority of the test's own. `issue` gives (certificate, key) files for a name of this machine."""

    folder: Path

    @property
    def file(self) -> Path:
        return self.folder / "ca.pem"

    @classmethod
    def make(cls, folder: Path) -> Authority:
        folder.mkdir(parents=True, exist_ok=True)
        made = cls(folder)
        made._openssl(
            "req", "-x509", "-keyout", "ca.key", "-out", "ca.pem", "-days", "30", "-subj", "/CN=tests", *_NEW_KEY
        )
        return made

    def issue(self, name: str, days: int = 30) -> tuple[Path, Path]:
        """`days` may be negative: a certificate that has expired."""
        names = f"subjectAltName=DNS:{name}"
        request = ["-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}", "-addext", names]
        self._openssl("req", *request, *_NEW_KEY)
        signing = ["-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-copy_extensions", "copy"]
        self._openssl("x509", "-req", "-in", f"{name}.csr", *signing, "-out", f"{name}.pem", "-days", str(days))
        return self.folder / f"{name}.pem", self.folder / f"{name}.key"

    def _openssl(self, *arguments: str) -> None:
        subprocess.run([program("openssl"), *arguments], cwd=self.folder, check=True, capture_output=True)


_NEW_KEY = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]


# --- the broker ----------------------------------------------------------------------------------------------------


@dataclass
class Mosquitto:
    """A real broker with its own folder, which survives `stop`, `kill` and `start`."""

    folder: Path
    port: int = field(default_factory=free_port)
    settings: list[str] = field(default_factory=list)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it accepts connections."""
        self.folder.mkdir(parents=True, exist_ok=True)
        lines = [
            f"listener {self.port} 127.0.0.1",
            "persistence true",
            f"persistence_location {self.folder}/",
            "autosave_interval 1",
            f"log_dest file {self.folder}/log",
            "log_type all",
            *self.settings,
        ]
        if os.geteuid() == 0:
            lines.append("user root")
        (self.folder / "conf").write_text("\n".join(lines) + "\n")
        self.process = subprocess.Popen(
            [program("mosquitto"), "-c", str(self.folder / "conf")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        running = self.process
        wait_until(lambda: listens(self.port) or running.poll() is not None, "mosquitto listening")
        assert running.poll() is None, (self.folder / "log").read_text()

    def stop(self) -> None:
        """End it in good order; it writes down its sessions and queues."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def log(self) -> str:
        """All that it has logged."""
        return (self.folder / "log").read_text(errors="replace")

    def _end(self, how: signal.Signals) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(how)
            self.process.wait(10)
        self.process = None


@contextmanager
def mosquitto(
    folder: Path,
    *,
    passwords: dict[str, str] | None = None,
    certificate: tuple[Path, Path] | None = None,
    client_ca: Path | None = None,
    more: tuple[str, ...] = (),
) -> Iterator[Mosquitto]:
    """A running broker. `passwords` (user to password) closes it to all others; `certificate` (file, key file) gives it
    TLS; `client_ca` lets in only clients with a certificate of that authority."""
    folder.mkdir(parents=True, exist_ok=True)
    settings = list(more)
    if passwords is None:
        settings.append("allow_anonymous true")
    else:
        file = folder / "passwords"
        file.write_text("".join(f"{user}:{password}\n" for user, password in passwords.items()))
        file.chmod(0o600)
        subprocess.run([program("mosquitto_passwd"), "-U", str(file)], check=True, capture_output=True)
        settings += ["allow_anonymous false", f"password_file {file}"]
    if certificate is not None:
        settings += [f"certfile {certificate[0]}", f"keyfile {certificate[1]}"]
    if client_ca is not None:
        settings += [f"cafile {client_ca}", "require_certificate true"]
    broker = Mosquitto(folder, settings=settings)
    try:
        broker.start()
    except AssertionError:  # somebody else took the port in between
        broker.port = free_port()
        broker.start()
    try:
        yield broker
    finally:
        broker.kill()
