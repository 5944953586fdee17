"""Do the tests notice a mistake? Small mistakes are made in the program, one at a time, and only the tests that reach
the changed line are run.

    python -m tests.mutants monitor/runs --tests tests/runs         # 40 mistakes in one room, by the tests of that room
    python -m tests.mutants monitor/core monitor/runs --tests tests/core tests/runs --count 100 --seed 7

A mistake is found when one of those tests fails (or hangs). One that no test reaches survives by definition; one in a
constant is reached where the constant is used. What is left over at the end is listed: either the program is as right
with it as without (then say so where it stands), or a test is missing. Mistakes are made in memory, while a module is
imported, in a process forked for it, which takes half a second of the processor beside the tests; no file is changed,
and a program that a test starts has no mistake in it.

Which tests reach which lines is recorded once by `coverage` and kept in the folder for temporary files, for as long as
neither the program nor the tests change. With `--controls` so many are run without their mistake first: a test that
fails then would find anything.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import gc
import hashlib
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass
from importlib.metadata import entry_points
from itertools import accumulate
from pathlib import Path
from types import CodeType
from typing import Any

import coverage
import pytest

ROOT = Path(__file__).resolve().parent.parent
WORTH_S = 20.0  # of those that reach a line, the quickest that take so long together
PATIENCE_S = 60.0  # beyond what the tests take when all is well
HEAVY = (
    "pytest",
    "hypothesis",
    "numpy",
    "scipy.stats",
    "time_machine",
    "click",
    "paho.mqtt.client",
    "serial",
)  # what many tests load, and is not ours
SIDES: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
}  # fmt: skip
OPPOSITES: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
REPLACED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One mistake: the `number`-th node of a kind that can be changed in a module, counted as the tree is walked."""

    path: str
    line: int
    kind: str
    number: int

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.kind}"


def changes(node: ast.AST) -> Iterator[tuple[str, Callable[[Any], ast.AST]]]:
    """What can be done wrong at a node: a name for it, and what turns (a copy of) the node into that."""
    match node:
        case ast.Compare(ops=[op, *_]):
            if type(op) in SIDES:
                yield "boundary", lambda n: _with(n, ops=[SIDES[type(n.ops[0])](), *n.ops[1:]])
            if type(op) in OPPOSITES:
                yield "comparison turned round", lambda n: _with(n, ops=[OPPOSITES[type(n.ops[0])](), *n.ops[1:]])
        case ast.BoolOp():
            yield "and/or", lambda n: _with(n, op=ast.Or() if isinstance(n.op, ast.And) else ast.And())
        case ast.UnaryOp(op=ast.Not()):
            yield "not", lambda n: n.operand
        case ast.BinOp(op=op) if type(op) in REPLACED:
            yield "arithmetic", lambda n: _with(n, op=REPLACED[type(n.op)]())
        case ast.Constant(value=value) if type(value) in (int, float):
            yield "number", lambda n: _with(n, value=n.value * 2 if n.value else 1)
        case ast.Return(value=value) if value is not None and not (isinstance(value, ast.Constant) and not value.value):
            yield "return None", lambda n: _with(n, value=ast.Constant(None))
        case ast.Continue():
            yield "continue", lambda n: ast.Pass()
        case ast.Raise():
            yield "raise", lambda n: ast.Pass()
        case ast.Expr(value=ast.Call()):
            yield "call left out", lambda n: ast.Pass()


def _with(node: Any, **values: Any) -> Any:
    for name, value in values.items():
        setattr(node, name, value)
    return node


def mutants(folder: Path) -> list[Mutant]:
    """Every mistake that can be made below a folder (or in a file), types and constants' docstrings left alone."""
    found: list[Mutant] = []
    for path in sorted(folder.rglob("*.py")) if folder.is_dir() else [folder]:
        counted = Counter[str]()
        for node in _nodes(ast.parse(path.read_text())):
            for kind, _ in changes(node):
                found.append(Mutant(str(path.relative_to(ROOT)), node.lineno, kind, counted[kind]))  # type: ignore[attr-defined]
                counted[kind] += 1
    return found


