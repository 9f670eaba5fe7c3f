"""What is declared is what is imported, and what an installation takes on disk (F8, F10)."""

import ast
import re
import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.metadata import distribution, packages_distributions
from pathlib import Path
from sys import stdlib_module_names

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.docs.tables import GUIDE

ROOT = Path(__file__).parents[1]
OURS = {"monitor", "simulator", "dashboard"}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
NOT_BY_IMPORT = {"tzdata", "psycopg"}  # data that zoneinfo reads; a driver that SQLAlchemy loads by its address
BLOCK = 4096  # files take whole blocks of a disk
MB = 2**20
MOST_MB = 700


def names(requirements: Iterable[str]) -> set[str]:
    """Distributions that requirements name, without our own extras."""
    return {str(canonicalize_name(Requirement(r).name)) for r in requirements} - {"everymetre"}


def imported_by(package: str) -> set[str]:
    """Distributions that the modules of a package import, anywhere in them."""
    found: set[str] = set()
    for module in (ROOT / package).rglob("*.py"):
        for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                found.add((node.module or "").partition(".")[0])
    of = packages_distributions()
    return {canonicalize_name(of[name][0]) for name in found - OURS - set(stdlib_module_names)}


BASE, PAGES, DEMO = names(PROJECT["dependencies"]), names(EXTRAS["pages"]), names(EXTRAS["demo"])
NOTIFY = names(EXTRAS["notify"])


def test_monitor_and_simulator_import_what_is_declared_for_them():
    assert imported_by("monitor") | imported_by("simulator") <= BASE | DEMO


def test_the_pages_import_what_is_declared_for_them():
    assert imported_by("dashboard") <= BASE | PAGES | NOTIFY


def test_nothing_is_declared_that_is_not_used():
    used = set().union(*map(imported_by, OURS)) | NOT_BY_IMPORT
    assert BASE | PAGES | DEMO | NOTIFY | names(EXTRAS["postgres"]) <= used


def test_what_the_pages_alone_need_is_not_installed_without_them():
    assert imported_by("monitor") | imported_by("simulator") >= BASE - NOT_BY_IMPORT


def test_versions_of_all_that_is_declared_were_tested():
    pinned = names((ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").split())
    assert BASE.union(*map(names, EXTRAS.values())) <= pinned


@cache
def size_mb(name: str) -> float:
    """What the files of a distribution take on disk, with the bytecode beside them."""
    files = [distribution(name).locate_file(file) for file in distribution(name).files or ()]
    taken = [Path(str(file)).stat().st_size for file in files if Path(str(file)).is_file()]
    return sum(-(-size // BLOCK) * BLOCK for size in taken) / MB


def closure(wanted: Iterable[str]) -> set[str]:
    """Distributions with all that they need."""
    found: set[str] = set()
    left = list(wanted)
    while left:
        name = left.pop()
        if name not in found:
            found.add(name)
            needed = [Requirement(r) for r in distribution(name).requires or ()]
            left += [canonicalize_name(r.name) for r in needed if not r.marker or r.marker.evaluate({"extra": ""})]
    return found


def total_mb(wanted: set[str]) -> float:
    return sum(map(size_mb, closure(wanted)))


def test_an_installation_without_the_pages_takes_less_than_700_mb():
    assert 300 < total_mb(BASE) < MOST_MB


@pytest.fixture(scope="module")
def weighed() -> dict[str, float]:
    """The guide's table of what the large parts take: MB by name."""
    rows = re.findall(r"^\| ([\w, -]+) \| (\d+) \|", GUIDE.read_text(encoding="utf-8"), re.MULTILINE)
    return {label: float(mb) for label, mb in rows}


def test_the_guide_says_what_each_large_part_takes(weighed):
    every = closure(BASE | PAGES)
    large = {name for name in every if size_mb(name) >= 20}
    listed = {name for label in weighed for name in label.split(", ")}
    assert large <= listed
    for label, mb in weighed.items():
        parts = set(label.split(", "))
        if parts <= every:
            assert sum(map(size_mb, parts)) == pytest.approx(mb, rel=0.25), label
    assert total_mb(BASE) == pytest.approx(weighed["all without the pages"], rel=0.15)
    assert total_mb(BASE | PAGES) == pytest.approx(weighed["all with the pages"], rel=0.15)
