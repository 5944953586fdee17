"""Every command, with each place in turn failing at which it reaches outside of itself: it ends in a sentence or gets
over it. No traceback, one of the three exit codes, nothing half-made left behind."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import Result

from monitor.check import broker_queue, listen
from monitor.cli import find as find_command
from monitor.daemon import assembly
from monitor.host.lock import StoreLock
from monitor.host.shipped import shipped
from monitor.runs import run_file, store_file
from monitor.runs.store import Store
from monitor.settings import JarSettings, Settings
from monitor.values import Delivery, Fed, Reading, of_grams
from tests.failing import failing, reached
from tests.golden_making import FOLDER
from tests.servers import Mosquitto, mosquitto
from tests.sources.topics import Device
from tests.terminal import jartide

RUN = FOLDER / "plain.csv"
ROWS = 900
CONFIG = """
[store]
path = "jartide.db"

[[jar]]
name = "rye"
empty_mm = 180.0

[[jar]]
name = "wheat"

[[mqtt]]
host = "127.0.0.1"
port = PORT
user = "jartide"
password_file = "password"
"""
AT_A_DESK = """
[store]
path = "jartide.db"

[[jar]]
name = "rye"

[[serial]]
port = "/dev/null"
jar = "rye"

[influx]
url = "http://127.0.0.1:1"
"""
FILLS = "known_mm,distance_mm\n0,180\n0,180.4\n40,140.2\n80,99.8\n120,60.1\n"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waits that a person would not notice, so that a test need not wait either."""
    wait = listen.wait
    monkeypatch.setattr(listen, "wait", lambda listener, enough, wait_s: wait(listener, enough, wait_s / 10))
    hear = find_command.listen
    monkeypatch.setattr(find_command, "listen", lambda broker, listen_s: hear(broker, listen_s / 5))
    for module, name, value in (
        (listen, "POLL_S", 0.02), (broker_queue, "BURST", 20), (broker_queue, "QUIET_S", 0.1),
        (broker_queue, "STEP_S", 0.3),
    ):  # fmt: skip
        monkeypatch.setattr(module, name, value)


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path_factory.mktemp("broker")) as running:
        device = Device(running.port)
        device.say('{"distance_mm": 120.5}', topic="cellar/rye", retain=True)
        device.leave()
        yield running


def fill(store: Store, jar: JarSettings, readings: Sequence[Reading]) -> None:
    """A run of one jar, with what another one's sensor said."""
    store.ensure_run(jar, readings[0].time_s)
    theirs = [replace(one, jar=jar.name) for one in readings]
    store.add([Delivery(source="test", received_s=one.time_s, reading=one, timed=True) for one in theirs])


def short_night(settings: Settings, **_: object) -> None:
    """In place of the demo's: the night itself is the daemon's, which `daemon/test_each_place_fails.py` sees fail."""
    readings = [reading for _, reading in run_file.read(RUN).rows()][:100]
    settings.store.path.parent.mkdir(exist_ok=True)
    with Store.open(settings.store.path, readings[0].time_s) as store:
        fill(store, settings.jars[0], readings)


@pytest.fixture(scope="module")
def kitchen(tmp_path_factory: pytest.TempPathFactory, broker: Mosquitto) -> Path:
    """A folder with all that the commands ask for: config, store, run files, a damaged store."""
    folder = tmp_path_factory.mktemp("kitchen")
    (folder / "jartide.toml").write_text(CONFIG.replace("PORT", str(broker.port)))
    (folder / "password").write_text("secret\n")
    (folder / "password").chmod(0o600)
    (folder / "fills.csv").write_text(FILLS)
    (folder / "cycles.csv").write_text("fed_at,hours_to_peak\n2026-03-02T06:00:00Z,8\n")
    shutil.copy(shipped("simulated_runs/dull_starter.toml"), folder / "simulated.toml")
    opened = run_file.read(RUN)
    readings = [reading for _, reading in opened.rows()][:ROWS]
    with (folder / "night.csv").open("w") as out:
        out.writelines(RUN.open().readlines()[:ROWS])
    first_s = readings[0].time_s
    with (folder / "night.feedings.csv").open("w") as out:
        run_file.write_feedings(out, [Fed(time_s=first_s + 900, jar="rye", feeding=of_grams((20, 90, 90)))])
    with Store.open(folder / "jartide.db", first_s) as store:
        fill(store, JarSettings(name="rye", empty_mm=180.0), readings)
        store.tell(Fed(time_s=first_s, jar="rye", feeding=of_grams((25, 100, 100))), first_s)
        store.backup(folder / "damaged.db")
    with StoreLock(folder / "jartide.db"):
        pass  # its file stays, as a daemon leaves it
    (folder / "at_a_desk.toml").write_text(AT_A_DESK)
    assert jartide(*COMMANDS["service again"][:-1], folder / "again").exit_code == 0
    return folder


