"""Mutations of a module: each is one change that compiles, and tests that look notice it where others do not."""

import ast
from pathlib import Path

from tests import mutate
from tests.test_mirror import file_of

SOURCE = '''"""Doc."""
def share(a, b, whole=True):
    if whole and a > 0:
        return a / (a + b)
    return 0.5
'''


def test_each_mutation_changes_one_place_and_compiles():
    found = list(mutate.mutations(SOURCE))
    assert len({m.source for m in found}) == len(found)
    assert all(m.source != ast.unparse(ast.parse(SOURCE)) for m in found)
    for m in found:
        compile(m.source, "mutated", "exec")
    mutations = {m.what for m in found}
    assert {"a > 0  ->  a >= 0", "a + b  ->  a - b", "a + b  ->  a", "True  ->  False", "0.5  ->  1.5"} <= mutations


def test_a_mutation_survives_only_tests_that_do_not_look(tmp_path):
    """Both mutations have as many characters as the module, and come within a second of it: no bytecode is reused."""
    module = Path("it.py")
    ignored = SOURCE.replace("0.5", "1.5")
    noticed = SOURCE.replace("a + b", "a - b")
    (tmp_path / "test_it.py").write_text("from it import share\n\n\ndef test_it():\n    assert share(1, 3) == 0.25\n")
    with mutate.Runs(tmp_path, ["test_it.py"]) as runs:
        assert [runs.survives(module, source) for source in (SOURCE, noticed, ignored, noticed, SOURCE)] == [
            True, False, True, False, True,
        ]  # fmt: skip


def test_a_run_that_takes_too_long_counts_as_noticed(tmp_path):
    (tmp_path / "test_it.py").write_text("from it import wait\n\n\ndef test_it():\n    wait()\n")
    with mutate.Runs(tmp_path, ["test_it.py"]) as runs:
        assert runs.survives(Path("it.py"), "def wait():\n    return None\n")
        runs.timeout_s = 0.2
        assert not runs.survives(Path("it.py"), "def wait():\n    while True:\n        pass\n")


def test_the_tests_of_a_module_carry_its_name():
    assert file_of(Path("monitor/core/track.py")) == Path("tests/core/test_track.py")
    assert file_of(Path("dashboard/pages/drum/layout.py")) == Path("tests/dashboard/pages/test_drum.py")
    assert file_of(Path("simulator/cable.py")) == Path("tests/simulator/test_cable.py")
