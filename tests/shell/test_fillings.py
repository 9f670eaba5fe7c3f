"""A2: a drum's name is a label of any characters and may come back; no filling shares anything with another.

Two lines run for over an hour: one winds drums, the other pays them off by name. Whatever the drums are called, rows,
verdicts, sums, findings and families of every filling are those of the same script with a name for each drum, rolled
into files on the way and after a restart.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import create_engine, delete, text

from monitor.analysis.lineage import Lineage
from monitor.contract.reading import DrumRow
from monitor.core.arrival import Arrival
from monitor.shell.processor import Processor
from monitor.store import last_known, upgrade
from monitor.store import rolling as rollup
from monitor.store.database import FILE
from monitor.store.reader import StoreReader
from monitor.store.schema import CHECKPOINT
from monitor.store.server import server_url
from tests.core.script import T0, Script
from tests.shell.works import processor_at, settings_at, stored_at, take

LINES = ["lay-1", "sheath-1"]
M_PER_MIN = 50.0
CHANGES_S = (0, 450, 900, 1400, 1800, 2300, 2750, 3200)  # when each drum begins
BARE_S = 2250  # the drum of then is taken off, and none put on until the next
DURATION_S = 3900
TOGETHER_S = 5  # of samples in a message
FAULTS_S = (200, 700, 1000, 1900, 2000, 2900, 3500)
UNIQUE = tuple(f"D{i}" for i in range(len(CHANGES_S)))
E_ACUTE, E_AND_ACUTE = "\N{LATIN SMALL LETTER E WITH ACUTE}", "e\N{COMBINING ACUTE ACCENT}"
WIDE = "\N{CJK UNIFIED IDEOGRAPH-20000}" * 80
TRAPS = [
    "A/1", "A_1", "A 1", "A.1", "a_1", "A_1 ", ".", "..", "-1", " ", "/", "000002", "2", WIDE, WIDE[:79],
    E_ACUTE, E_AND_ACUTE, "x" * 80, "../lay-1/000001", "%2F", "A\\1", "A:1",
]  # fmt: skip


Known = dict[tuple[str, int], dict[str, object]]  # by line and number


def arrivals(names: tuple[str, ...]) -> list[Arrival]:
    """Both lines' messages in the order in which they are received, some seconds in each."""
    lay, sheath = Script("lay-1"), Script("sheath-1")
    events: list[tuple[float, Script, str, dict[str, Any]]] = [(0, lay, "line/state", {"state": "running"})]
    events += [(0, sheath, "line/state", {"state": "running"}), (BARE_S, lay, "take-up/drum", {"drum": None})]
    events.append((5, sheath, "take-up/drum", {"drum": "S1-0001", "recipe": "cable-2x2g5"}))
    for i, (name, t_s) in enumerate(zip(names, CHANGES_S, strict=True)):
        events.append((t_s, lay, "take-up/drum", {"drum": name, "recipe": "laid-2x2g5"}))
        events.append((t_s, lay, "pay-off-a/payoff", {"drum": f"bought-{i}", "left_m": 2000.0}))
        if i:
            events.append((t_s + 60, sheath, "pay-off/payoff", {"drum": names[i - 1]}))
    events.append((2000, sheath, "take-up/drum", {"drum": names[3], "recipe": "cable-2x2g5"}))
    events.append((2100, sheath, "take-up/drum", {"drum": "S1-0002", "recipe": "cable-2x2g5"}))
    for t_s in range(0, DURATION_S, TOGETHER_S):
        for _, script, path, fields in sorted(
            (e for e in events if t_s <= e[0] < t_s + TOGETHER_S), key=lambda e: e[0]
        ):
            script.send(path, T0 + max(_, t_s), **fields)
        _few_seconds(lay, sheath, t_s)
    return sorted(lay.arrivals + sheath.arrivals, key=lambda a: a.received_s)


def _few_seconds(lay: Script, sheath: Script, t_s: int) -> None:
    steps = np.arange(TOGETHER_S)
    for fault_s in FAULTS_S:
        if t_s <= fault_s < t_s + TOGETHER_S:
            lay.send_samples("spark-a/spark-fault", T0 + fault_s, 1)
    lay.send_samples("bow/speed", T0 + t_s, 312.5 + 20 * np.sin(t_s / 300 + steps / 300), 1.0)
    lay.send_samples("tape-head/speed", T0 + t_s, np.full(TOGETHER_S, 2484.0), 1.0)
    for side in "ab":
        lay.send_samples(f"spark-{side}/voltage", T0 + t_s, np.full(TOGETHER_S, 6.1), 1.0)
    for script in (lay, sheath):  # the counter last: up to there all has been received
        script.send_samples("metre-counter/speed", T0 + t_s, np.full(TOGETHER_S, M_PER_MIN), 1.0)
        script.send_samples("metre-counter/length", T0 + t_s, 1000 + (t_s + steps) * M_PER_MIN / 60, 1.0)


