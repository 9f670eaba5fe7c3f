"""Questions about an interval give what a look at every row would give, however long or open what lies there (G1)."""

from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import insert

from monitor.contract.record import FindingKind, Verdict
from monitor.store.database import open_for_writing
from monitor.store.reader import StoreReader
from monitor.store.schema import DRUM, FINDING, LONG_FINDING_M, SPLICE
from tests.shell.works import settings_at

SPANS = [(0.0, 50.0), (499.5, 500.5), (1000.0, 2500.0), (2999.0, 3000.0), (-5.0, 1e9), (7000.0, float("inf"))]


def finding(i: int, start_m: float, end_m: float | None) -> dict[str, Any]:
    return {
        "line": "core-1", "key": str(i), "kind": "window", "stream": "a/b", "check_name": "HI",
        "verdict": int(Verdict.SUSPECT), "start_m": start_m, "end_m": end_m, "start_ms": i, "end_ms": None,
        "extreme": None, "limit_value": None, "unit": "mm", "text": "",
    }  # fmt: skip


def test_g1_findings_that_touch_an_interval_are_all_found_long_and_open_ones_too(place: Path):
    rng = np.random.default_rng(5)
    lengths = [*rng.exponential(30.0, 200), *rng.uniform(900, 5000, 40), LONG_FINDING_M, 0.0, *[None] * 6]
    rows = []
    for i, length in enumerate(lengths):
        start = round(float(rng.uniform(0, 8000)), 1)
        rows.append(finding(i, start, None if length is None else start + float(length)))
    engine = open_for_writing(settings_at(place))
    with engine.begin() as connection:
        connection.execute(insert(FINDING), rows)
        connection.execute(insert(FINDING), [finding(999, 10.0, 20.0) | {"line": "core-2"}])
    reader = StoreReader(settings_at(place))
    for a, b in SPANS:
        touching = {r["key"] for r in rows if r["start_m"] < b and (r["end_m"] is None or r["end_m"] > a)}
        found = reader.findings("core-1", a, b)
        assert {f.key for f in found} == touching
        assert [f.start_m for f in found] == sorted(f.start_m for f in found)
    assert [f.key for f in reader.findings_of_kind(FindingKind.WINDOW, 3)] == ["999", "247", "246"]
    engine.dispose()


def test_g1_drums_and_what_was_put_on_are_those_of_the_interval(place: Path):
    ends = [100.0, 100.0, 900.0, 2000.0, 2600.0, None]  # a drum without a metre, then leaders from 900 and from 2000
    starts = [0.0, 100.0, 100.0, 1000.0, 2100.0, 2600.0]
    blank = {c.name: None for c in DRUM.columns}
    put_on = [("a", 0.0), ("a", 500.0), ("b", 0.0), ("b", 2500.0), ("gone-pay-off", 40.0)]
    engine = open_for_writing(settings_at(place))
    with engine.begin() as connection:
        for i, (a, b) in enumerate(zip(starts, ends, strict=True)):
            row = {
                "line": "core-1",
                "filling": i + 1,
                "drum": f"d{i}",
                "recipe": "r",
                "revision": 1,
                "start_m": a,
                "end_m": b,
            }
            connection.execute(insert(DRUM).values(blank | row | {"start_ms": i, "rows_file": "none"}))
        for i, (position, at) in enumerate(put_on):
            row = {"line": "core-1", "position": position, "t_ms": i, "drum": f"p{i}", "line_metre": at}
            connection.execute(insert(SPLICE).values(row))
    reader = StoreReader(settings_at(place))
    for a, b in SPANS:
        drums = [i for i in range(6) if starts[i] < b and (ends[i] is None or ends[i] > a)]
        assert [d.drum for d in reader.drums_between("core-1", a, b)] == [f"d{i}" for i in drums]
        on = set()
        for position in ("a", "b", "gone-pay-off"):
            here = [(at, i) for i, (p, at) in enumerate(put_on) if p == position]
            before = [one for one in here if one[0] <= a]
            on |= {f"p{i}" for at, i in ([max(before)] if before else []) + [x for x in here if a < x[0] < b]}
        assert {s.drum for s in reader.splices("core-1", a, b)} == on
    engine.dispose()
