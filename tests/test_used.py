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


def public(body: list[ast.stmt]) -> Iterator[Definition]:
    """Definitions with public names that nothing takes up at once, as a decorator would."""
    for node in body:
        if isinstance(node, Definition) and not node.name.startswith("_"):
            taken = [d for d in node.decorator_list if ast.unparse(d).partition("(")[0] not in PLAIN]
            if not taken:
                yield node


PLAIN = {"dataclass", "property", "classmethod", "staticmethod", "cache", "contextmanager", "asynccontextmanager"}


def names_in(tree: ast.AST) -> Iterator[str]:
    """Every name that is used, and every word of a text that may be one: entry points, `getattr`, annotations."""
    for node in ast.walk(tree):
        match node:
            case ast.Name(id=name) | ast.Attribute(attr=name) | ast.alias(name=name) | ast.keyword(arg=str(name)):
                yield name.rpartition(".")[2]
            case ast.Constant(value=str(text)) if text.replace(".", "").replace("_", "").isalnum():
                yield from text.split(".")


def unused() -> set[str]:
    """Public functions, classes and methods, as module:name, that no line of the product uses."""
    found: list[tuple[str, Definition]] = []
    used: Counter[str] = Counter((ROOT / "pyproject.toml").read_text(encoding="utf-8").replace('"', ":").split(":"))
    for module, tree in modules():
        used.update(names_in(tree))
        for node in public(tree.body):
            found.append((f"{module}:{node.name}", node))
            if isinstance(node, ast.ClassDef) and not inherits(node):
                found += [(f"{module}:{node.name}.{m.name}", m) for m in public(node.body)]
    return {place for place, node in found if used[node.name] <= Counter(names_in(node))[node.name]}


def inherits(node: ast.ClassDef) -> bool:
    """Whether methods may be called by whom the base belongs to."""
    return bool(node.bases) and ast.unparse(node.bases[0]) not in ("Protocol",)


def test_what_is_public_is_used_outside_tests():
    known = set(EXCEPTIONS.read_text(encoding="utf-8").split()) if EXCEPTIONS.exists() else set()
    assert unused() <= known, "used by tests alone: use it in the product, or take it out"
    assert known <= unused(), "used by now, or gone: take it off the list"
