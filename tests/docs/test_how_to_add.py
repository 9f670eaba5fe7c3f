"""The guide's "How to add" done to the letter on a copy of the tree: what it says is enough (F10)."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.store.schema import SCHEMA_VERSION
from tests.docs.tables import GUIDE

ROOT = GUIDE.parent
COPIED = ("configs", "dashboard", "monitor", "simulator", "tests", "pyproject.toml", "README.md", "DEVELOPERS.md")

STREAM = """
[[stream]]
station = "capstan"
quantity = "bearing"
unit = "degC"
interval_s = 1.0
"""
WINDOW = """
[[window]]
stream = "capstan/bearing"
unit = "degC"
states = ["running"]
hi = 80.0

[window.high]
cause = "Bearing."
consequence = "The capstan may stop."
corrective_action = "Stop the line. Caution: hot surface."
time_to_respond_s = 600
"""
MAPPING = """
[[constant]]
stream = "metre-counter/speed"
value = 100.0
interval_s = 1.0

[story]
recipe = "{recipe}"
"""
PAGE = """\"\"\"The page Trial.\"\"\"

from dash import html

from dashboard.page import Page, Shows

PAGE = Page(
    path="trial", title="Trial", question="Does it work?", group="Why", order=99, shows=Shows.WORKS,
    layout=lambda context: html.H1(context.configuration.works.title),
)  # fmt: skip
"""
EVENT_KIND = """
[[event_kind]]
name = "burner"
title = "Burner out of step"
causes = ["{cause}"]
same = "station"
guard_s = 60.0
"""
COMMAND = """\"\"\"The command `everymetre greet`.\"\"\"

from argparse import ArgumentParser, Namespace

from monitor.analysis.trial import half
from monitor.commands import SUMMARIES
from monitor.contract.command import Command


def _options(parser: ArgumentParser) -> None:
    parser.add_argument("metres", type=float)


def _run(options: Namespace) -> int:
    print(f"half of it is {half(options.metres):g} m")
    return 0


COMMAND = Command(SUMMARIES["greet"], _options, _run)
"""
ANALYSIS = """\"\"\"A trial analysis.\"\"\"


def half(length_m: float) -> float:
    \"\"\"Half of a length [m].\"\"\"
    return length_m / 2
"""


def recipes() -> dict[str, str]:
    """The guide's paragraphs by the thing that is added."""
    text = GUIDE.read_text(encoding="utf-8").partition("## How to add")[2].partition("\n## ")[0]
    return dict(re.findall(r"^- \*\*(?:A|An) ([a-z ]+):\*\* (.*?)(?=\n- |\Z)", text.strip(), re.MULTILINE | re.DOTALL))


