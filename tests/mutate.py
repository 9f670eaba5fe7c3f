"""`make mutate MODULE=monitor/analysis/cutting.py`: would the module's own tests notice a small mistake in it?

Each mutation changes one place of the module in a copy of the tree and runs the module's own tests, those that
`tests/test_mirror.py` names, or others that are given. What no test notices is printed, and the exit code is then 1.
Tests that start the installed program in another process do not meet the mutation.
"""

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

from tests.test_mirror import ROOT, file_of

SWAPS: dict[type[ast.AST], type[Any]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
TIMEOUT_S = 300.0
SHORTEST_TIMEOUT_S = 20.0


@dataclass(frozen=True, slots=True)
class Mutation:
    """One place of a module that is changed: where, how, and the source of the whole module with it."""

    line: int
    what: str
    source: str


def mutations(source: str) -> Iterator[Mutation]:
    """All single mutations of a module: operators swapped, terms and conditions dropped, numbers and truths changed.

    Decorators are left alone: whether a class is frozen is no mistake that a test would meet.
    """
    tree = ast.parse(source)
    declared = {part for node in ast.walk(tree) for d in getattr(node, "decorator_list", []) for part in ast.walk(d)}
    for index, node in enumerate(ast.walk(tree)):
        for change in range(0 if node in declared else _changes(node)):
            mutant = copy.deepcopy(tree)
            place = next(n for i, n in enumerate(ast.walk(mutant)) if i == index)
            before = ast.unparse(node)
            after = _changed(place, change)
            text = ast.unparse(ast.fix_missing_locations(_Replaced(place, after).visit(mutant)))
            yield Mutation(getattr(node, "lineno", 0), f"{before}  ->  {ast.unparse(after)}", text)


def _changes(node: ast.AST) -> int:
    """In how many ways a node can be changed."""
    match node:
        case ast.Compare(ops=[_]) | ast.BoolOp() | ast.UnaryOp(op=ast.Not()) | ast.IfExp():
            return 1
        case ast.BinOp(op=ast.Add() | ast.Sub()):
            return 2  # the other sign, and without the second term
        case ast.BinOp(op=ast.Mult() | ast.Div()):
            return 1
        case ast.If() | ast.While():
            return 1
        case ast.Constant(value=bool() | int() | float()):
            return 1
    return 0


def _changed(node: ast.AST, change: int) -> ast.AST:
    """The node, changed; `node` belongs to the caller's own copy of the tree."""
    match node:
        case ast.BinOp() if change == 1:
            return node.left
        case ast.Compare():
            return ast.Compare(node.left, [SWAPS[type(node.ops[0])]()], node.comparators)
        case ast.BoolOp():
            return ast.BoolOp(SWAPS[type(node.op)](), node.values)
        case ast.BinOp():
            return ast.BinOp(node.left, SWAPS[type(node.op)](), node.right)
        case ast.UnaryOp():
            return node.operand
        case ast.IfExp():
            return node.body
        case ast.If():
            return ast.If(ast.Constant(True), node.body, node.orelse)
        case ast.While():
            return ast.While(ast.Constant(False), node.body, node.orelse)
        case ast.Constant(value=bool() as truth):
            return ast.Constant(not truth)
        case ast.Constant(value=int() | float() as number):
            return ast.Constant(number + 1)
    raise AssertionError(ast.dump(node))


class _Replaced(ast.NodeTransformer):
    """A tree in which one node is another."""

    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self.old, self.new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        return self.new if node is self.old else self.generic_visit(node)


class Runs:
    """Runs of the same tests over a copy of the tree, by `tests.mutate_runs`."""

    def __init__(self, copy_of_tree: Path, tests: list[str]) -> None:
        self.tree = copy_of_tree
        self.timeout_s = TIMEOUT_S
        self._process = subprocess.Popen(
            [sys.executable, "-P", str(ROOT / "tests" / "mutate_runs.py"), *tests],
            cwd=copy_of_tree,
            env=os.environ | {"PYTHONPATH": str(copy_of_tree)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> "Runs":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()

    def survives(self, module: Path, source: str) -> bool:
        """Whether the tests pass although the module is `source`. A run that takes too long counts as noticed."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        (self.tree / module).write_text(source)
        Path(cache_from_source(self.tree / module)).unlink(missing_ok=True)  # it tells sources by size and second
        began_s = time.monotonic()
        self._process.stdin.write(f"{self.timeout_s}\n")
        self._process.stdin.flush()
        passed = self._process.stdout.readline().strip() == "0"
        if passed:
            self.timeout_s = min(self.timeout_s, max(SHORTEST_TIMEOUT_S, 10 * (time.monotonic() - began_s)))
        return passed


def copied(folder: Path) -> Path:
    """A copy of the tree, without what version control ignores."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
        text=True,
    ).stdout
    for name in filter(None, listed.split("\0")):
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, folder / name)
    return folder


def main(argv: list[str] | None = None) -> int:
    """Mutate one module; 0 if its tests noticed each mutation that was tried."""
    options = argparse.ArgumentParser(prog="python -m tests.mutate", description=__doc__)
    options.add_argument("module", type=Path)
    options.add_argument("tests", nargs="*", help="instead of the module's own")
    options.add_argument("--most", type=int, default=40, help="mutations tried, picked at random (default 40)")
    options.add_argument("--seed", type=int, default=0)
    asked = options.parse_args(argv)
    tests = asked.tests or [str(file_of(asked.module))]
    original = (ROOT / asked.module).read_text()
    every = list(mutations(original))
    tried = random.Random(asked.seed).sample(every, min(asked.most, len(every)))
    alive = 0
    with (
        tempfile.TemporaryDirectory(prefix="everymetre-mutate-") as folder,
        Runs(copied(Path(folder)), tests) as runs,
    ):
        if not runs.survives(asked.module, original):
            print(f"{', '.join(tests)} fail without any mutation: mend them first")
            return 2
        for mutation in sorted(tried, key=lambda m: m.line):
            if runs.survives(asked.module, mutation.source):
                alive += 1
                print(f"{asked.module}:{mutation.line}: not noticed: {mutation.what}", flush=True)
    print(f"{len(tried)} of {len(every)} mutations tried, {len(tried) - alive} noticed, {alive} not")
    return 1 if alive else 0


if __name__ == "__main__":
    sys.exit(main())
