"""Marking by hand-made records: what is found, missed, false, and how far off."""

from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import create_engine, insert

from monitor.contract.record import DrumSpan, Finding, FindingKind, Verdict
from monitor.store.events import event_row
from monitor.store.schema import DRUM, EVENT, FINDING, METADATA
from simulator import mark as marking
from simulator.mark import Allowed, Mark, mark, mark_drums
from simulator.truth import TrueStretch, Truth
from tests.core.script import finding
from tests.simulator.made import CONFIGS, START_S, configuration, made, run_of
from tests.simulator.test_mark_events import perfect_events

STORY = """
[[line.spark]]
kind = "cluster"
at_m = [100.0, 200.0]
count = 3
spread_m = 4.0
[[line.lump]]
height_mm = 0.3
length_m = 3.0
at_m = [150.0]
[[line.instrument]]
stream = "oven-a/temperature"
kind = "drop-out"
at_s = 20.0
for_s = 10.0
"""


def spark_finding(metre: float, key: str) -> Finding:
    return finding(
        metre - 0.5, metre + 0.5, FindingKind.FAULT, key=key, stream="spark-electrode/spark-fault",
        check="spark-fault", verdict=Verdict.NONCONFORMING, start_s=START_S + 1, end_s=START_S + 1, extreme=1.0,
    )  # fmt: skip


def window_finding(s: TrueStretch) -> Finding:
    return finding(
        s.start_m, s.end_m, key=f"{s.stream}/{s.check}{s.place}@{s.start_s}", stream=s.stream, check=s.check,
        start_s=START_S + s.start_s, end_s=START_S + s.end_s, extreme=s.extreme, limit=0.0, text=s.place,
    )  # fmt: skip


def missing_finding(s: TrueStretch) -> Finding:
    return finding(
        s.start_m, s.end_m, FindingKind.MISSING, key=f"{s.stream}/missing{s.place}", stream=s.stream, check="missing",
        verdict=Verdict.UNVERIFIED, start_s=START_S + s.start_s, end_s=START_S + s.end_s, limit=5.0, text=s.place,
    )  # fmt: skip


def perfect(truth: Truth) -> tuple[list[Finding], list[DrumSpan]]:
    """A record that says exactly what was true."""
    found = [spark_finding(s.metre, f"spark {i}") for i, s in enumerate(truth.sparks)]
    found += [window_finding(s) for s in truth.beyond] + [missing_finding(s) for s in truth.troubles]
    drums = [
        DrumSpan(line="core-1", filling=i, drum=c.drum, recipe=c.recipe, revision=1, start_m=c.start_m, end_m=None,
                 start_s=START_S + c.t_s, end_s=None)
        for i, c in enumerate(truth.cuts, 1)
    ]  # fmt: skip
    return found, drums


@pytest.fixture(scope="module")
def truth() -> Truth:
    return run_of(made(STORY), 100.0)[0].truth


def marked(truth: Truth, found: list[Finding], drums: list[DrumSpan]) -> dict[str, Mark]:
    c = configuration()
    return {m.what: m for m in mark(truth, found, drums, c.lines["core-1"], c.recipes["core-2g5"])}


def test_a_perfect_record_has_full_marks(truth: Truth) -> None:
    marks = marked(truth, *perfect(truth))
    assert all(m.good for m in marks.values())
    assert (marks["spark faults"].true, marks["spark faults"].found) == (6, 6)
    assert (
        marks["intervals out of window"].true == 4
    )  # HI and HIHI on two axes; the hot gauge's is shorter than its on-delay allows to ask for
    assert marks["silent and stuck gauges"].found == 2  # both passes


def test_a_missed_and_a_false_spark_fault(truth: Truth) -> None:
    found, drums = perfect(truth)
    found = [f for f in found if f.key != "spark 1"] + [spark_finding(1300.0, "ghost")]
    m = marked(truth, found, drums)["spark faults"]
    assert (m.found, len(m.missed), len(m.false)) == (5, 1, 1)
    assert "ghost at 1300.00 m" in m.false[0]
    assert f"{truth.sparks[1].metre:.2f} m (cluster)" in m.missed[0]


def test_a_spark_fault_may_be_half_a_metre_off(truth: Truth) -> None:
    found, drums = perfect(truth)
    for off, good in ((0.45, True), (0.55, False)):
        moved = [
            replace(f, start_m=f.start_m + off, end_m=(f.end_m or 0) + off) if f.kind is FindingKind.FAULT else f
            for f in found
        ]
        m = marked(truth, moved, drums)["spark faults"]
        assert (m.found, m.good, m.worst_m) == (6, good, pytest.approx(off))


