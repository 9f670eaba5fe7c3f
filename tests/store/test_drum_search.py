"""Drums searched for, on either database: those that a reading of all of them would find, in pages (D5, D6)."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert

from monitor.contract.reading import DrumSearch
from monitor.contract.record import FindingKind
from monitor.store.reader import StoreReader
from monitor.store.schema import DRUM, FINDING
from monitor.store.writer import Writer
from tests.shell.works import settings_at
from tests.store.test_findings import row

NAMES = ("1-1001", "1-1002", "A_1", "A%1", "a\\1", "B-1002", "1-1003")


@pytest.fixture
def reader(place: Path) -> Iterator[StoreReader]:
    """Drums of 100 m by turns on two lines, the last on its drum still; of the first three one is decided twice."""
    writer = Writer(settings_at(place))
    with writer.engine.begin() as c:
        for i, name in enumerate(NAMES):
            ended = i < len(NAMES) - 1
            c.execute(
                insert(DRUM),
                {
                    "line": f"core-{1 + i % 2}", "filling": i, "drum": name, "recipe": "thin" if i < 3 else "thick",
                    "revision": 1, "start_m": 100.0 * i, "end_m": 100.0 * (i + 1) if ended else None,
                    "start_ms": 1000 * i, "end_ms": 1000 * (i + 1) if ended else None, "conforming_m": 100.0,
                    "suspect_m": 0.0, "unverified_m": 0.0, "nonconforming_m": 0.0,
                },
            )  # fmt: skip
        for number, (check, t_ms) in enumerate((("hold", 5000), ("release", 6000))):
            decided = row(number, 100.0, 100.0, "core-2") | {"kind": FindingKind.DECISION.value, "check_name": check}
            c.execute(insert(FINDING), decided | {"start_ms": t_ms, "by_whom": "Olle"})
        c.execute(insert(FINDING), row(9, 100.0, 100.0, "core-2"))
    yield StoreReader(writer.settings)
    writer.close()


def found(reader: StoreReader, **asked: Any) -> list[str]:
    return [drum.drum for drum in reader.find_drums(DrumSearch(**asked))]


def test_newest_first_by_any_part_of_the_name(reader):
    assert found(reader) == list(NAMES[::-1])
    assert found(reader, name="1002") == ["B-1002", "1-1002"]
    assert found(reader, name="b-") == ["B-1002"]


@pytest.mark.parametrize(("part", "wanted"), [("_", ["A_1"]), ("%", ["A%1"]), ("\\", ["a\\1"]), ("' or 1=1 --", [])])
def test_a_name_is_meant_to_the_letter(reader, part, wanted):
    assert found(reader, name=part) == wanted


def test_line_recipe_and_name_together(reader):
    assert found(reader, line="core-1", recipe="thin") == ["A_1", "1-1001"]
    assert found(reader, line="core-2", recipe="thin", name="1") == ["1-1002"]


@pytest.mark.parametrize("size", [1, 2, 3, 10])
def test_pages_follow_each_other(reader, size):
    pages = [found(reader, limit=size, offset=i) for i in range(0, len(NAMES), size)]
    assert [name for page in pages for name in page] == list(NAMES[::-1])


def test_undecided_are_finished_drums_without_a_signature(reader):
    assert found(reader, undecided=True) == [n for n in NAMES[-2::-1] if n != "1-1002"]


def test_the_newest_decision_counts(reader):
    drums = reader.find_drums(DrumSearch())
    decided = reader.decisions(drums)
    assert {key.filling: (f.check, f.by) for key, f in decided.items()} == {1: ("release", "Olle")}
    assert reader.decisions([]) == {}