def of_filling(reader: StoreReader, folder: Path, drum: DrumRow) -> dict[str, object]:
    """All that the record says of one filling but for its name."""
    end = drum.end_m if drum.end_m is not None else 1e9
    first, verdict = reader.verdicts(drum.line, drum.start_m, end)
    lineage = Lineage(record=reader, configuration=stored_at(folder), recipe_of=lambda _: None)
    rows = reader.rows(drum.line, drum.start_m, end)
    return {
        "where": (drum.start_m, drum.end_m, drum.start_ms, drum.end_ms, drum.recipe),
        "sums": {word: round(m, 6) for word, m in drum.metres.items()},
        "verdicts": (first, verdict.tobytes()),
        "rows": {name: column.tobytes() for name, column in sorted(rows.items())},
        "findings": sorted(repr(f) for f in reader.findings(drum.line, drum.start_m, end)),
        "family": sorted(
            (*s.parent[:2], s.parent_start_m, s.parent_end_m, *s.child[:2], s.child_start_m, s.child_end_m, s.position)
            for s in lineage.family(drum).spans
        ),
        "orphans": [(o.start_m, o.end_m, o.pay_off) for o in lineage.without_parent(drum)],
    }


def all_fillings(folder: Path) -> tuple[Known, dict[tuple[str, int], str]]:
    """What the record says of each filling, and what each is called."""
    reader = StoreReader(settings_at(folder), stored_at(folder))
    drums = list(reader.drums(limit=1000))
    return {d.key[:2]: of_filling(reader, folder, d) for d in drums}, {d.key[:2]: d.drum for d in drums}


@pytest.fixture(scope="module")
def unique(tmp_path_factory: pytest.TempPathFactory) -> Known:
    """The record of the script in which every drum has a name of its own, nothing rolled, never stopped."""
    folder = tmp_path_factory.mktemp("unique")
    take(processor_at(folder, lines=LINES), arrivals(UNIQUE))
    return all_fillings(folder)[0]


def stopped_once(folder: Path, names: tuple[str, ...], stop: int, snapshot: bool) -> Processor:
    """The script, stopped and begun again, with and without a snapshot; what had ended by then is rolled before."""
    sent = arrivals(names)
    processor = processor_at(folder, lines=LINES)
    take(processor, sent[:stop])
    processor.writer.write(processor.last_batch())
    rollup.roll_drums(processor.writer.engine, folder)
    if not snapshot:
        with processor.writer.engine.begin() as connection:
            connection.execute(delete(CHECKPOINT))
    processor.writer.close()
    processor = processor_at(folder, again=True, lines=LINES)
    take(processor, sent[stop:])
    processor.writer.write(processor.last_batch())
    return processor


def without_snapshot(folder: Path, stop: int) -> Known:
    """The record of the script with a name for each drum, begun again without a snapshot."""
    stopped_once(folder, UNIQUE, stop, snapshot=False).writer.close()
    return all_fillings(folder)[0]


def runs_the_same(folder: Path, names: tuple[str, ...], want: Known, stop: int, snapshot: bool) -> None:
    """Whatever the names, filling by filling, before and after what is left is rolled."""
    processor = stopped_once(folder, names, stop, snapshot)
    for roll in (lambda: None, lambda: rollup.roll_drums(processor.writer.engine, folder)):
        roll()
        found, called = all_fillings(folder)
        assert found.keys() == want.keys()
        for key, one in found.items():
            for what in one:
                assert one[what] == want[key][what], (key, called[key], what)
    processor.writer.close()
    assert [called["lay-1", i + 1] for i in range(len(names))] == list(names)
    files = sorted(p.name for p in (folder / "drums" / "lay-1").iterdir())
    assert files == [f"{i:06d}.parquet" for i in range(1, len(names))]


@st.composite
def trapped(draw: st.DrawFn) -> tuple[str, ...]:
    """Names for the drums, few of them different; a drum does not follow itself."""
    few = draw(st.lists(st.sampled_from(TRAPS), min_size=2, max_size=4, unique=True))
    names: list[str] = []
    for _ in CHANGES_S:
        names.append(draw(st.sampled_from([n for n in few if n != (names[-1] if names else None)])))
    return tuple(names)


