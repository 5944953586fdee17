"""The house rules that a machine can hold: direction of imports, no clock in core, docstrings, units in names."""

import ast
import re
from dataclasses import fields
from pathlib import Path

import pytest

from monitor.settings import SOURCES, Settings
from monitor.sources import OPENERS

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "monitor"
MODULES = sorted(PACKAGE.rglob("*.py"))

VALUES = {"values", "settings"}
CORE = {f"core/{room}" for room in ("display", "vessel", "signal", "forecast", "detect", "plan", "assess", "notify")}

# what each room may import of ours besides itself; the rooms of `core` stand one by one
ALLOWED = {
    "values": set(),
    "settings": {"values"},
    "core/display": VALUES,
    "core/vessel": VALUES,
    "core/signal": VALUES | {"core/vessel"},
    "core/forecast": VALUES,
    "core/detect": VALUES | {"core/vessel", "core/signal", "core/forecast"},
    "core/plan": VALUES | {"core/display", "core/vessel", "core/forecast"},
    "core/assess": VALUES | {"core/display", "core/forecast", "core/plan"},
    "core/notify": VALUES | {"core/display", "core/forecast", "core/detect", "core/plan", "core/assess"},
    "guide": set(),
    "host": VALUES | {"core/display"},
    "config": VALUES | CORE,
    "runs": VALUES | CORE | {"host"},
    "simulator": VALUES | CORE | {"runs"},
    "sources": VALUES | CORE | {"host", "runs", "simulator"},
    "sinks": VALUES | CORE | {"host", "runs"},
    "review": VALUES | CORE | {"host", "runs"},
    "check": VALUES | CORE | {"host", "runs", "sources", "sinks"},
    "page": VALUES | CORE | {"guide", "host", "config", "runs", "review"},
    "setup": VALUES | CORE | {"host", "config", "runs", "sources", "check", "page"},
    "daemon": VALUES | CORE | {"host", "runs", "sources", "sinks", "review", "page"},
}
CLOCKS = {
    "time",
    "datetime",
    "threading",
    "socket",
    "logging",
    "random",
    "sqlite3",
    "asyncio",
    "subprocess",
    "os",
    "io",
}


def room(parts: tuple[str, ...]) -> str:
    """The room of a module's path below `monitor`: its folder, within `core` its folder there."""
    return "/".join(parts[:2]) if parts[0] == "core" and len(parts) > 1 else parts[0].removesuffix(".py")


def imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names if node.module == "monitor"}
    return names


def lines(path: Path) -> int:
    with path.open("rb") as file:
        return sum(1 for _ in file)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_never_point_back(path: Path) -> None:
    here = room(path.relative_to(PACKAGE).parts)
    if here in {"cli", "__init__", "__main__", "core/__init__.py"}:
        return
    ours = {room(tuple(name.split(".")[1:])) for name in imports(path) if name.startswith("monitor.")}
    back = ours - ALLOWED[here] - {here, "__version__"}
    assert not back, f"{path} imports {sorted(back)}"


def test_every_room_holds_what_one_can_take_in() -> None:
    for folder in (PACKAGE, PACKAGE / "core"):
        floor = [path.name for path in folder.glob("*.py")]
        assert len(floor) <= 8, f"{folder} has {len(floor)} modules on its own floor: {sorted(floor)}"
    for folder in (PACKAGE / "core").iterdir():
        assert len(list(folder.glob("*.py"))) <= 17, f"{folder} has more than 16 modules"
    flat = sorted(path.name for path in (ROOT / "tests").glob("test_*.py"))
    assert len(flat) <= 12, f"{len(flat)} test files lie flat in tests/: {flat}"
    long = {str(p.relative_to(ROOT)): n for p in (ROOT / "tests").rglob("*.py") if (n := lines(p)) > 500}
    assert not long, f"split by concept: {long}"


ONLY_STAMPS = {
    "test_browser",
    "test_configs",
    "test_contract",
    "test_engines",
    "test_fed_button",
    "test_for_programs",
    "test_watch",
    "test_player",
    "test_serial",
    "test_process",
    "test_calibrate",
}
"""Tests of whole processes and boards that only stamp what they send, and run on no other day to save its minute."""


