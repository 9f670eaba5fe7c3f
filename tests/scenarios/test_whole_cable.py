"""From core to reel through the engine and the store: ancestry from the wire, marked against the simulator's truth."""

from pathlib import Path

import numpy as np
import pytest

from monitor.analysis.lineage import Lineage
from monitor.contract.config import Configuration
from monitor.contract.reading import DrumRow
from monitor.contract.record import Verdict
from monitor.contract.topics import Stream
from monitor.core.arrival import Arrival
from monitor.core.derive import OVER_S
from monitor.shell.reader import StoreReader
from simulator.line import Run, simulate_all
from simulator.scenario import load_scenario
from tests.shell.works import desk_at, stored_at, take
from tests.simulator.made import CONFIGS, START_S

# How long each line runs here, s: until the first cable is cut and a specimen has burned.
UNTIL_S = {"core-1": 240.0, "core-2": 300.0, "lay-1": 720.0, "sheath-1": 1000.0, "rewind-1": 1500.0, "fire-1": 2260.0}


class Works:
    """The record of all lines, and what really happened."""

    def __init__(self, folder: Path) -> None:
        self.configuration: Configuration = stored_at(folder)
        scenario = load_scenario(CONFIGS, "demo", self.configuration)
        self.runs: dict[str, Run] = simulate_all(scenario, self.configuration, list(scenario.stories), START_S)
        desk = desk_at(folder)
        for line, until_s in UNTIL_S.items():
            take(desk, [Arrival(s.topic, s.payload, s.send_s) for s in self.runs[line].messages(60.0, until_s)], 400)
        desk.writer.close()
        self.record = StoreReader(self.configuration.works.store, self.configuration)

    @property
    def lineage(self) -> Lineage:
        return Lineage(self.record, self.configuration, lambda d: self.configuration.recipes.get(d.recipe))

    def drum(self, name: str) -> DrumRow:
        return self.record.drums_named(name)[0]

    def faults(self, drum: DrumRow) -> list[tuple[float, float]]:
        assert drum.end_m is not None
        found = self.record.findings(drum.line, drum.start_m, drum.end_m)
        return [
            (f.start_m - drum.start_m, f.end_m - drum.start_m) for f in found if f.check == "spark-fault" and f.end_m
        ]


@pytest.fixture(scope="module")
def works(tmp_path_factory) -> Works:
    return Works(tmp_path_factory.mktemp("whole"))


def test_drums_and_reels_are_those_that_were_made(works):
    for line in UNTIL_S:
        want = {w.name: w.length_m for w, _ in zip(works.runs[line].wound(), range(60), strict=False)}
        ended = [d for d in works.record.drums(line) if d.end_m is not None]
        assert ended
        for drum in ended:
            assert drum.end_m - drum.start_m == pytest.approx(want[drum.drum], abs=0.1), drum.drum


def test_a_fault_born_on_a_core_is_met_again_where_ancestry_says(works):
    """The in-feed tester of the laying-up line knows nothing of the core line: it finds the same faults, 0.5 m."""
    core, cable = works.drum("C1-0002"), works.drum("L1-0001")
    family = works.lineage.family(core)
    want = [
        (piece.start_m + piece.end_m) / 2
        for start, end in works.faults(core)
        for piece in family.forward(core.drum, start, end)
        if piece.drum == cable.drum
    ]
    again = [
        (f.start_m + (f.end_m or f.start_m)) / 2 - cable.start_m
        for f in works.record.findings("lay-1", cable.start_m, cable.end_m)
        if f.stream == "spark-a/spark-fault"
    ]
    assert len(want) == len(again) >= 5
    assert sorted(want) == pytest.approx(sorted(again), abs=0.5)


def test_no_reel_holds_a_fault_of_a_core_and_the_scrap_holds_each(works):
    lineage = works.lineage
    for name in ("C1-0002", "C2-0002"):
        core = works.drum(name)
        for start, end in works.faults(core):
            reels = [p for p in lineage.family(core).forward(name, start, end) if p.drum.startswith("R1")]
            if name == "C2-0002" and not reels:
                continue  # in the leftover that is still on the pay-off
            assert reels
            assert all(p.drum.endswith("-scrap") for p in reels), (start, reels)


def test_a_reel_knows_its_cores_its_oven_and_its_hour(works):
    reel = works.drum("R1-0002")
    lineage = works.lineage
    family = lineage.family(reel)
    back = {p.drum: p for p in family.back(reel.drum, 20.0, 21.0)}
    assert {name.split("-")[0] for name in back} == {"S1", "L1", "C1", "C2", "W1"}
    piece = back["C1-0002"]
    core = works.drum("C1-0002")
    here = core.start_m + (piece.start_m + piece.end_m) / 2
    rows = works.record.rows("core-1", np.floor(here), np.floor(here) + 1)
    assert rows["oven-b/temperature"][0] == pytest.approx(305.0, abs=2.0)
    home = [p for p in family.forward("C1-0002", piece.start_m, piece.end_m) if p.drum == reel.drum]
    assert home[0].start_m == pytest.approx(20.0, abs=1e-6)
    assert home[0].end_m == pytest.approx(21.0, abs=1e-6)


def test_no_metre_of_the_finished_drums_is_an_orphan(works):
    lineage = works.lineage
    for name in ("L1-0001", "S1-0001", "R1-0002", "R1-0004-scrap"):
        assert lineage.without_parent(works.drum(name)) == [], name
    assert works.lineage.without_parent(works.drum("C1-0002")) == []


def test_lines_that_ran_well_cried_about_nothing_else(works):
    for line, allowed in (
        ("lay-1", {"spark-a/spark-fault/spark-fault", "spark-b/spark-fault/spark-fault"}),
        ("sheath-1", set()), ("rewind-1", set()), ("fire-1", set()),
    ):  # fmt: skip
        changes = works.record.alarm_changes(line, 0, 10**15, 10**6)
        assert {c.alarm for c in changes} - {"line/gateway/silent"} == allowed, line
        assert works.record.rejected() == []
        drums = [d for d in works.record.drums(line) if d.end_m is not None]
        assert all(d.metres[Verdict.UNSEEN.word] == 0.0 for d in drums), line


def test_a_derived_stream_is_read_as_the_engine_worked_it_out(works):
    """From the stored speed instead of the counter: the same lay within the gauge's noise."""
    start = round(1e3 * (START_S + 480.0))
    trend = works.record.samples(Stream("lay-1", "bow", "lay-length"), start, start + 60_000)
    assert len(trend.v) == 121
    assert np.nanmedian(trend.v) == pytest.approx(80.0, abs=0.1)
    assert np.nanstd(trend.v) < 0.3
    assert OVER_S == 1.0
