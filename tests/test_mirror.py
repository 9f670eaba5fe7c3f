"""The tests mirror the packages: what checks a module is found under its own name, or the module is listed here."""

from pathlib import Path

ROOT = Path(__file__).parents[1]
NOT_YET = ROOT / "tests" / "without_tests_of_their_own.txt"  # it may only become shorter
PAGES = Path("dashboard/pages")


def file_of(module: Path) -> Path:
    """`monitor/core/track.py` -> `tests/core/test_track.py`; a page, which is a folder, has one file for all of it."""
    if module.is_relative_to(PAGES) and module.parent != PAGES:
        module = module.parent.with_suffix(".py")
    return Path("tests", *[part for part in module.parent.parts if part != "monitor"], f"test_{module.name}")


def modules() -> list[Path]:
    found = (
        path.relative_to(ROOT)
        for part in ("monitor", "simulator", "dashboard")
        for path in ROOT.glob(f"{part}/**/*.py")
    )
    return sorted(m for m in found if not m.name.startswith("__") and "versions" not in m.parts)


def test_each_module_has_its_tests_under_its_own_name():
    listed = set(NOT_YET.read_text().split())
    without = {str(m) for m in modules() if not (ROOT / file_of(m)).is_file()}
    assert without - listed == set(), "write the file of tests that `file_of` names"
    assert listed - without == set(), f"these have their tests now: take them out of {NOT_YET.name}"
