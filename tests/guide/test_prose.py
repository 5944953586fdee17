"""No command escapes that stands in a sentence, a comment, a baker's page or a file of the top level: each is read by
the command itself, which refuses a name or an option that it does not have."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import click
import pytest

from monitor.cli import main
from tests.guide.blocks import FENCED

ROOT = Path(__file__).resolve().parents[2]
TEXTS = sorted(
    path
    for pattern in ("*.md", "firmware_notes/**/*", "configs/*", "monitor/guide/*.md")
    for path in ROOT.glob(pattern)
    if path.is_file() and path.name != "CHANGELOG.md"  # which tells of commands that were
)
SPAN = re.compile(r"`(?:\S*/bin/)?jartide ([a-z][^`]*)`")
COMMENT = re.compile(r"^(?:#|//)? {2,}(?:\S*/bin/)?jartide ([a-z][^#\n]*)", re.MULTILINE)  # a line of its own, moved in
OF_A_SHELL = re.compile(r"[|;&<>]|  ")


def commands(text: str) -> list[str]:
    """What stands behind `jartide` in code, in blocks and in lines that are moved in."""
    blocks = "\n".join(found[2] for found in FENCED.finditer(text))
    prose = FENCED.sub("", text)
    inside = re.findall(r"^(?:\S*/bin/)?jartide ([a-z][^#\n]*)", blocks, re.MULTILINE)
    found = [*SPAN.findall(prose), *COMMENT.findall(prose), *inside]
    return [OF_A_SHELL.split(" ".join(one.split("\n")))[0].strip() for one in found]


def asked(said: str) -> None:
    """Raises click.UsageError where there is no such command or option."""
    name, *words = shlex.split(said)
    outer = click.Context(main, info_name="jartide")
    command = main.get_command(outer, name)
    if command is None:
        raise click.UsageError(f"there is no command {name}")
    try:
        command.make_context(name, words, parent=outer)
    except (click.MissingParameter, click.exceptions.Exit):
        return  # only named, or asked for its help
    except click.BadParameter as error:
        if not isinstance(getattr(error.param, "type", None), click.Path):  # a file of the reader's own
            raise


def test_a_command_that_is_none_would_be_found() -> None:
    text = "say `jartide fed rye --grams 3`, or\n\n    jartide look  # now\n```sh\njartide runs | head\n```"
    assert commands(text) == ["fed rye --grams 3", "look", "runs"]
    asked("fed rye --starter-g 25")
    for wrong in ("fed rye --grams 3", "look", "plan --once-a-week"):
        with pytest.raises(click.UsageError):
            asked(wrong)


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_command_in_a_text_is_one(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for said in commands(path.read_text("utf-8")):
        try:
            asked(said)
        except click.UsageError as error:
            pytest.fail(f"{path.name}: jartide {said}: {error.format_message()}")


@pytest.mark.parametrize("path", sorted((ROOT / "monitor/guide").glob("*.txt")), ids=lambda path: path.stem)
def test_every_command_on_a_bakers_page_is_one(path: Path) -> None:
    """They stand there as plain words of a sentence: the name and the options that follow are looked up."""
    for name, after in re.findall(r"\bjartide ([a-z]+)([^.;,()]*)", path.read_text("utf-8")):
        command = main.get_command(click.Context(main, info_name="jartide"), name)
        assert command is not None, name
        known = {word for one in command.params for word in (*one.opts, *one.secondary_opts)}
        assert set(re.findall(r"--[\w-]+", after)) <= known, f"jartide {name}{after}"


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "firmware_notes/README.md"])
def test_the_blocks_beside_the_guide_are_known(name: str) -> None:
    """They want a network, a board or three minutes: the demo is run in tests/cli/test_demo.py, an installation in
    tests/test_install.py, and which files go onto a board is held in tests/firmware/test_notes.py."""
    for found in FENCED.finditer((ROOT / name).read_text("utf-8")):
        assert found[1] in ("", "sh", "json"), found[0]
        if found[1] == "sh":
            assert subprocess.run(["bash", "-n", "-c", found[2]], check=False).returncode == 0
            for file in re.findall(r"(?:configs|simulated_runs|tests|firmware_notes)/[\w./]+", found[2]):
                assert (ROOT / file).exists(), file
