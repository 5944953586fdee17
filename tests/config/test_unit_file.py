"""The systemd unit: what systemd itself says of it."""

import configparser
import os
import re
import shlex
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.cli import COMMANDS
from monitor.host.lock import StoreLock
from monitor.runs.store import Store
from tests.servers import program

UNIT = Path(__file__).resolve().parents[2] / "configs" / "jartide.service"


def service() -> configparser.SectionProxy:
    parser = configparser.ConfigParser(strict=False, interpolation=None, comment_prefixes=("#",))
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read(UNIT)
    return parser["Service"]


@pytest.mark.fault("P6")
def test_its_exposure_is_two_of_ten_at_most() -> None:
    """systemd-analyze(1), security: 0 is no exposure, 10 the most; a bare unit has 9.6."""
    said = subprocess.run(
        [program("systemd-analyze"), "security", "--offline=true", "--no-pager", str(UNIT)],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found = re.search(r"Overall exposure level for jartide\.service: ([\d.]+)", said)
    assert found, said
    assert float(found[1]) <= 2.0, said


def test_systemd_finds_nothing_wrong_with_it(tmp_path: Path) -> None:
    """With a program that exists here in place of the installed one; a misspelt key would be named."""
    unit = tmp_path / "jartide.service"
    unit.write_text(UNIT.read_text().replace("/opt/jartide/bin/jartide", sys.executable))
    done = subprocess.run(
        [program("systemd-analyze"), "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False
    )
    ours = [line for line in done.stderr.splitlines() if "jartide" in line]
    assert (done.returncode, ours) == (0, [])


def test_it_starts_a_command_that_there_is_and_waits_for_its_word() -> None:
    words = shlex.split(service()["ExecStart"])
    assert words[1] in COMMANDS
    # the config, and so the store beside it, are in the folder that the service may write
    assert words[2:] == ["--config", f"/var/lib/{service()['StateDirectory']}/jartide.toml"]
    assert service()["Type"] == "notify"
    assert int(service()["WatchdogSec"]) > 0
    assert service()["RestartPreventExitStatus"] == "2"  # the config is wrong: starting again will not help


def test_its_reload_reaches_the_daemon(tmp_path: Path) -> None:
    """The line as systemd.service(5) runs it, which sets MAINPID, with no program in reach but the shell."""
    words = shlex.split(service()["ExecReload"])
    waits = "from signal import *; pthread_sigmask(SIG_BLOCK, [SIGHUP]); print(); raise SystemExit(sigwait([SIGHUP]))"
    with subprocess.Popen([sys.executable, "-u", "-c", waits], stdout=subprocess.PIPE) as daemon:
        assert daemon.stdout is not None
        daemon.stdout.readline()  # from here on it is held for it
        subprocess.run(words, check=True, env={"MAINPID": str(daemon.pid), "PATH": str(tmp_path)})
        assert daemon.wait(60) == signal.SIGHUP


def test_it_may_use_serial_ports_and_its_own_store() -> None:
    text = UNIT.read_text()
    assert "DeviceAllow=char-ttyUSB rw" in text
    assert "DeviceAllow=char-ttyACM rw" in text
    assert service()["SupplementaryGroups"] == "dialout"
    assert service()["StateDirectory"] == "jartide"
    assert not re.search(r"^PrivateDevices=", text, re.MULTILINE)


@pytest.mark.fault("C6")
def test_the_group_may_write_what_the_service_writes(tmp_path: Path) -> None:
    """In a folder as systemd makes it for the unit, and with its umask: so `jartide fed` works for members of the
    group."""
    folder = tmp_path / "jartide"
    folder.mkdir()
    folder.chmod(int(service()["StateDirectoryMode"], 8))
    before = os.umask(int(service()["UMask"], 8))
    try:
        path = folder / "jartide.db"
        with StoreLock(path), Store.open(path):
            made = {file.name: file.stat().st_mode & 0o777 for file in folder.iterdir()}
    finally:
        os.umask(before)
    assert {"jartide.db", "jartide.db.lock"} <= set(made)
    assert set(made.values()) == {0o660}
