"""Findings of an interval, on either database: all that touch it, short, long and open ones, and no other."""

from collections.abc import Iterator
from math import ceil, floor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, delete, insert

from monitor.store.findings import findings_on_metres, read_findings
from monitor.store.schema import FINDING, LONG_FINDING_M
from monitor.store.writer import Writer
from tests.core.script import finding
from tests.shell.works import settings_at

LENGTHS = st.one_of(st.none(), st.floats(0, 5), st.floats(0.9, 3.0).map(lambda x: x * LONG_FINDING_M))
FINDINGS = st.lists(st.tuples(st.floats(0, 10_000), LENGTHS), max_size=12)


@pytest.fixture
def store(place: Path) -> Iterator[Engine]:
    writer = Writer(settings_at(place))
    yield writer.engine
    writer.close()


def row(number: int, start_m: float, length_m: float | None, line: str) -> dict[str, object]:
    one = finding(start_m, None if length_m is None else start_m + length_m)
    return {
        "line": line, "key": f"{number}", "kind": one.kind.value, "stream": one.stream, "check_name": one.check,
        "verdict": int(one.verdict), "start_m": one.start_m, "end_m": one.end_m, "start_ms": 0,
        "end_ms": None if length_m is None else 1000, "extreme": None, "limit_value": None, "unit": "", "text": "",
        "by_whom": "", "reason": "",
    }  # fmt: skip


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(found=FINDINGS, a=st.floats(0, 12_000), length=st.floats(0, 3000))
def test_it_is_what_reading_all_of_them_would_find(store, found, a, length):
    with store.begin() as c:
        c.execute(delete(FINDING))
        for i, (start_m, long) in enumerate(found):
            c.execute(insert(FINDING), [row(i, start_m, long, "core-1"), row(i, start_m, long, "core-2")])
        got = read_findings(c, "core-1", a, a + length)
        on_metres = findings_on_metres(c, "core-1", a, a + length)
    touching = [
        f"{i}" for i, (start, long) in enumerate(found) if start < a + length and (long is None or start + long > a)
    ]
    assert sorted(f.key for f in got) == sorted(touching)
    assert {f.key for f in on_metres} == {
        f"{i}"
        for i, (start, long) in enumerate(found)
        if start < ceil(a + length) and (long is None or start + long >= floor(a))
    }
    assert [f.start_m for f in got] == sorted(f.start_m for f in got)
    assert {f.line for f in got} <= {"core-1"}
