"""Which filling a drum put on a pay-off is, by its name and the time; and why that is not known where it is not."""

import math
from dataclasses import dataclass

import pytest

from monitor.analysis.lineage import Lineage, Orphan, taken
from monitor.contract.reading import DrumRow
from monitor.contract.record import Splice
from tests.analysis.recipes import of_cores
from tests.analysis.test_pay_off import filling
from tests.core.script import configuration


@dataclass
class Wound:
    """A record of drums, and of those put on pay-offs."""

    wound: list[DrumRow]
    put_on: list[Splice]

    def drum(self, line: str, number: int) -> DrumRow | None:
        return next((d for d in self.wound if (d.line, d.filling) == (line, number)), None)

    def drums_named(self, *names: str) -> list[DrumRow]:
        return [d for d in self.wound if d.drum in names]

    def drums_between(self, line: str, start_m: float, end_m: float) -> list[DrumRow]:
        return [d for d in self.wound if d.line == line]

    def splices(self, line: str, start_m: float, end_m: float) -> list[Splice]:
        return [s for s in self.put_on if s.line == line and s.line_metre < end_m]


SHEATHED = DrumRow(
    line="sheath-1",
    filling=1,
    drum="S1",
    recipe="r",
    revision=1,
    start_m=0.0,
    end_m=500.0,
    start_ms=1000,
    end_ms=2000,
    planned_length_m=None,
    metres={},
)


@pytest.mark.parametrize(
    ("wound", "why"),
    [
        ([], None),  # bought in: a parent that was not wound here
        ([filling("lay-1", 1, 900, None)], "no drum 7 was finished when it was put on"),
        ([filling("lay-1", 1, 0, 100), filling("rewind-1", 1, 50, 150)], "two lines had a drum 7 at one time"),
        ([filling("lay-1", 1, 0, 100)], "drum 7 has no more cable recorded"),
    ],
)
def test_a2_an_orphan_says_why_its_origin_is_not_known(wound, why):
    """Drum 7 is put on at 0 m; the finished one is 1 m long."""
    splice = Splice(
        line="sheath-1", position="pay-off", drum="7", t_s=1.0, line_metre=0.0, left_m=500.0 if not wound else None
    )
    record = Wound([*wound, SHEATHED], [splice])
    lineage = Lineage(record=record, configuration=configuration(), recipe_of=lambda _: None)  # type: ignore[arg-type]
    found = lineage.without_parent(SHEATHED)
    assert [o.why.startswith(why) for o in found] == [True] if why else found == []
    assert [o.pay_off for o in found] == ["pay-off"] * len(found)


def test_a2_where_no_drum_was_reported_at_a_pay_off_that_is_reported():
    lineage = Lineage(record=Wound([SHEATHED], []), configuration=configuration(), recipe_of=lambda _: None)  # type: ignore[arg-type]
    want = Orphan(start_m=0.0, end_m=500.0, pay_off="pay-off", why="no drum was reported there")
    assert lineage.without_parent(SHEATHED) == [want]


def test_a_core_s_length_follows_from_its_own_layer():
    """C18. 19 cores: the centre runs straight, pitch circles of 2 and 4 diameters lie around it."""
    layers = [["centre"], [f"in-{i}" for i in range(6)], [f"out-{i}" for i in range(12)]]
    recipe = of_cores(19, layers)
    assert taken(recipe, "centre") == 1.0
    assert taken(recipe, "in-3") == pytest.approx(math.hypot(1, math.pi * 2 * 3.58 / 80.0), abs=1e-12)
    assert taken(recipe, "out-3") == pytest.approx(math.hypot(1, math.pi * 4 * 3.58 / 80.0), abs=1e-12)
    assert taken(recipe, "drain") == taken(recipe, "out-3")
    assert taken(of_cores(2), "any") == pytest.approx(math.hypot(1, math.pi * 3.58 / 80.0), abs=1e-12)
    assert taken(None, "any") == 1.0