class Copy:
    """The tree with something of each kind added."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in COPIED:
            copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy
            copy(ROOT / name, folder / name)

    def write(self, name: str, text: str) -> None:
        (self.folder / name).parent.mkdir(exist_ok=True)
        (self.folder / name).write_text(text, encoding="utf-8")
        path = self.folder / name  # changed within a second, and of one size, it would be taken for what was compiled
        for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
            compiled.unlink()

    def edit(self, name: str, old: str, new: str) -> None:
        text = (self.folder / name).read_text(encoding="utf-8")
        assert old in text, f"{name}: {old}"
        self.write(name, text.replace(old, new, 1))

    def append(self, name: str, text: str) -> None:
        self.write(name, (self.folder / name).read_text(encoding="utf-8") + text)

    def run(self, *words: str, module: str = "monitor", fails: bool = False) -> str:
        """What a command of the copy prints."""
        found = {**os.environ, "PYTHONPATH": str(self.folder)}
        done = subprocess.run(
            [sys.executable, "-m", module, *words],
            cwd=self.folder,
            env=found,
            capture_output=True,
            text=True,
            timeout=300,
        )
        assert (done.returncode != 0) is fails, done.stdout + done.stderr
        return done.stdout + done.stderr


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Copy:
    return Copy(tmp_path_factory.mktemp("tree"))


def test_every_recipe_of_the_guide_is_tried_here():
    assert set(recipes()) == {
        "stream", "kind of event", "check", "line", "page", "table or column", "command", "analysis"
    }  # fmt: skip


def test_a_stream_is_a_table_in_the_line_and_a_window_in_the_recipe(tree):
    """Every line that runs the recipe has the stream; where one has not, `check` reports it."""
    lines = [f.name for f in (tree.folder / "configs" / "lines").glob("core-*.toml")]
    recipes_of_cores = [f.name for f in (tree.folder / "configs" / "recipes").glob("core-*.toml")]
    tree.append(f"configs/recipes/{recipes_of_cores[0]}", WINDOW)
    assert "capstan/bearing" in tree.run("check", "configs", fails=True)
    for name in lines:
        tree.append(f"configs/lines/{name}", STREAM)
    assert "no fault" in tree.run("check", "configs")
    rows = "".join(f"2024-01-01T00:{s // 60:02}:{s % 60:02}Z,capstan/bearing,90\n" for s in range(300))
    tree.write("hot.csv", f"time,stream,value\n{rows}")
    tree.write("mapping.toml", MAPPING.format(recipe=recipes_of_cores[0].removesuffix(".toml")))
    assert "capstan/bearing/HI 1" in tree.run("replay", "hot.csv", "--line", "core-1", "--mapping", "mapping.toml")


def test_a_kind_of_event_is_a_table_in_the_line(tree):
    tree.append("configs/lines/core-1.toml", EVENT_KIND.format(cause="no-such/stream/HI"))
    assert "no-such/stream/HI" in tree.run("check", "configs", fails=True)
    tree.edit("configs/lines/core-1.toml", "no-such/stream/HI", "oven-b/temperature/HI")
    assert "no fault" in tree.run("check", "configs")


def test_a_line_is_a_file(tree):
    text = (tree.folder / "configs/lines/core-2.toml").read_text()
    tree.write("configs/lines/core-9.toml", text.replace('line = "core-2"', 'line = "core-9"'))
    assert "no fault" in tree.run("check", "configs")


def test_a_page_is_a_folder(tree):
    tree.write("dashboard/pages/trial/__init__.py", PAGE)
    code = "from dashboard.pages import PAGES, navigation; print(navigation()['Why'][-1], len(PAGES))"
    tree.write("probe.py", code)
    assert "('/trial', 'Trial', 'Does it work?')" in tree.run(module="probe")


def test_a_column_is_a_change_of_the_schema_a_drafted_revision_and_a_version(tree):
    tree.edit(
        "monitor/store/schema.py",
        "LEDGER = Table(\n",
        'TRIAL = Table("trial", METADATA, Column("n", Integer, primary_key=True))\nLEDGER = Table(\n',
    )
    printed = tree.run("Add a trial", module="monitor.store.migrations").strip()
    drafted = Path(printed.splitlines()[-1])
    assert drafted.is_relative_to(tree.folder)
    assert 'create_table("trial"' in drafted.read_text().replace("\n", "").replace("  ", "").replace("'", '"')
    tree.edit("monitor/store/schema.py", f"SCHEMA_VERSION = {SCHEMA_VERSION}", f"SCHEMA_VERSION = {SCHEMA_VERSION + 1}")
    words = ["-q", "-p", "no:cacheprovider", "tests/store/test_upgrade.py", "-k", "chain or (first_to_last and sqlite)"]
    assert "2 passed" in tree.run(*words, module="pytest")


def test_a_command_and_an_analysis_are_modules_named_where_they_are_found(tree):
    tree.write("monitor/analysis/trial.py", ANALYSIS)
    tree.write("monitor/commands/greet.py", COMMAND)
    tree.edit("monitor/commands/__init__.py", "SUMMARIES = {\n", 'SUMMARIES = {\n    "greet": "Halve a length.",\n')
    tree.edit("pyproject.toml", 'run = "monitor', 'greet = "monitor.commands.greet:COMMAND"\nrun = "monitor')
    pip = (
        "install",
        "-q",
        "--no-deps",
        "--no-compile",
        "--no-build-isolation",
        "--target",
        str(tree.folder / "installed"),
        str(tree.folder),
    )
    tree.run(*pip, module="pip")
    for found in (tree.folder / "installed").glob("everymetre-*.dist-info"):
        shutil.copytree(found, tree.folder / found.name)  # the entry points that an installation knows
    assert "greet      Halve a length." in tree.run("--help")
    assert tree.run("greet", "5") == "half of it is 2.5 m\n"


def test_what_was_added_has_tests_of_its_own_is_used_and_is_in_the_tables(tree):
    """After all of the above: the tests that hold the guide's first sentence."""
    for name in ("analysis/test_trial.py", "commands/test_greet.py", "dashboard/pages/test_trial.py"):
        tree.write(f"tests/{name}", "")
    tree.run(module="tests.docs")
    assert "`trial` (a trial analysis)" in (tree.folder / "DEVELOPERS.md").read_text(encoding="utf-8")
    tree.write(
        "probe.py",
        "from tests.test_mirror import *; print([m for m in modules() if not (ROOT / file_of(m)).is_file()])",
    )
    without = tree.run(module="probe")
    assert "trial" not in without
    assert "greet" not in without
    assert "1 passed" in tree.run("-q", "-p", "no:cacheprovider", "tests/test_used.py", module="pytest")


LAYOUT = "test_the_layout_is_the_one_described_for_its_version"
CHECK = """\"\"\"A trial check.\"\"\"

from dataclasses import dataclass


@dataclass(slots=True)
class Trial:
    \"\"\"Counts.\"\"\"

    count: int = 0
"""


def test_what_a_check_carries_is_part_of_snapshots_and_a_test_says_so(tree):
    """The class and its place in `stream`; what is judged with it is the author's to test."""
    tree.write("monitor/core/trial.py", CHECK)
    stream = "monitor/core/stream.py"
    field = "    tape: Tape | None = None\n"
    tree.edit(stream, field, f"{field}    trial: Trial | None = None\n")
    imported = "from monitor.core.track import"
    tree.edit(stream, imported, f"from monitor.core.trial import Trial\n{imported}")
    output = tree.run(
        "-q", "-x", "-p", "no:cacheprovider", f"tests/core/test_snapshot.py::{LAYOUT}", module="pytest", fails=True
    )
    assert "raise VERSION" in output
    assert "tests.core.snapshots" in output
