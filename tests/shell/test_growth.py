"""What an answer costs depends on what it shows, never on the age of the record (G1)."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from dashboard.context import Context
from dashboard.gateway import ActionNumbers
from dashboard.pages.drums import layout as drums_page
from monitor.contract.config.works import Store
from monitor.contract.reading import DrumSearch, Record
from monitor.contract.record import FindingKind
from monitor.contract.topics import Stream
from monitor.evidence.inherited import ribbons, whole_runs
from monitor.evidence.source import length_m
from monitor.store.last_known import newest_state
from monitor.store.reader import StoreReader
from monitor.store.rolling import each_drum
from tests.bench.year import DRUM_M, DRUM_S, Past, fill, name_of
from tests.core.script import configuration
from tests.dashboard.fake_record import FakeGateway

FEW, MANY = 30, 300  # drums of each line
END_MS = 1_790_000_000_000
LINE = "lay-1"
DRUM_INDEXES = ["drum_to_count", "drum_without_file"]  # of those only with which there is something to do
STEP = 10  # instructions of the database between two counts
SPEED = Stream(LINE, "metre-counter", "speed")
BOUNDED = (
    "alarm_now",
    "line_now",
    "health",
    "rejected",
    "in_force",
    "metre_block",
    "proposal",
    "revision",
)  # by people and lines


def ms(drum: int, drums: int) -> int:
    """When a drum began."""
    return END_MS - round(1e3 * DRUM_S * (drums - drum))


SEARCHES = (
    DrumSearch(limit=10), DrumSearch(limit=10, offset=5), DrumSearch(line=LINE, limit=10),
    DrumSearch(undecided=True, limit=10),
)  # fmt: skip


def questions(reader: StoreReader, drum: int, drums: int) -> dict[str, Callable[[], Any]]:
    """All that may be asked, about one drum of a line where it is about a place or a time."""
    start, end = drum * DRUM_M + 0.5, drum * DRUM_M + 900.5
    t0, t1 = ms(drum, drums), ms(drum, drums) + 3_600_000
    return {
        "lines_now": reader.lines_now,
        "health": reader.health,
        "damaged_files": reader.damaged_files,
        "alarms_now": reader.alarms_now,
        "alarm_changes": lambda: [reader.alarm_changes(x, t0, t1, 20) for x in (None, LINE)],
        "count_alarm_changes": lambda: [reader.count_alarm_changes(x, t0, t1) for x in (None, LINE)],
        "events_begun": lambda: reader.events_begun(LINE, start, end),
        "events_open": lambda: reader.events_open(LINE),
        "drums": lambda: [reader.drums(None, 10), reader.drums(LINE, 10)],
        "find_drums": lambda: [reader.find_drums(x) for x in SEARCHES],
        "decisions": lambda: reader.decisions(reader.drums(LINE, 10)),
        "drum": lambda: reader.drum(LINE, drum + 1),
        "drum_named": lambda: reader.drum_named(LINE, name_of(LINE, drum)),
        "drums_named": lambda: reader.drums_named(name_of(LINE, drum)),
        "drums_between": lambda: reader.drums_between(LINE, start, end),
        "splices": lambda: reader.splices(LINE, start, end),
        "splices_of": lambda: reader.splices_of(name_of("core-1", drum)),
        "verdicts": lambda: reader.verdicts(LINE, start, end),
        "rows": lambda: reader.rows(LINE, start, end),
        "findings": lambda: reader.findings(LINE, start, end),
        "findings_of_kind": lambda: reader.findings_of_kind(FindingKind.FAULT, 10),
        "samples": lambda: reader.samples(SPEED, END_MS - 5000, END_MS),
        "newest_ms": lambda: reader.newest_ms(LINE),
        "states": lambda: reader.states(LINE, t0, t1),
        "proposals": reader.proposals,
        "recipes_of_files": reader.recipes_of_files,
        "came_into_force": reader.came_into_force,
        "metre_at": lambda: reader.metre_at(LINE, t0),
        "time_at": lambda: reader.time_at(LINE, start),
        "journal_hash": lambda: reader.journal_hash(LINE),
        "rejected": reader.rejected,
        "gaps": lambda: reader.gaps(LINE, t0, t1),
    }


@dataclass
class Counted:
    """A store with its reader, the statements asked and the instructions that the database ran for them."""

    reader: StoreReader
    drums: int
    statements: list[tuple[str, Any]]
    steps: int = 0

    def cost(self, ask: Callable[[], Any]) -> int:
        self.statements.clear()
        self.steps = 0
        ask()
        return self.steps


def counted(folder: Path, drums: int) -> Counted:
    store, whole = Store(folder=str(folder)), configuration()
    c = whole.model_copy(update={"lines": {name: whole.lines[name] for name in ("core-1", "core-2", LINE)}})
    fill(store, c, Past(drums=drums, end_ms=END_MS, messages=4 * drums, files=drums))
    one = Counted(StoreReader(store, c), drums, [])

    def count() -> None:
        one.steps += STEP

    @event.listens_for(one.reader.engine, "connect")
    def watched(connection: Any, _: Any) -> None:
        connection.set_progress_handler(count, STEP)

    @event.listens_for(one.reader.engine, "before_cursor_execute")
    def asked(_c: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        one.statements.append((statement, parameters))

    return one


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Counted, Counted]]:
    """A young store and one ten times as old."""
    made = [counted(tmp_path_factory.mktemp("store"), drums) for drums in (FEW, MANY)]
    yield made[0], made[1]
    for one in made:
        one.reader.engine.dispose()


NAMES = sorted(name for name in vars(Record) if not name.startswith("_"))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("place", ["oldest", "middle", "newest"])
def test_g1_no_answer_costs_more_in_an_older_store(both: tuple[Counted, Counted], name: str, place: str) -> None:
    cost = []
    for one in both:
        drum = {"oldest": 2, "middle": one.drums // 2, "newest": one.drums - 3}[place]
        ask = questions(one.reader, drum, one.drums)[name]
        ask()  # the first connection reads the schema
        cost.append(one.cost(ask))
    young, old = cost
    assert old <= 1.3 * young + 40 * STEP, f"{name}: {young} instructions became {old}: {both[1].statements}"


@pytest.mark.parametrize("name", NAMES)
def test_g1_no_answer_scans_a_table_that_grows(both: tuple[Counted, Counted], name: str) -> None:
    old = both[1]
    old.cost(questions(old.reader, old.drums // 2, old.drums)[name])
    for statement, parameters in list(old.statements):
        with old.reader.engine.connect() as connection:
            plan = [row[-1] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)]
        scans = [p for p in plan if p.startswith("SCAN ") and p.split()[1] not in (*BOUNDED, "positions", "CONSTANT")]
        if "LIMIT" in statement and not any("TEMP B-TREE" in p for p in plan):
            scans = [p for p in scans if "USING INDEX" not in p]  # in the index's own order as far as the limit
        scans = [p for p in scans if not p.endswith("USING INDEX manifest_damaged")]  # it holds damaged files only
        assert scans == [], f"{name}: {plan} for {statement}"


def test_g1_looking_for_drums_to_move_walks_no_table_of_drums(both: tuple[Counted, Counted]) -> None:
    """It is done every ten seconds in the thread that judges."""
    old = both[1]
    old.cost(lambda: list(each_drum(old.reader.engine, old.reader.folder)))
    plans = []
    for statement, parameters in list(old.statements):
        with old.reader.engine.connect() as connection:
            plans += [row[-1] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)]
    assert sorted(p.split("INDEX ")[-1] for p in plans if p.startswith("SCAN drum")) == DRUM_INDEXES


def test_g1_the_newest_state_is_found_among_the_messages_of_its_stream(both: tuple[Counted, Counted]) -> None:
    """By their time, SQLite would walk the messages of all streams of the line back to it."""
    old = both[1]
    old.cost(lambda: newest_state(old.reader.engine, old.reader.folder, LINE, END_MS))
    ((statement, parameters),) = [s for s in old.statements if "FROM message" in s[0]]
    with old.reader.engine.connect() as connection:
        plan = [row[-1] for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)]
    assert "message_by_stream" in plan[0], plan


def test_g1_the_page_of_drums_reads_its_rows_in_few_passes(both: tuple[Counted, Counted]) -> None:
    """40 rows took 1,184 statements in the demo, one row after another; the ribbons are what each row alone gives."""
    one = both[1]
    c = one.reader.configuration
    assert c is not None

    def context() -> Context:
        now_s = END_MS / 1e3
        return Context(
            record=one.reader,
            configuration=c,
            clock=lambda: now_s,
            gateway=FakeGateway(),
            numbering=ActionNumbers(lambda: now_s),
        )

    shown = context()
    one.cost(lambda: drums_page.content(shown))
    asked = len(one.statements)
    wound = [(drum, length_m(shown, drum)) for drum in one.reader.drums(limit=40)]
    assert len(wound) == 40
    one.cost(lambda: ribbons(context(), wound))
    together = len(one.statements)
    alone = context()
    one.statements.clear()
    expected = [whole_runs(alone, *drum) for drum in wound]
    assert ribbons(context(), wound) == expected
    assert together < asked <= 40
