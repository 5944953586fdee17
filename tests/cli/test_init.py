"""`jartide init`: a first config by answers or options, the service's files as systemd reads them, completion."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.cli import COMMANDS, find, main, opening
from monitor.config.reader import load
from monitor.runs.store import Store
from monitor.settings import JarSettings
from tests.check.test_find import ESPHOME, HOUSE, raw
from tests.servers import program
from tests.terminal import jartide


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder to stand in, and nobody's config in the usual places."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own"))
    monkeypatch.delenv("JARTIDE_CONFIG", raising=False)
    return tmp_path


def test_answers_become_a_config_that_can_be_used(here: Path) -> None:
    answers = [
        "rye",
        "mqtt",
        "kitchen.local",
        "jar",
        "15",
        "150",
        "140",
        "85",
        "rye",
        "23:00-7",
        "23:00-07:00",
    ]
    done = jartide("init", answers="\n".join(answers) + "\n")
    assert done.exit_code == 0, done.output
    assert "Never seal a fermenting jar" in done.output
    assert "a number of mm from 20 to 2000" in done.output  # 15 was asked again
    assert "two times of day" in done.output
    assert "mqtt_password" in done.output
    (here / "mqtt_password").write_text("x")
    settings = load(here / "jartide.toml")
    (jar,) = settings.jars
    assert (jar.name, jar.empty_mm, jar.rim_mm, jar.flour) == ("rye", 150.0, 140.0, "rye")
    assert settings.mqtt[0].host == "kitchen.local"
    assert settings.mqtt[0].user == "jar"
    assert (settings.notices.quiet_from, settings.notices.quiet_to) == ("23:00", "07:00")


@pytest.mark.parametrize(("choice", "topic"), [("1", "rye/sensor/distance/state"), ("0", "jartide/{jar}/reading")])
def test_the_topics_of_a_broker_are_found(here: Path, monkeypatch: pytest.MonkeyPatch, choice: str, topic: str) -> None:
    """What the broker says is that of `jartide find`'s own test, which asks a real one."""
    heard = raw(HOUSE | ESPHOME) | {"jartide/wheat/reading": b'{"jar":"wheat","distance_mm":92.4}'}
    monkeypatch.setattr(find, "listen", lambda broker, listen_s: heard)
    answers = ["rye", "mqtt", "kitchen.local", "", "77", choice, "150", "", "", "", ""]
    done = jartide("init", answers="\n".join(answers) + "\n")
    assert done.exit_code == 0, done.output
    assert "1  rye/sensor/distance/state: 90 mm" in done.output
    assert "a jar called wheat" in done.output
    assert "a number from 0 to" in done.output  # 77 was asked again
    (broker,) = load(here / "jartide.toml").mqtt
    assert (broker.host, broker.topic, bool(broker.read)) == ("kitchen.local", topic, choice == "1")


def test_a_broker_that_is_not_there_is_said_and_written_all_the_same(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def nobody(broker: object, listen_s: float) -> dict[str, bytes]:
        raise find.Unheard("no broker at kitchen.local")

    monkeypatch.setattr(find, "listen", nobody)
    done = jartide("init", answers="\n".join(["rye", "mqtt", "kitchen.local", "", *[""] * 5]) + "\n")
    assert done.exit_code == 0, done.output
    assert "`jartide find --write` finds its topics later" in done.output
    assert load(here / "jartide.toml").mqtt[0].host == "kitchen.local"


def test_nothing_is_written_over(here: Path) -> None:
    (here / "jartide.toml").write_text("mine")
    done = jartide("init", "--yes")
    assert (done.exit_code, len(done.stderr.splitlines())) == (2, 1)
    assert "stays as it is" in done.stderr
    assert (here / "jartide.toml").read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--jar", "my rye"), "at most 40"),
        (("--serial", "COM3", "--jar", "rye"), "a device such as"),
        (("--serial", "/dev/ttyUSB0", "--mqtt", "localhost"), "start with one of them"),
        (("--empty-mm", "5"), "from 20 to 2000"),
        (("--quiet", "late"), "two times of day"),
        (("--rim-mm", "150", "--empty-mm", "100"), "the rim cannot be above the sensor"),
    ],
)
def test_what_cannot_be_is_one_line_and_writes_nothing(here: Path, words: tuple[str, ...], says: str) -> None:
    done = jartide("init", "--yes", *words)
    assert done.exit_code == 2
    assert says in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not (here / "jartide.toml").exists()


def test_without_questions_and_the_names_of_its_options(here: Path) -> None:
    done = jartide("init", "--yes", "--jar", "w", "--serial", "/dev/ttyUSB0", "--quiet", "", "--config", "b/c.toml")
    assert done.exit_code == 0, done.output
    settings = load(here / "b" / "c.toml")
    assert settings.serial[0].port == "/dev/ttyUSB0"
    assert settings.notices.quiet_from is None
    assert "jartide check --config b/c.toml" in done.output


def test_a_config_is_found_in_the_usual_places_and_status_says_which(
    here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "SERVICE_FOLDER", here / "service")
    text = '[[jar]]\nname = "rye"\n[store]\npath = "s.db"\n'
    assert "jartide init" in jartide("status").stderr
    for folder in (here / "service", here / "own" / "jartide", here):  # each before the one found until then
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "jartide.toml").write_text(text)
        assert opening.found_config().resolve() == folder / "jartide.toml"
        Store.open(folder / "s.db").close()
    from_elsewhere = jartide("status", JARTIDE_CONFIG=str(here / "service" / "jartide.toml"))
    assert (
        f'"config": "{here}/service/jartide.toml"'
        in jartide("status", "--json", JARTIDE_CONFIG=str(here / "service" / "jartide.toml")).stdout
    )
    assert from_elsewhere.exit_code == 1


