"""The house rules that a machine can hold: direction of imports, no clock in core, docstrings, units in names."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "monitor"
MODULES = sorted(PACKAGE.rglob("*.py"))

# what each part may import of ours; "settings" is the schema, "settings_file" its reader
ALLOWED = {
    "values": set(),
    "settings": {"values"},
    "settings_rules": {"settings", "core", "toml_lines"},
    "settings_file": {"values", "settings", "settings_rules", "core", "toml_lines"},
    "toml_lines": set(),  # where a key stands in a TOML text
    "secret": set(),  # passwords, tokens and addresses out of the environment or a file
    "core": {"values", "settings", "core"},
    "failpoint": set(),  # where tests make the program fail
    "pulse": set(),  # whether a thread hangs
    "privacy": set(),  # whose files they are
    "alarm": {"values", "settings", "core", "clock"},  # the store itself is in trouble
    "zone": {"values", "settings", "core"},
    "clock": set(),  # what time it is
    "agenda": {"clock"},
    "runs": {"values", "settings", "core", "runs", "failpoint", "privacy"},
    "simulator": {"values", "settings", "core", "simulator"},
    "sources": {"values", "settings", "core", "runs", "simulator", "sources", "secret", "pulse", "clock"},
    "sinks": {"values", "settings", "core", "runs", "zone", "sinks", "secret", "failpoint", "pulse"},
    "review": {"values", "settings", "core", "runs", "zone", "review"},
    "page": {
        "values",
        "settings",
        "settings_rules",
        "core",
        "runs",
        "zone",
        "review",
        "secret",
        "status",
        "page",
        "pulse",
    },
    "player": {"values", "settings", "core", "runs", "simulator", "sources", "player"},
    "lock": {"privacy"},  # one daemon a store
    "status": {"values", "core", "runs", "clock"},  # what the daemon last knew of itself
    "check": {"values", "settings", "core", "runs", "sources", "sinks", "zone", "secret", "lock", "status", "check"},
    "teller": {"values", "settings", "core", "runs"},  # what deserves a notice goes to the outbox
    "resume": {"values", "settings", "core", "runs"},  # where the watch of a jar begins again
    "jars": {"values", "settings", "core", "runs", "failpoint", "resume", "teller"},
    "remembered": {"values", "runs"},  # from one start to the next
    "daemon": {"values", "core", "runs", "sources", "sinks", "jars", "clock", "failpoint"},
    "orders": {"daemon"},  # what signals ask for
    "assembly": {
        "values",
        "settings",
        "core",
        "runs",
        "sources",
        "sinks",
        "zone",
        "agenda",
        "clock",
        "remembered",
        "alarm",
        "pulse",
        "orders",
        "secret",
        "lock",
        "jars",
        "status",
        "daemon",
        "page",
    },
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


def part(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names if node.module == "monitor"}
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_never_point_back(path: Path) -> None:
    here = part(path)
    if here in {"cli", "__init__", "__main__"}:
        return
    ours = {name.split(".")[1] for name in imports(path) if name.startswith("monitor.")} - {"__version__"}
    assert ours <= ALLOWED[here], f"{path} imports {sorted(ours - ALLOWED[here])}"


@pytest.mark.parametrize("path", [p for p in MODULES if part(p) == "core"], ids=lambda p: p.name)
def test_core_has_no_clock_file_thread_or_chance(path: Path) -> None:
    found = {name.split(".")[0] for name in imports(path)} & CLOCKS
    assert not found, f"{path} imports {sorted(found)}"
    assert "open(" not in path.read_text()
    assert "np.random" not in path.read_text()


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_every_module_says_where_it_sits(path: Path) -> None:
    assert ast.get_docstring(ast.parse(path.read_text())), f"{path} has no docstring"


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
