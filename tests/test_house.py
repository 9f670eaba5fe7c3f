"""Rules that hold in every folder: one name for one thing, fields by name, functions that fit on a screen."""

import ast
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