def test_the_service_is_set_up_for_another_machine_and_systemd_reads_it(here: Path) -> None:
    root = here / "root"
    done = jartide("init", "--service", "--root", root, "--yes", "--jar", "rye")
    assert done.exit_code == 0, done.output
    for said in ("jartide.service", "jartide-backup.timer", "systemd-sysusers", "usermod -a -G jartide"):
        assert said in done.output
    assert load(root / "var/lib/jartide/jartide.toml").jars[0].name == "rye"
    units = root / "etc/systemd/system"
    for unit in units.iterdir():
        unit.write_text(unit.read_text().replace("/opt/jartide/bin/jartide", sys.executable))
        said = subprocess.run(
            [program("systemd-analyze"), "verify", "--man=no", str(unit)], capture_output=True, text=True, check=False
        )
        ours = [line for line in said.stderr.splitlines() if "jartide" in line]
        assert (said.returncode, ours) == (0, []), unit
    (root / "etc/passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
    (root / "etc/group").write_text("root:x:0:\ndialout:x:20:\n")
    subprocess.run([program("systemd-sysusers"), f"--root={root}"], check=True, capture_output=True)
    assert "jartide" in (root / "etc/passwd").read_text()
    assert "dialout:x:20:jartide" in (root / "etc/group").read_text()
    if os.geteuid() == 0:
        subprocess.run(
            [program("systemd-tmpfiles"), f"--root={root}", "--create", "jartide.conf"], check=True, capture_output=True
        )
        assert (root / "var/lib/jartide/backups").stat().st_mode & 0o7777 == 0o2770
    again = jartide("init", "--service", "--root", root, "--yes")
    assert again.exit_code == 0
    assert "differs, left as it is" in again.output


def test_only_root_sets_up_a_service(monkeypatch: pytest.MonkeyPatch, here: Path) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    done = jartide("init", "--service", "--yes")
    assert done.exit_code == 2
    assert "run it as root" in done.stderr


def test_copies_into_a_folder_are_kept_so_many(here: Path) -> None:
    with Store.open(here / "s.db") as store:
        store.ensure_run(JarSettings(name="rye"), 1_772_431_200.0)
    into = here / "copies"
    into.mkdir()
    for old in ("jartide-20260101T000000Z.db", "jartide-20260102T000000Z.db", "jartide-mine.db"):
        (into / old).write_text("old")
    done = jartide("backup", "--store", here / "s.db", "--into", into, "--keep", 2)
    assert done.exit_code == 0, done.output
    left = sorted(path.name for path in into.iterdir())
    assert left[0] == "jartide-20260102T000000Z.db"
    assert left[-1] == "jartide-mine.db"
    assert len(left) == 3
    with Store.open(into / left[1]) as copy:
        assert [run.jar for run in copy.runs()] == ["rye"]
    for words in ((), (here / "x.db", "--into", into), (here / "x.db", "--keep", 2)):
        assert jartide("backup", "--store", here / "s.db", *words).exit_code == 2


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_gets_a_script(shell: str) -> None:
    done = jartide("completion", shell)
    assert done.exit_code == 0
    assert "_JARTIDE_COMPLETE" in done.output


def test_commands_jars_and_runs_are_completed(here: Path) -> None:
    (here / "jartide.toml").write_text('[[jar]]\nname = "rye"\n[[jar]]\nname = "rice"\n[store]\npath = "s.db"\n')
    with Store.open(here / "s.db") as store:
        store.ensure_run(JarSettings(name="rye"), 1_772_431_200.0)

    def offered(*words: str) -> list[str]:
        done = CliRunner().invoke(
            main,
            prog_name="jartide",
            env={
                "_JARTIDE_COMPLETE": "bash_complete",
                "COMP_WORDS": " ".join(("jartide", *words)),
                "COMP_CWORD": str(len(words)),
            },
        )
        return [line.partition(",")[2] for line in done.output.splitlines() if line]

    assert "status" in offered("st")
    assert offered("fed", "r") == ["rye", "rice"]
    assert offered("export", "") == ["1"]
    (here / "jartide.toml").write_text("nonsense")
    assert offered("fed", "r") == []


def test_man_pages_say_what_the_help_says(here: Path) -> None:
    """Read by groff with every warning on; a word that roff would take for a request would be missing."""
    done = jartide("manual", here / "man1")
    assert done.exit_code == 0, done.output
    assert {page.stem for page in (here / "man1").iterdir()} == {"jartide", *(f"jartide-{name}" for name in COMMANDS)}
    for page in (here / "man1").iterdir():
        read = subprocess.run(
            [program("groff"), "-man", "-ww", "-Tutf8", "-P-c", "-P-b", "-P-u", str(page)],
            capture_output=True,
            text=True,
            check=True,
        )
        assert read.stderr == "", page
        if page.stem != "jartide":
            told = jartide(page.stem.removeprefix("jartide-"), "--help").output
            options = re.findall(r"^  (?:-\w, )?(--[a-z-]+)", told, re.M)
            assert options
            shown = read.stdout.replace("\N{HYPHEN}", "-").replace("\N{MINUS SIGN}", "-")
            assert [option for option in options if option not in shown] == [], page


def test_where_nobody_answers_it_says_what_to_do(here: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "init"], stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "there is nobody to answer" in done.stderr
    for way in ("in a terminal", "jartide init --page", "--yes"):
        assert way in done.stderr
    assert not (here / "jartide.toml").exists()
