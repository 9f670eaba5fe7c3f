"""Inherited faults: bad metres of earlier drums where they lie on a later one, which turns round at each process."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.reading import DrumRow
from monitor.contract.record import FillingKey, Splice, Verdict, bought_in
from monitor.evidence.inherited import (
    KEEP_MS,
    inherited_faults,
    lineage_of,
    names_apart,
    related_metres,
    ribbons,
    whole_runs,
)
from monitor.evidence.verdict_runs import Run
from tests.evidence.made import REELS, SHEATHED, SPECIMEN, SmallRecord, drum, source

GOOD, SUSPECT, UNVERIFIED, BAD = Verdict.CONFORMING, Verdict.SUSPECT, Verdict.UNVERIFIED, Verdict.NONCONFORMING
LENGTH_M = 500  # of the sheathed drum, which begins at line metre 100


def with_bad(start_m: int, end_m: int, verdict: Verdict = BAD) -> SmallRecord:
    """Bad metres of the sheathed drum, from its own start."""
    return SmallRecord(bad={"sheath-1": [(100 + start_m, 100 + end_m, verdict)]})


def places(record: SmallRecord, of: DrumRow) -> list[tuple[float, float]]:
    return [(x.start_m, x.end_m) for x in inherited_faults(source(record), of.line, of.filling)]


def test_a_fault_lies_as_far_from_the_outer_end_as_the_next_process_unwinds_it():
    """Metre 450 of 500 is 50 m from the outer end: it is wound onto the first reel after 49 m."""
    (found,) = inherited_faults(source(with_bad(450, 451)), "rewind-1", REELS[0].filling)
    assert (found.start_m, found.end_m) == (49.0, 50.0)
    assert (found.verdict, found.of, found.of_start_m, found.of_end_m) == (BAD, SHEATHED, 450.0, 451.0)
    assert places(with_bad(450, 451), REELS[1]) == []


def test_after_two_processes_it_lies_as_it_did():
    """The specimen is the last 1.2 m of the first reel, which are metres 300 to 301.2 of the sheathed drum."""
    (found,) = inherited_faults(source(with_bad(300, 301)), "fire-1", SPECIMEN.filling)
    assert (found.start_m, found.end_m) == (pytest.approx(0.0), pytest.approx(1.0))
    assert found.of == SHEATHED


@given(st.integers(0, LENGTH_M - 1), st.integers(1, 300), st.sampled_from([SUSPECT, UNVERIFIED, BAD]))
def test_every_bad_metre_is_inherited_once_by_the_reels(start, width, verdict):
    end = min(start + width, LENGTH_M)
    record = with_bad(start, end, verdict)
    found = [x for reel in REELS for x in inherited_faults(source(record), reel.line, reel.filling)]
    assert sum(x.end_m - x.start_m for x in found) == pytest.approx(end - start)
    assert {x.verdict for x in found} == {verdict}
    for x in found:
        assert x.end_m - x.start_m == pytest.approx(x.of_end_m - x.of_start_m)


def test_what_conforms_is_not_inherited_and_a_line_without_a_pay_off_inherits_nothing():
    assert places(SmallRecord(), REELS[0]) == []
    everywhere = SmallRecord(bad={line: [(0, 9000, BAD)] for line in ("sheath-1", "core-1")})
    everywhere.wound.append(drum("core-1", 9, "C-9", 0.0, 10.0, "core-2g5"))
    assert places(everywhere, everywhere.wound[-1]) == []
    assert inherited_faults(source(everywhere), "rewind-1", 77) == []


def test_faults_come_in_wound_order():
    record = SmallRecord(bad={"sheath-1": [(500, 501, BAD), (550, 551, SUSPECT), (520, 521, BAD)]})
    found = places(record, REELS[0])
    assert found == sorted(found)
    assert len(found) == 3


def test_it_is_kept_for_some_seconds_and_read_again_afterwards():
    record = with_bad(450, 451)
    now_s = [KEEP_MS / 1e3]
    asked = replace(source(record), clock=lambda: now_s[0])
    first = inherited_faults(asked, "rewind-1", REELS[0].filling)
    read = record.read
    record.bad["sheath-1"] = []
    now_s[0] += KEEP_MS / 1e3 - 0.001
    assert inherited_faults(asked, "rewind-1", REELS[0].filling) == first
    assert record.read == read
    now_s[0] += 0.001
    assert inherited_faults(asked, "rewind-1", REELS[0].filling) == []
    assert len(asked.kept) == 1  # what was kept before is gone


def test_the_graver_of_own_and_inherited_verdicts_stands():
    record = SmallRecord(
        bad={"sheath-1": [(550, 560, SUSPECT)], "rewind-1": [(1045, 1048, BAD), (1100, 1101, SUSPECT)]}
    )
    found = whole_runs(source(record), REELS[0], 200.0)
    assert found == [
        Run(0, 40, GOOD), Run(40, 45, SUSPECT), Run(45, 48, BAD), Run(48, 50, SUSPECT), Run(50, 100, GOOD),
        Run(100, 101, SUSPECT), Run(101, 200, GOOD),
    ]  # fmt: skip


@given(st.lists(st.tuples(st.integers(100, 599), st.integers(1, 40), st.sampled_from([SUSPECT, BAD])), max_size=5))
def test_ribbons_of_many_drums_are_those_of_each_with_fewer_reads(bad):
    record = SmallRecord(
        bad={"sheath-1": [(a, a + size, v) for a, size, v in bad], "rewind-1": [(1195, 1203, SUSPECT)]}
    )
    wound = [(d, 199.5 if d is REELS[0] else d.end_m - d.start_m) for d in (SHEATHED, *REELS, SPECIMEN)]
    single = [whole_runs(source(record), *one) for one in wound]
    before = record.read
    assert ribbons(source(record), wound) == single
    assert record.read - before == 3  # one for each line on which cable of these lies


def test_ribbons_of_reels_alone_read_the_earlier_drum_once_for_all():
    record = SmallRecord(bad={"sheath-1": [(350, 450, BAD)]})
    wound = [(reel, reel.end_m - reel.start_m) for reel in REELS]
    single = [whole_runs(source(record), *one) for one in wound]
    before = record.read
    assert ribbons(source(record), wound) == single
    assert record.read - before == 2
    assert [[(r.start_m, r.end_m) for r in of if r.verdict is BAD] for of in single] == [[(150, 200)], [(0, 50)]]


def test_related_drums_come_from_the_earliest_process_to_the_latest_with_the_shared_metres():
    asked = source(SmallRecord())
    found = related_metres(lineage_of(asked), REELS[0], 150.0, 200.0)
    assert [(k.name, k.generation) for k in found] == [("S-1", -1), ("R-1", 0), ("T-1", 1)]
    assert [(k.start_m, k.end_m) for k in found] == [(300.0, 350.0), (150.0, 200.0), (0.0, pytest.approx(1.2))]
    assert [k.drum for k in found] == [SHEATHED, REELS[0], SPECIMEN]


def test_a_drum_that_was_bought_in_has_a_name_and_no_row():
    record = SmallRecord(
        wound=[SPECIMEN],
        put_on=[Splice(line="fire-1", position="clamp", drum="X-7", t_s=3900.0, line_metre=50.0, left_m=10.0)],
    )
    first, own = related_metres(lineage_of(source(record)), SPECIMEN, 0.0, 1.2)
    assert (first.name, first.drum, first.generation, own.generation) == ("X-7", None, -1, 0)
    assert (first.start_m, first.end_m) == (pytest.approx(8.8), 10.0)


def test_names_are_told_apart_only_where_one_is_there_twice():
    one, two, other = FillingKey("core-1", 1, "7"), FillingKey("core-2", 4, "7"), FillingKey("core-1", 2, "8")
    assert names_apart([one, other, one]) == {one: "7", other: "8"}
    assert names_apart([one, two, other]) == {one: "7 (core-1 1)", two: "7 (core-2 4)", other: "8"}
    assert names_apart([one, bought_in("7")])[bought_in("7")] == "7"