def _nodes(tree: ast.AST) -> Iterator[ast.AST]:
    """The nodes of functions' bodies and of constants, in a fixed order; annotations and decorators are no program."""
    for field, value in ast.iter_fields(tree):
        if field in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield child
                yield from _nodes(child)


class _Change(ast.NodeTransformer):
    """Makes one mistake."""

    def __init__(self, target: ast.AST, change: Callable[[Any], ast.AST]) -> None:
        self._target, self._change = target, change

    def visit(self, node: ast.AST) -> Any:
        if node is self._target:
            return ast.copy_location(self._change(deepcopy(node)), node)
        return self.generic_visit(node)


def changed(mutant: Mutant) -> CodeType:
    """The module with the mistake in it."""
    path = ROOT / mutant.path
    tree = ast.parse(path.read_text())
    count = 0
    for node in _nodes(tree):
        for kind, change in changes(node):
            if kind == mutant.kind:
                if count == mutant.number:
                    return compile(ast.fix_missing_locations(_Change(node, change).visit(tree)), str(path), "exec")
                count += 1
    raise LookupError(f"{mutant}: there is none")


class _Finder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Hands out the changed module in place of the one on the disk."""

    def __init__(self, mutant: Mutant) -> None:
        self._name = mutant.path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        self._code = changed(mutant)
        self._path = str(ROOT / mutant.path)

    def find_spec(self, name: str, path: Any, target: Any = None) -> importlib.machinery.ModuleSpec | None:
        if name != self._name:
            return None
        return importlib.util.spec_from_file_location(name, self._path, loader=self)  # type: ignore[arg-type]

    def exec_module(self, module: Any) -> None:
        exec(self._code, module.__dict__)


def places(sample: Sequence[Mutant], package: Path = ROOT / "monitor") -> dict[Mutant, set[tuple[str, int]]]:
    """Where each mistake shows: (file, line) of the statement that it is in, or of all that use the constant that it is
    in. A number of a class or a table that nothing names shows wherever its module is at work."""
    trees = {str(path): ast.parse(path.read_text()) for path in sorted(package.rglob("*.py"))}
    for one in sample:
        trees.setdefault(str(ROOT / one.path), ast.parse((ROOT / one.path).read_text()))
    uses: dict[str, set[tuple[str, int]]] = defaultdict(set)
    at_work: dict[str, set[tuple[str, int]]] = defaultdict(set)
    for path, tree in trees.items():
        for function in (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)):
            for node in (node for statement in function.body for node in ast.walk(statement)):
                if isinstance(node, ast.stmt):
                    at_work[path].add((path, node.lineno))
                if isinstance(node, ast.Name | ast.Attribute) and isinstance(node.ctx, ast.Load):
                    uses[node.id if isinstance(node, ast.Name) else node.attr].add((path, node.lineno))
    out: dict[Mutant, set[tuple[str, int]]] = {}
    for one in sample:
        path = str(ROOT / one.path)
        statement = next((top for top in trees[path].body if top.lineno <= one.line <= (top.end_lineno or 0)), None)
        if isinstance(statement, ast.Assign | ast.AnnAssign):
            out[one] = _used(trees[path].body, statement, uses) or at_work[path]
        else:
            inner = [
                n
                for n in ast.walk(trees[path])
                if isinstance(n, ast.stmt) and n.lineno <= one.line <= (n.end_lineno or 0)
            ]
            nearest = max(inner, key=lambda n: (n.lineno, -(n.end_lineno or 0)))
            in_class = isinstance(statement, ast.ClassDef) and not any(isinstance(n, ast.FunctionDef) for n in inner)
            whole = range(nearest.lineno, (nearest.end_lineno or nearest.lineno) + 1)
            lines = {one.line} if hasattr(nearest, "body") else set(whole)
            out[one] = at_work[path] if in_class else {(path, line) for line in lines}
    return out


def _used(body: Sequence[ast.stmt], statement: ast.stmt, uses: dict[str, set[tuple[str, int]]]) -> set[tuple[str, int]]:
    """Where a constant is used, by itself or by another constant of its module that is made of it."""
    found: set[tuple[str, int]] = set()
    todo, done = [statement], set[str]()
    while todo:
        names = {
            node.id for node in ast.walk(todo.pop()) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
        }
        for name in names - done:
            found |= uses[name]
            todo += [
                other
                for other in body
                if isinstance(other, ast.Assign | ast.AnnAssign) and other.value is not None
                if any(isinstance(node, ast.Name) and node.id == name for node in ast.walk(other.value))
            ]
        done |= names
    return found


class Reach:
    """A pytest plugin that records which tests come to which lines, and how long each test takes."""

    def __init__(self, data_file: Path) -> None:
        self._beside = data_file.with_suffix(".json")
        self._coverage = coverage.Coverage(data_file=str(data_file), source=[str(ROOT / "monitor")], config_file=False)
        self.took_s: dict[str, float] = {}
        self.broken: set[str] = set()

    def record(self, tests: Sequence[str]) -> None:
        """Run the tests; nothing to do where they have been run before."""
        if self._beside.exists():
            self._coverage.load()
            self.took_s, broken = json.loads(self._beside.read_text())
            self.broken = set(broken)
            return
        self._coverage.erase()
        self._coverage.start()
        pytest.main([*tests, "-q", "-n", "0", "-p", "no:cacheprovider", "--no-header"], plugins=[self])
        self._coverage.stop()
        self._coverage.save()
        self._beside.write_text(json.dumps([self.took_s, sorted(self.broken)]))

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self._coverage.switch_context(item.nodeid)
        began_s = time.monotonic()
        yield
        self.took_s[item.nodeid] = time.monotonic() - began_s

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.broken.add(report.nodeid)  # fails without any mistake: of no use here

    def of(self, shows: set[tuple[str, int]]) -> list[str]:
        """The tests that come to any of these (file, line), the quickest first."""
        lines: dict[str, set[int]] = defaultdict(set)
        for path, line in shows:
            lines[path].add(line)
        found: set[str] = set()
        for path, some in lines.items():
            by_line = self._coverage.get_data().contexts_by_lineno(path)
            found.update(test for line in some for test in by_line.get(line, ()) if test)
        order = sorted(found - self.broken, key=lambda test: self.took_s[test])
        so_far = accumulate(self.took_s[test] for test in order)
        return [test for n, (test, took_s) in enumerate(zip(order, so_far, strict=True)) if not n or took_s <= WORTH_S]


def _recorded_at(tests: Sequence[str]) -> Path:
    """Where what these tests reach is kept, of the program and the tests as they are."""
    seen = hashlib.sha256(" ".join(tests).encode())
    for path in sorted([*(ROOT / "monitor").rglob("*.py"), *(ROOT / "tests").rglob("*.py")]):
        seen.update(path.read_bytes())
    return Path(tempfile.gettempdir()) / f"jartide_mutants_{seen.hexdigest()[:16]}.coverage"


class Workshop:
    """A process that has loaded what is not ours and forks one for every mistake: each saves two seconds of loading."""

    def __init__(self) -> None:
        command = [sys.executable, "-m", "tests.mutants", "--serve"]
        self._process = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def found(self, mutant: Mutant | None, tests: Sequence[str], within_s: float) -> bool:
        """Whether the tests notice a mistake; None makes none."""
        asked, answers = self._process.stdin, self._process.stdout
        assert asked is not None
        assert answers is not None
        values = None if mutant is None else [mutant.path, mutant.line, mutant.kind, mutant.number]
        asked.write(json.dumps([values, list(tests), within_s]) + "\n")
        asked.flush()
        return bool(json.loads(answers.readline()))

    def close(self) -> None:
        """End the process."""
        self._process.communicate()


def _serve() -> int:
    for name in HEAVY:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    for plugin in entry_points(group="pytest11"):  # pytest loads each anyway
        with contextlib.suppress(ImportError):
            plugin.load()
    gc.freeze()  # nothing of it is looked at again in every child
    for line in sys.stdin:
        values, tests, within_s = json.loads(line)
        child = os.fork()
        if child == 0:
            os.setsid()
            with open(os.devnull, "w") as nothing:
                os.dup2(nothing.fileno(), 1)
                os.dup2(nothing.fileno(), 2)
            if values is not None:
                sys.meta_path.insert(0, _Finder(Mutant(*values)))
            os._exit(int(pytest.main([*tests, "-x", "-q", "-n", "0", "-p", "no:cacheprovider"])))
        print(json.dumps(_ended(child, within_s) != 0), flush=True)
    return 0


def _ended(child: int, within_s: float) -> int:
    """How a child ended; one that hangs is killed, with all that it started."""
    until_s = time.monotonic() + within_s
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return status
        if time.monotonic() > until_s:
            os.killpg(child, signal.SIGKILL)
            return os.waitpid(child, 0)[1]
        time.sleep(0.02)


def main(arguments: list[str]) -> int:
    """Print how many mistakes were found, by module, and those that were not."""
    if arguments[:1] == ["--serve"]:
        return _serve()
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rooms", nargs="+", type=Path, help="folders or files of the program")
    parser.add_argument("--tests", nargs="+", required=True)
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--controls", type=int, default=0, help="so many are run without their mistake first")
    parser.add_argument("--only", nargs="+", default=(), help="of a folder, the modules of these names")
    parser.add_argument("--lines", type=int, nargs=2, default=(0, 10**9), help="of a file, from one to another only")
    asked = parser.parse_args(arguments)
    every = [one for room in asked.rooms for one in mutants(ROOT / room)]
    every = [one for one in every if asked.lines[0] <= one.line <= asked.lines[1]]
    every = [one for one in every if not asked.only or Path(one.path).stem in asked.only]
    sample = random.Random(asked.seed).sample(every, min(asked.count, len(every)))
    reach = Reach(_recorded_at(asked.tests))
    reach.record(asked.tests)
    shows = places(sample)
    ends: dict[str, Counter[str]] = defaultdict(Counter)
    left: list[str] = []
    workshop = Workshop()
    for number, mutant in enumerate(sorted(sample, key=lambda one: (one.path, one.line))):
        tests = reach.of(shows[mutant])
        within_s = sum(reach.took_s[test] for test in tests) + PATIENCE_S
        control = asked.controls and number % max(len(sample) // asked.controls, 1) == 0
        if control and tests and workshop.found(None, tests, within_s):
            print(f"WITHOUT a mistake these tests fail: {' '.join(tests)}", flush=True)
        found = bool(tests) and workshop.found(mutant, tests, within_s)
        ends[mutant.path]["found" if found else "survived"] += 1
        if not found:
            left.append(f"{mutant} ({'no test reaches it' if not tests else f'{len(tests)} tests'})")
        print(f"{'found   ' if found else 'SURVIVED'} {mutant}", flush=True)
    workshop.close()
    print()
    for path, counted in sorted(ends.items()):
        print(f"{path:50} {counted['found']:4} found {counted['survived']:4} survived")
    total = sum((counted for counted in ends.values()), Counter[str]())
    share = total["found"] / max(total.total(), 1)
    print(f"\n{total['found']} of {total.total()} found ({share:.0%}), out of {len(every)} that could be made")
    print("\n".join(left))
    return 0


if __name__ == "__main__":
    os.environ.setdefault("PYTHONPATH", str(ROOT))
    sys.exit(main(sys.argv[1:]))
