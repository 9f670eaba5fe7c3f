"""Rules that hold in every folder: one name for one thing, fields by name, functions that fit on a screen."""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]


def trees() -> Iterator[tuple[str, ast.Module]]:
    for part in ("monitor", "simulator", "dashboard"):
        for path in sorted((ROOT / part).rglob("*.py")):
            yield str(path.relative_to(ROOT)), ast.parse(path.read_text(encoding="utf-8"))


def classes() -> Iterator[tuple[str, ast.ClassDef]]:
    for path, tree in trees():
        yield from ((path, node) for node in ast.walk(tree) if isinstance(node, ast.ClassDef))


def test_f6_a_class_name_means_one_thing():
    named = defaultdict(list)
    for path, node in classes():
        named[node.name].append(path)
    assert {name: paths for name, paths in named.items() if len(paths) > 1} == {}


LINES_MOST = 50
LONGER = {("monitor/physics/heat_march.py", "_march_one_by_one")}  # compiled: a call inside would cost a metre's time


def test_f6_a_function_fits_on_a_screen():
    found = {
        (path, node.name): node.end_lineno - node.lineno + 1
        for path, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and "/versions/" not in path
    }
    assert {name for name, lines in found.items() if lines >= LINES_MOST} == LONGER


ANY = re.compile(r"\bAny\b")


def test_f3_any_is_rare_in_the_dashboard_and_has_its_reason():
    used = []
    for path in sorted((ROOT / "dashboard").rglob("*.py")):
        lines = path.read_text(encoding="utf-8").splitlines()
        for before, line in zip(["", *lines], lines, strict=False):
            if ANY.search(line) and not line.startswith("from typing"):
                used.append(f"{path.relative_to(ROOT)}: {line.strip()}")
                assert "#" in line or before.lstrip().startswith("#"), f"say why in a comment: {used[-1]}"
    assert len(used) <= 12, used


def test_f3_helpers_of_tests_have_types():
    """A test's own arguments are fixtures and examples; what else is called says what it takes and returns."""
    untyped = []
    for path in sorted((ROOT / "tests").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not node.name.startswith("test_"):
                a = node.args
                takes = [x for x in (*a.posonlyargs, *a.args, *a.kwonlyargs, a.vararg, a.kwarg) if x is not None]
                if node.returns is None or any(x.annotation is None for x in takes if x.arg not in ("self", "cls")):
                    untyped.append(f"{path.relative_to(ROOT)}:{node.lineno}: {node.name}")
    assert untyped == []


FIELDS_MOST = 4


def by_name(node: ast.ClassDef) -> bool:
    """Whether a dataclass or struct takes its fields by name."""
    keywords = [k for d in node.decorator_list if isinstance(d, ast.Call) for k in d.keywords] + node.keywords
    return any(k.arg == "kw_only" and ast.unparse(k.value) == "True" for k in keywords)


def taken(node: ast.ClassDef) -> list[str]:
    """Fields that the constructor takes."""
    fields = (b for b in node.body if isinstance(b, ast.AnnAssign) and "ClassVar" not in ast.unparse(b.annotation))
    return [ast.unparse(b.target) for b in fields if not (b.value and "init=False" in ast.unparse(b.value))]


def test_f6_more_than_four_fields_are_given_by_name():
    made = [
        (path, node)
        for path, node in classes()
        if "dataclass" in "".join(map(ast.unparse, node.decorator_list))
        or "Struct" in "".join(map(ast.unparse, node.bases))
    ]
    found = {f"{path}:{node.name}" for path, node in made if len(taken(node)) > FIELDS_MOST and not by_name(node)}
    assert found == set()