def test_a_missed_interval_a_false_one_and_a_wrong_end(truth: Truth) -> None:
    found, drums = perfect(truth)
    hihi = next(f for f in found if f.check == "HIHI")
    m = marked(truth, [f for f in found if f is not hihi], drums)["intervals out of window"]
    assert (m.found, len(m.missed), len(m.false)) == (3, 1, 0)
    ghost = replace(hihi, key="ghost", start_m=1300.0, end_m=1301.0)
    assert len(marked(truth, [*found, ghost], drums)["intervals out of window"].false) == 1
    late = [replace(f, end_m=(f.end_m or 0) + 2.5) if f is hihi else f for f in found]
    m = marked(truth, late, drums)["intervals out of window"]
    assert (m.found, len(m.off)) == (4, 1)
    assert m.worst_m == pytest.approx(2.5, abs=0.3)


def test_a_silence_that_nobody_noticed_and_one_that_was_not(truth: Truth) -> None:
    found, drums = perfect(truth)
    m = marked(truth, [f for f in found if f.kind != "missing"], drums)["silent and stuck gauges"]
    assert (m.found, len(m.missed)) == (0, 2)
    ghost = replace(missing_finding(truth.troubles[0]), key="ghost", stream="oven-b/temperature")
    assert len(marked(truth, [*found, ghost], drums)["silent and stuck gauges"].false) == 1


def test_a_name_that_comes_back_is_marked_filling_by_filling(truth: Truth) -> None:
    """A2: two fillings of one drum are two drums; one that the record lost is missed."""
    _, drums = perfect(truth)
    (cut,), (drum,) = truth.cuts, drums
    cuts = [cut, replace(cut, start_m=cut.start_m + 500.0)]
    both = [drum, replace(drum, filling=2, start_m=drum.start_m + 500.0)]
    assert mark_drums(cuts, both, Allowed()).good
    assert mark_drums(cuts, both[1:], Allowed()).missed == [f"{cut.drum} at {cut.start_m:.1f} m"]


def test_drums_that_begin_elsewhere(truth: Truth) -> None:
    found, drums = perfect(truth)
    m = marked(truth, found, [replace(drums[0], start_m=drums[0].start_m + 3)])["drums"]
    assert (m.found, len(m.missed), len(m.off)) == (1, len(drums) - 1, len(drums[:1]))


def test_the_command_reads_a_store_and_says_by_its_code(
    truth: Truth, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    truth.write(tmp_path / "truth")
    (tmp_path / "store").mkdir()
    engine = create_engine(f"sqlite:///{tmp_path / 'store' / 'record.sqlite'}")
    METADATA.create_all(engine)
    found, drums = perfect(truth)
    with engine.begin() as connection:
        for f in found:
            connection.execute(
                insert(FINDING).values(
                    line=f.line, key=f.key, kind=f.kind.value, stream=f.stream, check_name=f.check,
                    verdict=int(f.verdict), start_m=f.start_m, end_m=f.end_m, start_ms=round(f.start_s * 1e3),
                    end_ms=round((f.end_s or 0) * 1e3), extreme=f.extreme, limit_value=f.limit, unit=f.unit,
                    text=f.text,
                )
            )  # fmt: skip
        for d in drums:
            connection.execute(
                insert(DRUM).values(
                    line=d.line, filling=d.filling, drum=d.drum, recipe=d.recipe, revision=1, start_m=d.start_m,
                    start_ms=round(d.start_s * 1e3),
                )
            )  # fmt: skip
        c = configuration()
        for event in perfect_events(truth, c.lines["core-1"], c.recipes["core-2g5"]):
            connection.execute(insert(EVENT).values(event_row(event)))
    assert run_command(tmp_path) == 0
    assert "spark faults" in capsys.readouterr().out
    with engine.begin() as connection:
        connection.execute(FINDING.delete().where(FINDING.c.key == "spark 0"))
    assert run_command(tmp_path) == 1
    assert "missed: at" in capsys.readouterr().out


def run_command(folder: Path, *more: str) -> int:
    from argparse import ArgumentParser

    parser = ArgumentParser()
    marking.COMMAND.options(parser)
    words = ["--truth", str(folder / "truth"), "--store", str(folder / "store"), "--configs", str(CONFIGS)]
    return marking.COMMAND.run(parser.parse_args([*words, *more]))


def test_what_is_truly_bad_is_written_for_a_rehearsal(truth: Truth, tmp_path: Path) -> None:
    truth.write(tmp_path / "truth")
    assert run_command(tmp_path, "--faults", str(tmp_path / "faults.csv")) == 2  # there is no store to mark
    rows = (tmp_path / "faults.csv").read_text().splitlines()
    assert rows[0] == "line,start_m,end_m,of"
    assert len(rows) == 1 + len(truth.sparks) + len(truth.beyond)
