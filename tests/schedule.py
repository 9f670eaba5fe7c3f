"""The order in which parallel workers (`pytest -n`) take the tests, and what stays together on one worker.

There are more workers than cores. As many as there are more take the cases that mostly wait for other processes, each
by itself; one a core takes what computes, the longest files first, so that no core is ever idle and few processes
compete while something is timed. All files but those named here stay whole, so that their fixtures are made once.
(`xdist_group` marks do this in general, but xdist 3.8 loses them with pytest 9.2.)
"""

import os
from collections.abc import Iterable, Sequence

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling
from xdist.workermanage import WorkerController

WAITING = (
    "tests/shell/test_kills.py",
    "tests/shell/test_network.py",
    "tests/shell/test_fifty.py",
    "tests/commands/test_run.py",
    "tests/shell/test_service.py",
    "tests/shell/test_tls.py",
)
LONG = (
    "tests/e2e/test_dashboard_pages.py",
    "tests/scenarios/test_marked.py",
    "tests/commands/test_doctor.py",
    "tests/shell/test_restart_law.py",
    "tests/shell/test_salvage.py",
    "tests/statistics/test_recurrence.py",
    "tests/shell/test_doctor_rebuild.py",
    "tests/shell/test_fillings.py",
    "tests/commands/test_rehearse.py",
    "tests/shell/test_restore.py",
    "tests/shell/test_fuzz.py",
    "tests/store/test_writer.py",
    "tests/shell/test_stop.py",
    "tests/e2e/test_limits_page.py",
    "tests/scenarios/test_whole_cable.py",
    "tests/test_fuzz.py",
)
PARTED = ("tests/world/test_world.py",)  # long files whose cases share nothing
SHARED = {"tests/scenarios/test_recurring.py": "tests/scenarios/test_marked.py"}  # what was computed for the other
_ORDER = {file: i for i, file in enumerate((*WAITING, *LONG, *PARTED))}


def unit(test: str) -> str:
    """What a worker takes at once: a case that waits, or else the file of a test."""
    file = test.split("::")[0]
    return test if file in (*WAITING, *PARTED) else SHARED.get(file, file)


def in_order(items: Sequence[pytest.Item]) -> list[pytest.Item]:
    """Tests as workers should begin them."""
    return sorted(items, key=lambda item: _ORDER.get(unit(item.nodeid).split("::")[0], len(_ORDER)))


def waits(unit: str) -> bool:
    """Whether a unit is a case that mostly waits."""
    return unit.split("::")[0] in WAITING


def next_unit(units: Iterable[str], to_wait: bool) -> str:
    """The first unit that waits, or the first that computes; whatever is first where there is none such."""
    units = list(units)
    return next((unit for unit in units if waits(unit) == to_wait), units[0])


class Schedule(LoadScopeScheduling):  # type: ignore[misc]  # xdist has no types
    """Units in the order of collection, those that wait to some workers and those that compute to the others."""

    def __init__(self, config: pytest.Config, log: Producer | None = None) -> None:
        super().__init__(config, log)
        config.option.loadscopereorder = False
        self.computing = min(os.cpu_count() or 1, max(self.numnodes - 1, 1))  # workers

    def _split_scope(self, nodeid: str) -> str:
        return unit(nodeid)

    def _assign_work_unit(self, node: WorkerController) -> None:
        to_wait = self.nodes.index(node) >= self.computing
        self.workqueue.move_to_end(next_unit(self.workqueue, to_wait), last=False)
        super()._assign_work_unit(node)

    def _reschedule(self, node: WorkerController) -> None:
        """One unit ahead of the running one, not two as xdist has it: a long one would wait behind another."""
        if not self.workqueue or self._pending_of(self.assigned_work[node]) < 2:
            super()._reschedule(node)
