"""What a person sees at a terminal: commands by what one is about, the nearest name, a status in 80 columns."""

from __future__ import annotations

import importlib
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import pytest

from monitor.cli import COMMANDS, main, tell
from monitor.cli.status_lines import WIDTH, JarRow, headline, in_order, jar_lines, urgency
from monitor.cli.tell import SEEN_ELSEWHERE
from monitor.core.assess.notebook import NOTE_WORDS
from monitor.core.display.units import Display
from monitor.values import Forecast, Noted, Noting, Span, Stage
from tests.jar_state import jar_state
from tests.terminal import jartide

NOW_S = 1_795_892_040.0  # a Saturday in November, 18:54 UTC
H_S = 3600.0
RISE = [(NOW_S - 9 * H_S + 600.0 * n, 40.0 + 44.0 * min(n / 40.0, 1.0)) for n in range(54)]  # invented


def row(jar: str, stage: Stage, *, ratio: float | None = 2.1, fall_h: float | None = None,
        bin_note: Noted | None = None, **more: Any) -> JarRow:  # fmt: skip
    """An invented jar, fed nine hours ago."""
    fall_at_s = None if fall_h is None else NOW_S - fall_h * H_S
    made = jar_state(NOW_S, stage, jar, slope_mm_per_h=-3.2, temperature_c=23.4)
    assert made.cycle is not None
    assert made.level is not None
    made = replace(
        made,
        cycle=replace(made.cycle, fed_at_s=NOW_S - 9 * H_S, fall_at_s=fall_at_s),
        level=replace(made.level, level_mm=84.0, rise_ratio=ratio),
        **more,
    )
    return JarRow(made, bin_note, RISE)


def test_the_neediest_jar_is_first_and_the_headline_says_what_to_do() -> None:
    jars = [
        row("old", Stage.RESTING),
        row("wheat", Stage.RISING),
        row("spelt", Stage.RISING, silent_since_s=NOW_S - H_S),
        row("white", Stage.PEAKED),
        row("rye", Stage.FALLING, fall_h=1.6),
        row("bad", Stage.RISING, bin_note=Noted(time_s=NOW_S, jar="bad", what=Noting.MOULD)),
    ]
    assert [one.state.jar for one in in_order(jars)] == ["bad", "rye", "spelt", "white", "wheat", "old"]
    said = click.unstyle(headline(jars, Display(), NOW_S))
    assert " ".join(said.split()) == "rye needs feeding Sat 28 Nov, 18:54"
    assert len(said) == WIDTH
    assert urgency(row("rye", Stage.FALLING)) == Stage.FALLING  # not known since when: not said to be due


@pytest.mark.parametrize("name", ["rye", "a-jar-with-forty-letters-is-the-longest-1"])
@pytest.mark.parametrize("stage", list(Stage))
def test_every_stage_fits_eighty_columns_and_ascii(name: str, stage: Stage) -> None:
    far = Span(earliest_s=NOW_S + 20 * H_S, likely_s=NOW_S + 40 * H_S, latest_s=NOW_S + 90 * H_S)
    one = row(
        name,
        stage,
        ratio=12.34,
        fall_h=1.0,
        question="the level dropped and nothing explains it: was it fed, stirred down, or was some taken out?",
        stuck_since_s=NOW_S - 60.0,
        lid_off_since_s=NOW_S - 60.0,
        last_reading_s=NOW_S - 3 * H_S,
        forecast=Forecast(made_at_s=NOW_S, peak_at=far, fall_at=far),
    )
    for plain in (False, True):
        for line in jar_lines(one, Display(), NOW_S, plain=plain):
            assert len(click.unstyle(line)) <= WIDTH, line
            assert not plain or not set(line) & set("█░▁▂▃▄▅▆▇▲◆▼–×")


def test_a_jar_at_a_glance() -> None:
    lines = [
        click.unstyle(one) for one in jar_lines(row("rye", Stage.FALLING, fall_h=1.6), Display(), NOW_S, plain=False)
    ]
    assert lines == [
        "! FEED NOW    rye          ███████████░░░░░  2.1×  ▁▂▃▄▅▇███",
        "              sinking since 17:18; fed 9 h ago (09:54)",
        "              84 mm high, moving -3.2 mm/h, 23.4 °C",
    ]
    quiet = [(time_s, 40.0 + 0.3 * (n % 2)) for n, (time_s, _) in enumerate(RISE)]
    (first, *_) = jar_lines(replace(row("rye", Stage.RESTING), curve=quiet), Display(), NOW_S, plain=False)
    assert first.endswith("▁▁▁▁▁▁▁▁▁")  # noise is not drawn as a rise


@pytest.mark.parametrize(
    ("typed", "meant"), [("snoze", "snooze"), ("feed", "fed"), ("staus", "status"), ("revieww", "review")]
)
def test_a_mistyped_command_gets_its_nearest(typed: str, meant: str) -> None:
    done = jartide(typed)
    assert done.exit_code == 2
    assert done.stderr.splitlines()[-1] == f"Error: There is no command {typed}. Did you mean {meant}?"
    assert "lists them" in jartide("xyzzy").stderr


def test_help_lists_every_command_once_in_full_sentences() -> None:
    said = jartide("--help").output
    lines = [line.split() for line in said.splitlines() if line.startswith("  ")]
    assert [words[0] for words in lines if words[0] in COMMANDS] == list(COMMANDS)
    assert "..." not in said.split("[ARGS]...")[1]
    assert max(map(len, said.splitlines())) <= WIDTH


def test_the_list_names_every_command_there_is_and_where_it_is() -> None:
    context = click.Context(main)
    for name in COMMANDS:
        command = main.get_command(context, name)
        assert command is not None
        assert command.name == name
    beside = Path(tell.__file__).parent.glob("[a-z]*.py")
    modules = [importlib.import_module(f"monitor.cli.{path.stem}") for path in beside]
    found = {thing for module in modules for thing in vars(module).values() if isinstance(thing, click.Command)}
    assert {command.name for command in found - {main}} == set(COMMANDS)


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_what_can_be_read_by_a_program_is_had_by_the_same_word(command: str) -> None:
    said = jartide(command, "--help").output
    assert ("--format" not in said) or ("--json" in said) or command == "picture"


def test_every_kind_of_note_has_its_words_and_is_listed_wherever_notes_are() -> None:
    assert set(NOTE_WORDS) == set(Noting)
    said = jartide("note", "--help").output
    assert not [kind for kind in set(Noting) - SEEN_ELSEWHERE if not re.search(rf"\b{kind.value}\b", said)]
    notebook = (Path(tell.__file__).parents[1] / "page" / "static" / "tell.js").read_text("utf-8")
    listed = re.findall(r'^  \["(\w+)", "', notebook[notebook.index("const NOTES") :], re.MULTILINE)
    assert len(listed) > 5
    assert set(listed) <= set(Noting)
