"""Every place where the program reaches outside of itself and can fail there, found in the code; and which of them no
test has ever seen fail.

    python -m tests.outside_calls                       # the list, by module
    python -m tests.outside_calls tests/runs ...        # run these tests and mark each place at which a failure came by

A place is a line with a call that opens, reads, writes, sends, asks a database or starts something. It has been seen
to fail when an exception passed through that line while the tests ran (in this process: what a test starts in another
one is not followed), or when a test made it fail (`failing`). So what nothing covers shows as a number, whoever writes
the next line. Most calls of the store, and what is said to a broker, go by a road of our own: one place, many callers.
What is written on it fails in `resilience/test_store.py`, each statement of a night.
"""

from __future__ import annotations

import ast
import sys
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "monitor"
# methods by which files, databases, sockets, lines, brokers, servers and processes are reached, whatever has them
METHODS = {
    "open", "read", "readline", "read_text", "read_bytes", "write", "write_text", "write_bytes", "writelines", "flush",
    "stat", "mkdir", "unlink", "rename", "touch", "iterdir", "glob", "chmod", "copyfile", "truncate",
    "execute", "executemany", "commit", "connect", "backup", "query", "write_many",
    "send", "sendto", "sendall", "recv", "bind", "listen", "accept", "publish", "subscribe", "loop_read", "loop_write",
    "loop_misc", "reconnect", "notify", "urlopen", "request", "Popen", "pread", "pwrite", "ftruncate",
    "flock", "getaddrinfo", "create_connection", "create_server", "wrap_socket", "load_cert_chain",
    "load_verify_locations",
}  # fmt: skip
# of the names above, what is called on these is the program's own or a text's
OWN = {
    "store", "self", "re", "log", "str", "text", "dataclasses", "items", "click", "run_file", "daemon_status",
    "history", "scenario", "listen", "sys", "connection", "kept", "recorder", "daemon", "manual", "mqtt_link",
    "Store", "Database", "self.seal", "self._in_flight", "self.channel", "edit", "guide_html", "played_clock",
}  # fmt: skip
# what callers go by, and the only place that reaches outside there
ROADS = {
    "self._db": "monitor/runs/database.py",
    "database": "monitor/runs/database.py",
    "self._publisher": "monitor/sources/mqtt_publisher.py",
    "self._connection": "monitor/sources/mqtt_publisher.py",
}
# where two stores at once have names of their own: their calls go by the road of any store's
STORES = {"monitor/runs/moving.py": ("source", "target")}
# (file, line) of the places that `failing` has made to fail while the tests ran
FAILED: set[tuple[str, int]] = set()
ROOMS = ("host", "config", "runs", "sources", "sinks", "daemon", "check", "page", "cli")


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """One line of the program that reaches outside."""

    path: str
    line: int
    call: str


def places() -> list[Place]:
    """All of them, by file and line."""
    return sorted({place for path in sorted(PACKAGE.rglob("*.py")) for place in _in(path)})


def failpoints() -> set[str]:
    """The names of all failpoints that the program passes."""
    return {
        str(call.args[0].value)
        for path in PACKAGE.rglob("*.py")
        for call in ast.walk(ast.parse(path.read_text()))
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "failpoint"
        if call.args and isinstance(call.args[0], ast.Constant)
    }


def callers() -> dict[str, int]:
    """How many calls go by each road."""
    return Counter(
        road
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and (road := _road(path, node.func))
    )


def _road(path: Path, called: ast.Attribute) -> str | None:
    """The file by which a call goes outside; None for one that does so itself, or does not."""
    root, where = _root(called.value), str(path.relative_to(ROOT))
    road = ROADS["database"] if root in STORES.get(where, ()) else ROADS.get(root)
    return road if called.attr in METHODS and where != road else None


def _in(path: Path) -> Iterator[Place]:
    where = path.relative_to(ROOT)
    if where.parts[1] not in ROOMS:
        return
    for node in ast.walk(ast.parse(path.read_text())):
        if not isinstance(node, ast.Call):
            continue
        match node.func:
            case ast.Name(id="open"):
                yield Place(str(where), node.lineno, "open")
            case ast.Attribute(attr="replace", value=ast.Name(id="os")):
                yield Place(str(where), node.lineno, "os.replace")
            case ast.Attribute() if _road(path, node.func) is not None:
                continue
            case ast.Attribute(attr=name, value=value) if name in METHODS and _root(value) not in OWN:
                yield Place(str(where), node.lineno, f"{_root(value)}.{name}")


def _root(value: ast.expr) -> str:
    """The name that something is called on: `path` of path.parent.stat(), `self._db` of self._db.execute()."""
    match value:
        case ast.Name(id=name):
            return name
        case ast.Attribute(value=ast.Name(id="self"), attr=name):
            return f"self.{name}"
        case ast.Attribute(value=inner) | ast.Call(func=ast.Attribute(value=inner)) | ast.Subscript(value=inner):
            return _root(inner)
    return "?"


class Watch:
    """A pytest plugin that notes the places through which an exception passed."""

    def __init__(self, all_places: list[Place]) -> None:
        self._lines: dict[str, set[int]] = {}
        for place in all_places:
            self._lines.setdefault(str(ROOT / place.path), set()).add(place.line)
        self.failed: set[tuple[str, int]] = set()

    def _called(self, frame: FrameType, event: str, value: Any) -> Callable[..., Any] | None:
        return self._within if frame.f_code.co_filename in self._lines else None

    def _within(self, frame: FrameType, event: str, value: Any) -> Callable[..., Any]:
        frame.f_trace_lines = False
        if event == "exception":
            self.failed.add((frame.f_code.co_filename, frame.f_lineno))
        return self._within

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self) -> Iterator[None]:
        threading.settrace(self._called)
        sys.settrace(self._called)
        yield
        sys.settrace(None)
        threading.settrace(None)  # type: ignore[arg-type]

    def seen(self, place: Place) -> bool:
        """Whether a failure came by at a place."""
        return (str(ROOT / place.path), place.line) in self.failed | made_to_fail()


def made_to_fail() -> set[tuple[str, int]]:
    """What `failing` did, whether this module was started as a program or imported by the tests."""
    return FAILED | getattr(sys.modules.get("tests.outside_calls"), "FAILED", set())


def main(arguments: list[str]) -> int:
    """Print every place, or run the tests of the arguments and print those that none of them has seen fail."""
    found = places()
    watch = Watch(found)
    if arguments:
        pytest.main([*arguments, "-q", "-n", "0", "-p", "no:cacheprovider", "--no-header"], plugins=[watch])
    left = [place for place in found if not watch.seen(place)]
    for place in left:
        print(f"{place.path}:{place.line}: {place.call}")
    seen = f", {len(left)} never seen to fail" if arguments else ""
    for road, count in callers().items():
        print(f"{count} more calls go by {road}")
    print(f"{len(found)} places reach outside{seen}; failpoints: {', '.join(sorted(failpoints()))}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