@pytest.mark.parametrize("path", sorted((ROOT / "tests").rglob("test_*.py")), ids=lambda p: p.stem)
def test_who_lives_on_the_machines_clock_also_runs_on_another_day(path: Path) -> None:
    text = path.read_text("utf-8")
    reads = re.search(r"\btime\.time\b|\bdatetime\.now\(|\bdate\.today\(", text)
    assert path == Path(__file__) or not reads or "pytest.mark.dates" in text or path.stem in ONLY_STAMPS


CORE_MODULES = [path for path in MODULES if path.relative_to(PACKAGE).parts[0] == "core"]


@pytest.mark.parametrize("path", CORE_MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_core_has_no_clock_file_thread_or_chance(path: Path) -> None:
    found = {name.split(".")[0] for name in imports(path)} & CLOCKS
    assert not found, f"{path} imports {sorted(found)}"
    assert "open(" not in path.read_text()
    assert "np.random" not in path.read_text()


def unexplained(path: Path) -> list[str]:
    """Constants of a module with a number and no reason: no comment on their lines or above their block."""
    text = path.read_text(encoding="utf-8")
    rows = text.splitlines()
    found = []
    for node in ast.parse(text).body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        numbers = [
            one for one in ast.walk(node.value) if isinstance(one, ast.Constant) and type(one.value) in (int, float)
        ]
        at = node.lineno - 1
        while rows[at - 1] and not rows[at - 1].startswith("#"):
            at -= 1
        if numbers and not any("#" in row for row in (rows[at - 1], *rows[node.lineno - 1 : node.end_lineno])):
            found.append(f"{path.name}:{node.lineno}: {rows[node.lineno - 1]}")
    return found


def test_numbers_of_core_have_their_reason_beside_them() -> None:
    assert [one for path in CORE_MODULES for one in unexplained(path)] == []


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_sql_is_in_the_store_only(path: Path) -> None:
    if path.relative_to(PACKAGE).parts[0] == "runs":
        return
    text = path.read_text()
    assert "sqlite3" not in {name.split(".")[0] for name in imports(path)}
    assert not re.search(r"\b(SELECT .+ FROM|INSERT INTO|UPDATE \w+ SET|DELETE FROM)\b|\.(query|write_many)\(", text)


def test_every_table_of_a_source_has_a_field_and_an_opener() -> None:
    assert set(SOURCES) == set(OPENERS)
    assert set(SOURCES) <= {field.name for field in fields(Settings)}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_every_module_says_where_it_sits(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text())), f"{path} has no docstring"


ROOMS = {path.name for path in PACKAGE.rglob("*") if path.is_dir()} | {"tests"}
FILES = {path.name for folder in (PACKAGE, ROOT / "tests") for path in folder.rglob("*.py")}


@pytest.mark.parametrize("path", [*MODULES, ROOT / "DEVELOPERS.md"], ids=lambda p: str(p.relative_to(ROOT)))
def test_what_is_pointed_at_is_there(path: Path) -> None:
    """`surface.py`, `core/detect/fall.py`, `notify.due`: a module that was renamed is renamed wherever it is named."""
    text = path.read_text("utf-8")
    files = set(re.findall(r"`(?:[a-z_]+/)*([a-z_0-9]+\.py)`", text))
    rooms = {(room, name) for room, name in re.findall(r"`([a-z]+)\.([a-z_]+)`", text) if room in ROOMS - {"core"}}
    gone = {f"{room}.{name}" for room, name in rooms if f"{name}.py" not in FILES and name not in ROOMS}
    cores = {name for name in re.findall(r"`core\.([a-z_]+)[`.]", text) if name not in ROOMS}
    assert not (gone | (files - FILES) | cores), f"{path} points at what is not there"


def test_the_top_level_holds_nothing_else() -> None:
    allowed = {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "monitor", "firmware_notes", "tests", "configs",
        "simulated_runs", "LICENSE", "CHANGELOG.md", ".gitignore", ".ci",
    }  # fmt: skip
    found = {
        p.name
        for p in ROOT.iterdir()
        if p.name not in {".git", ".venv"} and not p.name.endswith(("_cache", ".egg-info"))
    }
    assert found <= allowed | {".hypothesis", "build"}
