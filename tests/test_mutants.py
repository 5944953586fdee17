"""The tool that makes mistakes makes them, one at a time, in code that still runs."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import mutants
from tests.mutants import Mutant, changed

SOURCE = """
LIMIT = 3

def small(value: int | None = None) -> bool:
    if value is not None and value < LIMIT:
        return True
    return not value is None and value * 2 > 90
"""
CASES = [None, 0, 2, 3, 4, 45, 46, 50]


@pytest.fixture
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(mutants, "ROOT", tmp_path)
    path = tmp_path / "module.py"
    path.write_text(SOURCE)
    return path


def answers(code: object) -> list[object]:
    names: dict[str, object] = {}
    exec(code, names)  # type: ignore[arg-type]
    out: list[object] = []
    for value in CASES:
        try:
            out.append(names["small"](value))  # type: ignore[operator]
        except TypeError:
            out.append("an error")
    return out


def test_each_mistake_is_another_program(module: Path) -> None:
    found = mutants.mutants(module)
    kinds = {mutant.kind for mutant in found}
    assert kinds == {
        "boundary", "comparison turned round", "and/or", "not", "arithmetic", "number", "return None"
    }  # fmt: skip
    right = answers(compile(SOURCE, "module.py", "exec"))
    same = [str(mutant) for mutant in found if answers(changed(mutant)) == right]
    assert same == []
    assert module.read_text() == SOURCE  # made in memory


def test_a_mistake_that_cannot_be_made_is_said(module: Path) -> None:
    with pytest.raises(LookupError, match="there is none"):
        changed(Mutant("module.py", 1, "raise", 0))


def test_a_constant_is_reached_where_it_is_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mutants, "ROOT", tmp_path)
    (tmp_path / "other.py").write_text("from module import LIMIT\n\ndef other() -> int:\n    return LIMIT\n")
    path = tmp_path / "module.py"
    more = "TWICE = 2 * LIMIT\n\ndef large() -> int:\n    return (\n        TWICE\n        + 1\n    )\n"
    path.write_text(SOURCE + more)
    shows = mutants.places(mutants.mutants(path), tmp_path)
    lines = {(one.line, one.kind): {(Path(at).stem, line) for at, line in found} for one, found in shows.items()}
    assert lines[2, "number"] == {("module", 5), ("other", 4), ("module", 12)}  # LIMIT, by itself and by TWICE
    assert lines[8, "number"] == {("module", 12)}
    assert lines[13, "number"] == {("module", line) for line in range(11, 15)}  # a statement of several lines
