"""What is public is used by the product, not only by tests (F7); the list of exceptions only shrinks."""

import ast
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGES = ("monitor", "simulator", "dashboard")
EXCEPTIONS = Path(__file__).with_name("used_by_tests_alone.txt")
Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def modules() -> Iterator[tuple[str, ast.Module]]:
    """Dotted name and syntax of each module, but for Alembic's revisions, which Alembic calls."""
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            if "versions" not in path.parts:
                yield (
                    ".".join(path.relative_to(ROOT).with_suffix("").parts),
                    ast.parse(path.read_text(encoding="utf-8")),
                )


PLAIN = {"dataclass", "property", "classmethod", "staticmethod", "cache", "contextmanager", "asynccontextmanager"}


def public(body: list[ast.stmt]) -> Iterator[Definition]:
    """Definitions with public names that no decorator takes up at once, as a route's or a validator's does."""
    for node in body:
        if isinstance(node, Definition) and not node.name.startswith("_"):
            takers = {ast.unparse(d).partition("(")[0] for d in node.decorator_list} - PLAIN
            if not takers:
                yield node


def plain_names(tree: ast.AST) -> Counter[str]:
    """Names as they stand: they mean something of this module, or of another that it imports them from."""
    return Counter(node.id for node in ast.walk(tree) if isinstance(node, ast.Name))


def names_elsewhere(tree: ast.AST) -> Counter[str]:
    """Names that may mean something of another module: imported, after a dot, by keyword, or a word of a text."""
    found: Counter[str] = Counter()
    for node in ast.walk(tree):
        match node:
            case ast.Attribute(attr=name) | ast.alias(name=name) | ast.keyword(arg=str(name)):
                found[name] += 1
            case ast.Constant(value=str(text)) if text.replace(".", "").replace("_", "").replace(":", "").isalnum():
                found.update(text.replace(":", ".").split("."))
    return found


def unused() -> set[str]:
    """Public functions, classes and methods, as module:name, that no line of the product uses."""
    trees = dict(modules())
    entries = (ROOT / "pyproject.toml").read_text(encoding="utf-8").replace('"', ":").split(":")
    everywhere = Counter(entries) + sum(map(names_elsewhere, trees.values()), Counter())
    found = set()
    for module, tree in trees.items():
        here = plain_names(tree)
        for node in public(tree.body):
            uses = everywhere[node.name] + here[node.name]
            if uses <= names_elsewhere(node)[node.name] + plain_names(node)[node.name]:
                found.add(f"{module}:{node.name}")
            methods = public(node.body) if isinstance(node, ast.ClassDef) and not inherits(node) else ()
            found |= {
                f"{module}:{node.name}.{m.name}" for m in methods if everywhere[m.name] <= names_elsewhere(m)[m.name]
            }
    return found


def inherits(node: ast.ClassDef) -> bool:
    """Whether methods may be called by whom the base belongs to."""
    return bool(node.bases) and ast.unparse(node.bases[0]) not in ("Protocol",)


def test_what_is_public_is_used_outside_tests():
    known = set(EXCEPTIONS.read_text(encoding="utf-8").split())
    assert unused() <= known, "used by tests alone: use it in the product, or take it out"
    assert known <= unused(), "used by now, or gone: take it off the list"