@settings(max_examples=6, deadline=None)
@given(names=trapped(), share=st.floats(0.02, 0.98), snapshot=st.booleans())
def test_no_name_shows_in_what_is_known_of_a_filling(tmp_path_factory, unique, names, share, snapshot):
    stop = int(share * len(arrivals(UNIQUE)))
    want = unique if snapshot else without_snapshot(tmp_path_factory.mktemp("unique"), stop)
    runs_the_same(tmp_path_factory.mktemp("trapped"), names, want, stop, snapshot)


@pytest.mark.parametrize("snapshot", [True, False])
def test_two_drums_by_turns_on_either_database(place, tmp_path_factory, unique, snapshot):
    names = ("A/1", WIDE, "A_1", WIDE, "A/1", "..", "A/1", WIDE)
    want = unique if snapshot else without_snapshot(tmp_path_factory.mktemp("unique"), 4000)
    runs_the_same(place, names, want, 4000, snapshot)
    reader = StoreReader(settings_at(place))
    assert [d.filling for d in reader.drums_named("A/1")] == [7, 5, 1]
    assert [(d.line, d.filling) for d in reader.drums_named(WIDE)] == [
        ("lay-1", 8), ("sheath-1", 2), ("lay-1", 4), ("lay-1", 2),
    ]  # fmt: skip
    assert reader.drum_named("lay-1", WIDE).filling == 8
    assert reader.drum_named("sheath-1", "A/1") is None


def test_the_script_is_worth_telling(unique):
    """Every drum but the last has ended, holds faults of its own, and what was paid off is in what was sheathed."""
    ended = [key for key, one in unique.items() if one["where"][1] is not None]
    assert len([k for k in ended if k[0] == "lay-1"]) == len(CHANGES_S) - 1
    assert len({tuple(one["findings"]) for (line, _), one in unique.items() if line == "lay-1"}) == len(CHANGES_S)
    parents = {s[:2] for s in unique["sheath-1", 1]["family"] if s[4:6] == ("sheath-1", 1)}
    assert parents == {("lay-1", i) for i in (1, 2, 3, 4)}


def test_a_store_of_0_4_0_gets_its_fillings_numbered_along_each_line(place):
    """Names were keys there; files keep their names, and no new file takes one of them."""
    settings_ = settings_at(place)
    url = server_url(settings_.database_url) if settings_.database_url else f"sqlite:///{place / FILE}"
    old = create_engine(url)
    drums = [("core-1", "7", 500.0), ("core-1", "000003", 0.0), ("core-2", "7", 20.0)]
    with old.begin() as connection:
        upgrade.migrate(connection, 1)
        for line, drum, start_m in drums:
            connection.execute(
                text(
                    "insert into drum (line, drum, recipe, revision, start_m, end_m, start_ms, end_ms, rows_file) "
                    "values (:line, :drum, 'core-2g5', 1, :start_m, :end_m, :start_ms, :end_ms, :file)"
                ),
                {"line": line, "drum": drum, "start_m": start_m, "end_m": start_m + 500, "start_ms": 1000 + start_m,
                 "end_ms": 2000 + start_m, "file": f"drums/{line}/{drum}.parquet"},
            )  # fmt: skip
        now = '{"drum": "7", "state": "running"}'
        connection.execute(text("insert into line_now (line, t_ms, now) values ('core-1', 1, :now)"), {"now": now})
    old.dispose()
    processor = processor_at(place, lines=["core-1"])
    with processor.writer.engine.connect() as connection:
        found = connection.execute(text("select line, filling, drum, rows_file from drum order by line, filling")).all()
        assert found == [
            ("core-1", 1, "000003", "drums/core-1/000003.parquet"), ("core-1", 2, "7", "drums/core-1/7.parquet"),
            ("core-2", 1, "7", "drums/core-2/7.parquet"),
        ]  # fmt: skip
        (sent,) = connection.execute(text("select now from line_now")).scalars()
        assert json.loads(sent) == {"drum": "7", "state": "running", "filling": 2}
        assert rollup.own_file(connection, place, "core-1", 3).name == "000003-again.parquet"
        assert rollup.own_file(connection, place, "core-1", 4).name == "000004.parquet"
        assert last_known.fillings(connection, "core-1").number("7", 99.0) == 3
        assert last_known.fillings(connection, "core-1").number("000003", 1.0) == 1