COMMANDS: dict[str, Sequence[str]] = {
    "init": ("init", "--config", "new/jartide.toml", "--yes"),
    "service": ("init", "--service", "--yes", "--root", "image"),
    "schema": ("init", "--schema"),
    "manual": ("manual", "man"),
    "calibrate": ("calibrate", "--jar", "rye", "--config", "jartide.toml", "--from", "fills.csv", "--write"),
    "replay": ("replay", "night.csv", "--feedings", "night.feedings.csv", "--format", "jsonl"),
    "review": ("review", "night.csv", "--html", "night.html"),
    "review of a run": ("review", "1", "--store", "jartide.db"),
    "picture": ("picture", "night.csv", "-o", "night.png"),
    "import": ("import", "night.csv", "night.feedings.csv", "--store", "jartide.db"),
    "import again": ("import", "night.csv", "--store", "none.db"),
    "export": ("export", "1", "--store", "jartide.db", "-o", "out.csv", "--feedings", "out.feedings.csv"),
    "backup": ("backup", "--store", "jartide.db", "--into", "copies", "--keep", "1"),
    "recover": ("recover", "damaged.db", "-o", "recovered"),
    "runs": ("runs", "--store", "jartide.db"),
    "fed": ("fed", "rye", "--flour-g", "100", "--config", "jartide.toml"),
    "note": ("note", "rye", "remark", "warmer today", "--config", "jartide.toml"),
    "undo": ("undo", "rye", "--config", "jartide.toml"),
    "status": ("status", "--config", "jartide.toml"),
    "assess": ("assess", "rye", "--config", "jartide.toml"),
    "plan": ("plan", "--jar", "rye", "--target-hours", "12", "--config", "jartide.toml"),
    "sheet": ("sheet", "--config", "jartide.toml"),
    "check": ("check", "--config", "jartide.toml", "--listen-s", "1"),
    "check of a port": ("check", "--config", "at_a_desk.toml", "--listen-s", "1"),
    "service again": ("init", "--service", "--yes", "--root", "again"),
    "demo": ("demo", "--folder", "demo"),
    "demo of one jar": ("demo", "--no-page", "--seconds", "5", "--folder", "demo"),
    "find": ("find", "--config", "jartide.toml", "--listen-s", "1", "--write"),
    "simulate": ("simulate", "simulated.toml", "-o", "simulated.csv", "--hours", "3"),
    "trial": ("trial", "flours", "rye", "wheat", "--config", "jartide.toml"),
    "bake": ("bake", "--jar", "rye", "--at", "09:00", "--flour-g", "500", "--config", "jartide.toml"),
    "guide": ("guide", "--html", "pages"),
    "simulate to a line": (
        "simulate", "simulated.toml", "--pty", "--speed", "100000", "--hours", "1", "--clock", "clock",
    ),
    "plan by history": ("plan", "--history", "cycles.csv", "--target-hours", "12", "--temperature-c", "22"),
}  # fmt: skip


# of these only their own places: the rest is the daemon's, or kept once it was read
ONLY = {"demo": "monitor/cli/demo", "demo of one jar": "monitor/cli/demo", "guide": "monitor/cli/guide"}
# where the answer may be no without any failure: it was fed once, long ago, and nobody watches
NO = dict.fromkeys(
    ("sheet", "check", "check of a port", "plan", "bake", "plan by history", "trial", "undo", "status", "assess"),
    (0, 1),
)


def called(kitchen: Path, folder: Path, words: Sequence[str], monkeypatch: pytest.MonkeyPatch) -> Callable[[], Result]:
    """The command in a fresh copy of the kitchen."""

    def run() -> Result:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(kitchen, folder)
        (folder / "copies").mkdir()
        shutil.copy(folder / "damaged.db", folder / "copies" / "jartide-20260301T000000Z.db")
        monkeypatch.chdir(folder)
        store_file._LOOKED_AT.clear()  # as in a process of its own
        return jartide(*words)

    return run


@pytest.mark.fault("P9")
@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_ends_in_a_sentence_wherever_it_fails(
    name: str, kitchen: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = called(kitchen, tmp_path / "here", COMMANDS[name], monkeypatch)
    if name.startswith("demo"):
        monkeypatch.setattr(assembly, "watch", short_night)
    whole: list[Result] = []
    found = [place for place in reached(lambda: whole.append(run())) if place.path.startswith(ONLY.get(name, ""))]
    assert found
    assert whole[0].exit_code in NO.get(name, (0,)), whole[0].output
    wrong = []
    for place in found:
        print(name, place)
        with failing(place):
            done = run()
        sentence = done.exception is None or isinstance(done.exception, SystemExit)
        if not sentence or done.exit_code not in (0, 1, 2) or (done.exit_code and not done.output.strip()):
            wrong.append(f"{place}: {done.exit_code} {done.exception!r} {done.output[-200:]!r}")
        if left := [str(path) for path in (tmp_path / "here").rglob("*.part")]:
            wrong.append(f"{place}: left {left}")
    assert not wrong, "\n".join(wrong)
