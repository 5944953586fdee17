"""Every command in the guide is run, in a house of its own; what wants root, another machine or a sensor is at least
read by the shell and by the command itself."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from monitor.guide import KEEPER
from monitor.runs.store import Store
from tests.daemon.test_watch import known, watching
from tests.guide.blocks import BLOCKS, Block, build, config, of, run
from tests.servers import free_port, listens, mosquitto, program, wait_until

ROOT = Path(__file__).resolve().parents[2]
MAY_SAY_NO = ("jartide check", "jartide status", "jartide bake")  # nobody watches, no device is there, too short a time
SHELF = '[[jar]]\nname = "shelf-{01..08}"\nempty_mm = 180\nflour = "whole rye"\n'
LANGUAGES = {
    "sh", "sh-read", "sh-demo", "sh-service", "sh-broker", "sh-page", "sh-root", "sh-install", "sh-sensor",
    "sh-wheel", "sh-container", "sh-victoria", "toml", "json", "addresses", "nginx", "yaml-scrape", "yaml-ntfy",
}  # fmt: skip


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("house")
    build(folder, time.time())
    return folder


@pytest.fixture
def house(built: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "house"
    shutil.copytree(built, folder)
    return folder


def ran(line: str, folder: Path, *, within_s: float = 100.0) -> str:
    done = run(line, folder, within_s=within_s)
    allowed = (0, 1) if line.startswith(MAY_SAY_NO) else (0,)
    assert done.returncode in allowed, f"{line}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr
    return done.stdout


def test_there_is_no_block_that_nobody_tries() -> None:
    assert {block.language for block in BLOCKS} == LANGUAGES
    assert {block.page for block in BLOCKS} >= set(KEEPER) - {"how_well", "troubles"}


@pytest.mark.parametrize(
    "page",
    [
        pytest.param(page, marks=pytest.mark.dates if page in ("first_evening", "everyday") else ())
        for page in sorted({block.page for block in of("sh")})
    ],
)
def test_the_commands_of_a_page_do_what_they_say(house: Path, page: str) -> None:
    if page != "first_evening":  # which begins with none
        config(house, jars=SHELF if page == "many_jars" else "")
    for block in of("sh"):
        for line in block.lines if block.page == page else ():
            ran(line, house)


@pytest.mark.timeout(600)
def test_the_demo(tmp_path: Path) -> None:
    """The shorter of its two ways: tests/cli/test_demo.py looks at the other."""
    for block in of("sh-demo"):
        for line in block.lines:
            ran(f"{line} --no-page --seconds 5", tmp_path, within_s=500.0)  # some seconds of work, on a busy machine


def test_the_watch(house: Path) -> None:
    (block,) = of("sh-service")
    assert block.lines == ["jartide watch"]
    config(house)
    with watching(house) as process:
        wait_until(lambda: known(house).get("watching"), "it watches")
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0


@contextmanager
def served(house: Path) -> Iterator[int]:
    port = config(house)
    with watching(house):
        wait_until(lambda: listens(port), "the page listens")
        yield port


@pytest.mark.parametrize("block", of("sh-page"), ids=str)
def test_what_is_asked_of_the_page(house: Path, block: Block) -> None:
    with served(house) as port:
        for line in block.lines:
            said = ran(line.replace(":8140", f":{port}"), house)
            assert "jartide_" in said or "ok" in said or '"stored":true' in said.replace(" ", ""), said


@pytest.mark.parametrize("block", of("sh-broker"), ids=str)
def test_what_is_said_to_the_broker(house: Path, tmp_path: Path, block: Block) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        config(house, broker=broker.port)
        with Store.join(house / "jartide.db") as store:
            before = store.last_seq()
        with watching(house):
            wait_until(lambda: (known(house).get("sources") or [{}])[0].get("connected"), "connected")  # type: ignore[index]
            for line in block.lines:
                ran(line.replace("-h 127.0.0.1", f"-h 127.0.0.1 -p {broker.port}"), house)
            if "mosquitto_pub" in block.text:
                with Store.join(house / "jartide.db") as store:
                    wait_until(lambda: store.last_seq() > before, "the reading is stored")


@pytest.mark.parametrize("block", of("sh-read", "sh-root", "sh-container", "sh-sensor"), ids=str)
def test_what_wants_root_a_sensor_or_your_own_runs_is_read_by_shell_and_command(house: Path, block: Block) -> None:
    """Set up for real, these are in tests/test_install.py, tests/cli/test_init.py, tests/check/test_calibrate.py and
    in the benches fresh_root.py and container.py, which want root and a Debian of their own."""
    assert subprocess.run(["bash", "-n", "-c", block.text], check=False).returncode == 0
    for line in block.lines:
        line = line.replace("/opt/jartide/bin/jartide", "jartide")
        if line.startswith("jartide "):
            asked = run(f"{line.partition(' #')[0]} --help", house)
            assert (asked.returncode, "Usage:" in asked.stdout) == (0, True), asked.stderr
        for name in re.findall(r"\b(?:start|stop|restart|list-timers) (jartide[\w.-]*)", line):
            unit = name if "." in name else f"{name}.service"
            assert (ROOT / "configs" / unit).is_file(), unit
        for file in re.findall(r"configs/[\w.]+", line):
            assert (ROOT / file).is_file()


def test_the_time_series_server_takes_its_flags(tmp_path: Path) -> None:
    (block,) = of("sh-victoria")
    port = free_port()
    words = [*block.text.split(), f"-storageDataPath={tmp_path}", f"-httpListenAddr=127.0.0.1:{port}"]
    running = subprocess.Popen([program(words[0]), *words[1:]], stderr=subprocess.DEVNULL)
    try:
        wait_until(lambda: listens(port) or running.poll() is not None, "it listens")
        assert running.poll() is None
    finally:
        running.kill()
        running.wait()
