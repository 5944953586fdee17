"""`--json`: every command that says something has it, as one object on standard output, with the exit code and the
line on standard error that it has without."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import COMMANDS, main
from monitor.runs.store import Store
from monitor.values import Cycle, of_grams
from tests.terminal import jartide

pytestmark = pytest.mark.dates

WITHOUT = {
    "demo": "a night to look at, until it is stopped",
    "init": "asks questions; `--schema` prints the config's JSON Schema",
    "watch": "a daemon: what it says is its log",
    "completion": "prints what a shell reads",
    "simulate": "plays a device; what it wrote, `--truth` says as JSON",
}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_it_or_a_reason(name: str) -> None:
    command = main.get_command(None, name)  # type: ignore[arg-type]
    assert command is not None
    has = any("--json" in param.opts for param in command.params)
    assert has != (name in WITHOUT), f"{name}: give it --json, or say above why not"


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A config with two jars; the store has a day of rye."""
    now_s = time.time()
    config = tmp_path / "jartide.toml"
    config.write_text(
        '[store]\npath = "s.db"\n[[jar]]\nname = "rye"\nempty_mm = 180\nflour = "rye"\n[[jar]]\nname = "wheat"\n'
    )
    file = tmp_path / "night.csv"
    file.write_text(
        "# jar: wheat\n# empty_mm: 180\ntime,distance_mm\n2026-03-02T06:00:00Z,92\n2026-03-02T06:05:00Z,92\n"
    )
    (tmp_path / "fills.csv").write_text("known_mm,distance_mm\n" + "0,180\n40,140\n80,100\n" * 3)
    with Store.open(tmp_path / "s.db", now_s - 90_000) as store:
        jar = _jar()
        store.ensure_run(jar, now_s - 90_000)
        store.put_cycle(
            Cycle(jar="rye", number=1, fed_at_s=now_s - 86_400, feeding=of_grams((25, 100, 100)),
                  peak_at_s=now_s - 60_000, peak_ratio=2.3, fall_at_s=now_s - 50_000, ended_at_s=now_s - 40_000)
        )  # fmt: skip
        store.put_cycle(Cycle(jar="rye", number=2, fed_at_s=now_s - 40_000, feeding=of_grams((25, 100, 100))))
    return config


def _jar() -> Any:
    from monitor.settings import JarSettings

    return JarSettings(name="rye", empty_mm=180.0, flour="rye")


CALLS: dict[str, tuple[tuple[str, ...], set[str]]] = {  # (words after the command's name, what its object has)
    "fed": (("rye", "--starter-g", "25", "--flour-g", "100", "--water-g", "80"),
            {"jar", "what", "at_s", "starter_g", "ratio", "seq", "watching"}),
    "note": (("rye", "hooch"), {"jar", "what", "at_s", "text", "seq", "watching", "advice"}),
    "begun": (("rye", "old"), {"jar", "what", "text", "seq", "advice"}),
    "rest": (("rye", "--days", "7"), {"jar", "what", "seq", "advice"}),
    "snooze": (("rye", "--hours", "2"), {"jar", "what", "hours", "seq"}),
    "undo": (("rye",), {"jar", "taken_back", "watching"}),
    "trial": ((), {"trials"}),
    "lot": ((), {"lots"}),
    "guide": (("hooch",), {"title", "topics", "text"}),
    "status": ((), {"watching", "told_since"}),
    "sheet": ((), {"rows"}),
    "handover": ((), {"since_s", "happened", "due"}),
    "assess": (("rye",), {"verdict", "because"}),
    "plan": (("--jar", "rye", "--temperature-c", "22"), {"starter_g", "hours_to_fall", "because"}),
    "calendar": ((), {"all", "jars"}),
    "backup": (("{}/copy.db",), {"file", "bytes", "removed"}),
    "export": (("1", "-o", "{}/out.csv"), {"run", "cycle", "jar", "readings", "file"}),
    "import": (("{}/night.csv",), {"files"}),
    "calibrate": (("--jar", "rye", "--from", "{}/fills.csv"), {"jar", "empty_mm", "fills", "doubtful"}),
    "manual": (("{}/man",), {"folder", "pages"}),
    "recover": (("{}/s.db", "-o", "{}/saved"), {"tables", "runs", "store"}),
}  # fmt: skip
MAY_SAY_NO = {"status", "assess", "plan", "sheet"}  # exit code 1: nobody watches, not yet fit, nothing due
NO_CONFIG = {"guide", "manual", "recover"}


@pytest.mark.parametrize("name", CALLS)
def test_it_is_one_object_with_the_names_that_are_used_elsewhere(name: str, house: Path) -> None:
    words, keys = CALLS[name]
    config = [] if name in NO_CONFIG else ["--config", house]
    if name == "undo":
        jartide("note", "--config", house, "rye", "hooch")
    done = jartide(name, *config, "--json", *(word.format(house.parent) for word in words))
    assert done.exit_code in ({0, 1} if name in MAY_SAY_NO else {0}), done.output
    (line,) = done.stdout.splitlines()
    said = json.loads(line)
    assert keys <= said.keys(), said
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("fed", "ry"), 2),
        (("note", "rye", "discard", "much"), 2),
        (("undo", "wheat"), 1),
        (("export", "7", "-o", "{}/x.csv"), 2),
        (("export", "1"), 2),
        (("calibrate", "--jar", "rye"), 2),
        (("import", "{}/nothing.csv"), 2),
        (("guide", "no such thing"), 2),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else "",
)
def test_what_is_wrong_is_a_line_on_standard_error_and_no_object(
    words: tuple[str, ...], code: int, house: Path
) -> None:
    name, *rest = words
    config = [] if name in NO_CONFIG else ["--config", house]
    done = jartide(name, *config, "--json", *(word.format(house.parent) for word in rest))
    assert (done.exit_code, done.stdout) == (code, "")
    assert len(done.stderr.splitlines()) == 1, done.stderr
