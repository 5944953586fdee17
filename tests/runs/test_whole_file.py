"""A file is there only when it is complete."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from monitor.runs.whole_file import writing


def test_what_was_there_stays_until_the_new_one_is_complete(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("old")
    with writing(path) as out:
        out.write("new")
        out.flush()
        assert path.read_text() == "old"
        assert sorted(one.name for one in tmp_path.iterdir()) == ["run.csv", "run.csv.part"]
    assert path.read_text() == "new"
    assert [one.name for one in tmp_path.iterdir()] == ["run.csv"]


@pytest.mark.parametrize("there", [True, False])
def test_an_error_or_an_interrupt_leaves_all_as_it_was(tmp_path: Path, there: bool) -> None:
    path = tmp_path / "run.csv"
    if there:
        path.write_text("old")

    def write(error: BaseException) -> None:
        with writing(path) as out:
            out.write("half")
            raise error

    for error in (ValueError("no"), KeyboardInterrupt()):
        with pytest.raises(type(error)):
            write(error)
        assert [one.name for one in tmp_path.iterdir()] == (["run.csv"] if there else [])
    assert not there or path.read_text() == "old"


def test_a_pipe_is_written_as_it_is(tmp_path: Path) -> None:
    pipe, said = tmp_path / "pipe", list[str]()
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: said.append(pipe.read_text()))
    reader.start()
    with writing(pipe) as out:
        out.write("rows")
    reader.join(60)
    assert said == ["rows"]
    assert [one.name for one in tmp_path.iterdir()] == ["pipe"]
