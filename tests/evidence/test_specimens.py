"""Circuit integrity tests on record: which is over, what each came to, and which belong to a drum."""

import numpy as np

from monitor.contract.reading import DrumRow
from monitor.evidence import specimens
from tests.evidence.made import REELS, SHEATHED, SPECIMEN, SmallRecord, drum, source

LIT_MS = SPECIMEN.start_ms + 5_000
RUNNING, STOPPED = (LIT_MS, "running", ""), (LIT_MS + 3_600_000, "stopped", "")


def bench(
    *changes: tuple[int, str, str], circuit_s: tuple[float, ...] = (), water_s: tuple[float, ...] = ()
) -> SmallRecord:
    """An hour of flame within its limits with its shocks, recorded each second; failures and water s from ignition."""
    t_ms = LIT_MS + 1000 * np.arange(-5, 3_700)
    events = {
        "anvil/shock": tuple(300.0 * i + 2 for i in range(1, 13)),
        "circuit/failure": circuit_s,
        "spray/water": water_s,
    }
    taken = {
        name: (LIT_MS + np.array([1e3 * s for s in at], dtype=np.int64), np.ones(len(at)))
        for name, at in events.items()
    }
    return SmallRecord(changes=list(changes), taken=taken | {"flame/temperature": (t_ms, np.full(len(t_ms), 850.0))})


def result(record: SmallRecord, of: DrumRow = SPECIMEN, now_s: float = 10_000.0) -> specimens.Tested:
    found = specimens.tested(source(record, now_s), of)
    assert found is not None
    return found


def over(of: DrumRow) -> DrumRow:
    """The specimen, taken off after the flame was out."""
    return drum("fire-1", of.filling, of.drum, of.start_m, None, of.recipe)


def test_only_a_specimen_has_a_test():
    assert specimens.tested(source(bench(RUNNING)), REELS[0]) is None
    assert specimens.tested(source(bench(RUNNING)), drum("fire-1", 4, "T-1", 0.0, 1.0, "no such recipe")) is None


def test_before_ignition_there_is_no_outcome():
    found = result(bench((SPECIMEN.start_ms - 1, "running", ""), (LIT_MS, "stopped", "")), over(SPECIMEN))
    assert (found.ignition_ms, found.outcome, found.burning, found.failed) == (None, None, False, False)
    assert (len(found.t_s), len(found.flame_C), found.shocks_s, found.water_s) == (0, 0, (), None)
    assert found.words == "not ignited"


def test_while_it_burns_it_has_held_until_now():
    found = result(bench(RUNNING), over(SPECIMEN), now_s=LIT_MS / 1e3 + 100.0)
    assert (found.ignition_ms, found.ended_ms, found.burning) == (LIT_MS, None, True)
    assert found.words == "burning, held 100 s so far"
    assert found.t_s.tolist() == [float(s) for s in range(101)]
    assert result(bench(RUNNING), over(SPECIMEN), now_s=LIT_MS / 1e3).outcome is None


def test_a_flame_that_is_lit_as_the_specimen_is_mounted_is_its_own():
    mounted_ms = SPECIMEN.start_ms
    found = result(bench((mounted_ms, "running", ""), (mounted_ms + 1, "stopped", "")), over(SPECIMEN))
    assert (found.ignition_ms, found.ended_ms) == (mounted_ms, mounted_ms + 1)


def test_a_circuit_that_held_earns_its_class_and_times_count_from_ignition():
    found = result(bench(RUNNING, STOPPED), over(SPECIMEN))
    assert found.outcome is not None
    assert (found.burning, found.failed, found.outcome.held_s, found.outcome.class_min) == (False, False, 3600.0, 60)
    assert found.words == "held 3\u202f600 s: class 60 min"
    assert found.shocks_s == tuple(300.0 * i + 2 for i in range(1, 12))
    assert (found.t_s[0], found.t_s[-1]) == (0.0, 3600.0)
    assert found.flame_C.tolist() == [850.0] * 3601


def test_the_first_failure_of_the_circuit_ends_it():
    found = result(bench(RUNNING, STOPPED, circuit_s=(2000.0, 2500.0)), over(SPECIMEN))
    assert found.outcome is not None
    assert (found.failed, found.outcome.held_s, found.outcome.class_min) == (True, 2000.0, 30)
    assert found.words == "the circuit failed after 2\u202f000 s"


def test_a_test_too_short_and_one_off_its_schedule_earn_no_class():
    short = (LIT_MS, "running", ""), (LIT_MS + 600_000, "stopped", "")
    assert result(bench(*short), over(SPECIMEN)).words == "held 600 s: too short for any class"
    record = bench(RUNNING, STOPPED)
    record.taken["flame/temperature"][1][1000] = 700.0
    said = "held 3\u202f600 s, but the schedule was not kept: flame 700 to 850 degC, allowed 830 to 870"
    assert result(record, over(SPECIMEN)).words == f"{said}; first out at 995 s"


def test_water_counts_from_ignition_where_the_recipe_names_it():
    wet = drum("fire-1", 4, "T-1", 50.0, None, "fire-2x2g5-water")
    found = result(bench(RUNNING, STOPPED, water_s=(905.0, 950.0)), wet)
    assert found.water_s == 905.0
    assert found.outcome is not None
    assert found.outcome.valid
    assert result(bench(RUNNING, STOPPED, water_s=(905.0,)), over(SPECIMEN)).water_s is None


def test_what_was_recorded_after_the_specimen_was_taken_off_is_not_of_it():
    """It was mounted for 100 s; the flame burns on for the next one."""
    found = result(bench(RUNNING))
    assert found.outcome is not None
    assert found.outcome.held_s == 95.0
    assert found.t_s[-1] == 95.0


def test_tests_of_a_drum_are_those_of_specimens_cut_from_it_and_of_its_neighbours():
    record = bench(RUNNING, STOPPED)
    of_each = {d.drum: [t.drum.drum for t in specimens.flames_of(source(record), d)] for d in (SHEATHED, *REELS)}
    assert of_each == {"S-1": ["T-1"], "R-1": ["T-1"], "R-2": ["T-1"]}
    other = drum("sheath-1", 7, "S-7", 600.0, 900.0, "cable-2x2g5")
    record.wound.append(other)
    assert specimens.flames_of(source(record), other) == []
