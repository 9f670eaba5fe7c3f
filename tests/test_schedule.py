"""How workers share the tests: each named file is there, a file stays whole, what waits is parted and comes first."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

from tests.schedule import LONG, PARTED, SHARED, WAITING, in_order, next_unit, unit

ROOT = Path(__file__).parents[1]
KILLS, MARKED, OTHER = WAITING[0], LONG[0], "tests/core/test_track.py"


def test_every_file_that_is_named_exists():
    for file in (*WAITING, *LONG, *PARTED, *SHARED, *SHARED.values(), OTHER):
        assert (ROOT / file).is_file(), f"{file} is not there: correct its name in tests/schedule.py"


def test_a_file_is_one_unit_unless_its_cases_wait():
    assert unit(f"{OTHER}::test_a") == unit(f"{OTHER}::TestB::test_c[x::y]") == OTHER
    assert unit(f"{KILLS}::test_a[1]") != unit(f"{KILLS}::test_a[2]")
    for file, other in SHARED.items():
        assert unit(f"{file}::test_a") == unit(f"{other}::test_b")


def item(nodeid: str) -> Any:
    """What is read of a test."""
    return SimpleNamespace(nodeid=nodeid)


def test_what_waits_comes_first_then_what_is_long_and_the_rest_as_it_was():
    order = [f"{OTHER}::test_b", f"{MARKED}::test_a", f"{OTHER}::test_a", f"{KILLS}::test_b", f"{KILLS}::test_a"]
    ordered = [item.nodeid for item in in_order([item(s) for s in order])]
    assert ordered == [order[3], order[4], order[1], order[0], order[2]]


def test_some_workers_take_what_waits_and_the_others_what_computes_as_long_as_there_is_any():
    waiting, computing = f"{KILLS}::test_a", MARKED
    for units in ([waiting, computing], [computing, waiting]):
        assert next_unit(units, to_wait=True) == waiting
        assert next_unit(units, to_wait=False) == computing
    assert next_unit([computing], to_wait=True) == computing
    assert next_unit([waiting], to_wait=False) == waiting
