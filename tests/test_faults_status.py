"""What `jartide status` says of each trouble: one plain sentence."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor import status
from monitor.cli import main
from monitor.lock import StoreLock
from monitor.runs.store import Store
from monitor.values import SourceHealth


class Sink:
    def __init__(self, sentence: str | None) -> None:
        self._sentence = sentence

    def trouble(self) -> str | None:
        return self._sentence


def said(folder: Path, ago_s: float) -> str:
    (folder / "jartide.toml").write_text('[[jar]]\nname = "rye"\n\n[store]\npath = "s.db"\n')
    source = SourceHealth(
        name="serial /dev/x", connected=False, trouble="there is no /dev/x: is the device plugged in?", since_s=0.0,
        last_message_s=None,
    )  # fmt: skip
    with StoreLock(folder / "s.db"), Store.open(folder / "s.db") as store:
        sinks = [Sink(None), Sink("notices do not get through to a.b: refused (3 tries)")]
        status.write(store, time.time() - ago_s, [], [source], sinks, ["the store was damaged (x): it was moved to y"])
        done = CliRunner().invoke(main, ["status", "--config", str(folder / "jartide.toml")])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.mark.fault("S6")
@pytest.mark.fault("D3")
@pytest.mark.fault("N1")
def test_each_trouble_is_a_sentence(tmp_path: Path) -> None:
    lines = said(tmp_path, 0.0).splitlines()
    assert lines[0].startswith("source serial /dev/x: there is no /dev/x: is the device plugged in? since ")
    assert "trouble: notices do not get through to a.b: refused (3 tries)" in lines
    assert "trouble: the store was damaged (x): it was moved to y" in lines


@pytest.mark.fault("D1")
def test_a_daemon_that_cannot_write_is_told_as_such(tmp_path: Path) -> None:
    """What it knows is in the store: on a full disk that grows old."""
    assert "is the disk full?" not in said(tmp_path, 60.0)
    assert "is the disk full? `jartide check` looks" in said(tmp_path, 600.0)
