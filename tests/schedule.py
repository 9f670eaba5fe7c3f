"""The order in which parallel workers (`pytest -n`) take the tests, and what stays together on one worker.

Cases that mostly wait for other processes begin first, each by itself, so that what computes fills the time in
between; then the files that take longest. All other files follow, each whole, so that its fixtures are made once.
(`xdist_group` marks do this in general, but xdist 3.8 loses them with pytest 9.2.)
"""

from collections.abc import Sequence

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadScopeScheduling

WAITING = (
    "tests/shell/test_kills.py",
    "tests/shell/test_network.py",
    "tests/shell/test_fifty.py",
    "tests/commands/test_run.py",
    "tests/shell/test_service.py",
    "tests/shell/test_tls.py",
)
LONG = (
    "tests/scenarios/test_marked.py",
    "tests/e2e/test_dashboard_pages.py",
    "tests/statistics/test_recurrence.py",
    "tests/e2e/test_limits_page.py",
    "tests/commands/test_rehearse.py",
    "tests/store/test_writer.py",
    "tests/scenarios/test_whole_cable.py",
    "tests/test_fuzz.py",
)
PARTED = ("tests/world/test_world.py",)  # long files whose cases share nothing
SHARED = {"tests/scenarios/test_recurring.py": "tests/scenarios/test_marked.py"}  # what was computed for the other
_ORDER = {file: i for i, file in enumerate((*WAITING, *PARTED, *LONG))}


def unit(test: str) -> str:
    """What a worker takes at once: a case that waits, or else the file of a test."""
    file = test.split("::")[0]
    return test if file in (*WAITING, *PARTED) else SHARED.get(file, file)


def in_order(items: Sequence[pytest.Item]) -> list[pytest.Item]:
    """Tests as workers should begin them."""
    return sorted(items, key=lambda item: _ORDER.get(unit(item.nodeid).split("::")[0], len(_ORDER)))


class Schedule(LoadScopeScheduling):
    """Units in the order of collection; each worker takes the next one when it has few tests left."""

    def __init__(self, config: pytest.Config, log: Producer | None = None) -> None:
        super().__init__(config, log)
        config.option.loadscopereorder = False

    def _split_scope(self, nodeid: str) -> str:
        return unit(nodeid)
