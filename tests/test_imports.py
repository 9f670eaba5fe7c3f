"""What is imported before anything is done: forty monitors start in the tests by killing, and each one pays."""

import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path

import pytest

HEAVY = {"dash", "duckdb", "flask", "iotcore", "numba", "pandas", "plotly", "pyarrow.dataset", "reportlab", "scipy"}
HELP = "import contextlib, monitor.__main__ as m\nwith contextlib.suppress(SystemExit): m.main(['--help'])"


def after(code: str) -> tuple[str, set[str]]:
    """What a process prints and has imported when it has run the code."""
    words = [sys.executable, "-c", f"{code}\nimport sys; print('---', *sys.modules)"]
    here = Path(__file__).parents[1]
    printed, _, modules = subprocess.run(words, capture_output=True, check=True, cwd=here, text=True).stdout.rpartition(
        "---"
    )
    return printed, set(modules.split())


@pytest.mark.parametrize("module", ["monitor.shell.service", "monitor.store.reader", "monitor.core.engine"])
def test_a_monitor_starts_without_what_others_need(module):
    _, imported = after(f"import {module}")
    assert module in imported
    assert imported & HEAVY == set()


def test_the_pages_start_without_what_single_answers_need():
    _, imported = after("import dashboard.app")
    assert imported & {"numba", "pandas", "reportlab", "scipy.optimize", "scipy.stats"} == set()


def test_help_imports_no_command_and_says_of_each_what_it_says_itself():
    printed, imported = after(HELP)
    assert imported & (HEAVY | {"numpy", "pydantic", "sqlalchemy"}) == set()
    for entry in entry_points(group="everymetre.commands"):
        assert f"  {entry.name:<10} {entry.load().summary}\n" in printed
        assert entry.module not in imported, f"{entry.name} is missing in SUMMARIES of its package's commands"
