"""What a test's own process and its children took is counted."""

import contextlib
import subprocess
import sys
from types import SimpleNamespace
from typing import Any

from tests.cpu_time import CPU_S, CpuTime

BUSY = "import time\nwhile time.process_time() < {}: pass"


def reported(times: CpuTime) -> float:
    """What the next phase of a test is said to have taken."""
    hook = times.pytest_runtest_makereport()
    next(hook)
    report: Any = SimpleNamespace(user_properties=[])
    with contextlib.suppress(StopIteration):
        hook.send(report)
    [(name, value)] = report.user_properties
    assert name == CPU_S
    return value


def test_a_phase_takes_what_it_and_its_children_spent_since_the_last():
    times = CpuTime()
    subprocess.run([sys.executable, "-c", BUSY.format(0.2)], check=True)
    assert reported(times) >= 0.2
    assert reported(times) < 0.2


def phase(test: str, *properties: list[object]) -> Any:
    """A report of a phase, as far as it is read."""
    return SimpleNamespace(nodeid=test, user_properties=properties)


def test_phases_are_summed_by_file_and_within_one_by_test():
    times = CpuTime()
    for test, cpu_s in (("a.py::test_b[c::d]", 1.0), ("a.py::test_b[c::d]", 2.0), ("a.py::test_e", 4.0)):
        times.pytest_runtest_logreport(phase(test, ["other", "x"], [CPU_S, cpu_s]))
    assert times.sums() == {"a.py::test_b[c::d]": 3.0, "a.py::test_e": 4.0}
    times.pytest_runtest_logreport(phase("f.py::test_g", [CPU_S, 0.5]))
    assert times.sums() == {"a.py": 7.0, "f.py": 0.5}
