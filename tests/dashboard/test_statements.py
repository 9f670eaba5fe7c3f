"""G1: what a page asks of the database depends on what kind of page it is, not on how many rows it shows."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from dashboard.context import Context
from dashboard.gateway import ActionNumbers
from dashboard.pages import route
from dashboard.pages.alarm_load import layout as alarm_load
from dashboard.pages.capability import layout as capability
from dashboard.pages.cutting import layout as cutting
from dashboard.pages.recurrence import layout as recurrence
from dashboard.pages.shift import layout as shift
from dashboard.pages.traceability import layout as traceability
from dashboard.queries import alarm_list, live
from monitor.evidence.inherited import ribbons, whole_runs
from tests.dashboard.fake_record import FakeGateway
from tests.shell.test_growth import END_MS, LINE, Counted, counted

FEW, MANY = 10, 40  # drums of each line, and rows of the lists that show them

PAGES = ["/", "/alarms", "/drums", "/trend", "/what-if", "/shift", "/cutting", "/recurring",
         "/capability", "/alarm-load",
         "/limits",
         "/health", f"/line/{LINE}", f"/drum/{LINE}/filling/5", f"/release/{LINE}/filling/5",
         f"/traceability/{LINE}/filling/5"]  # fmt: skip


def context_of(one: Counted) -> Context:
    now_s = END_MS / 1e3
    c = one.reader.configuration
    assert c is not None
    return Context(
        record=one.reader,
        configuration=c,
        clock=lambda: now_s,
        gateway=FakeGateway(),
        numbering=ActionNumbers(lambda: now_s),
    )


def answers(context: Context, drums: int) -> dict[str, Callable[[], Any]]:
    """What callbacks and the api give, each about as many drums as there are."""
    shifts = shift._choices(context)
    return {
        "live": lambda: live.answer(context, live.Question(LINE)),
        "alarms": lambda: alarm_list.now(context, None),
        "changes": lambda: alarm_list.history(context, 168, 0, None),
        "shift": lambda: shift.answer(context, shifts[0]["value"]),
        "handovers": lambda: shift.handovers(context),
        "cutting": lambda: cutting.bad_of_all(context, cutting.finished(context, LINE), True),
        "ribbons": lambda: ribbons(context, [(d, 2000.0) for d in context.record.drums(LINE, drums)[1:]]),
        "cutting choices": lambda: cutting.drums(context, LINE),
        "recurring": lambda: recurrence.answer(context, LINE, "fault:spark-a/spark-fault", str(drums), 0.4, 20.0),
        "recurring work": lambda: recurrence.work(context, LINE, "mark:", str(drums)),
        "capability": lambda: capability.answer(context, LINE, "spark-a/voltage", str(drums), 0.05),
        "alarm load": lambda: alarm_load.answer(context, alarm_load.ALL, "30 days"),
        "traceability": lambda: traceability.answer(context, context.record.drums(LINE, 2)[-1], 700.0),
    }


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Counted, Counted]]:
    made = [counted(tmp_path_factory.mktemp("store"), drums) for drums in (FEW, MANY)]
    yield made[0], made[1]
    for one in made:
        one.reader.engine.dispose()


ANSWERS = ["live", "alarms", "changes", "shift", "handovers", "cutting", "cutting choices", "ribbons", "recurring",
           "recurring work",
           "capability", "alarm load", "traceability"]  # fmt: skip


def statements(one: Counted, shown: str) -> int:
    """How many are asked for a page or an answer, with nothing kept of an earlier one."""
    context = context_of(one)
    ask = answers(context, one.drums)[shown] if shown in ANSWERS else lambda: route(context, shown)
    one.cost(ask)
    return len(one.statements)


@pytest.mark.parametrize("shown", [*PAGES, *ANSWERS])
def test_g1_a_page_of_forty_rows_asks_hardly_more_than_one_of_ten(both: tuple[Counted, Counted], shown: str) -> None:
    """Drums that were put on long ago may be read in one pass more; the page of drums asked 203 for its 40 rows."""
    few, many = (statements(one, shown) for one in both)
    assert many <= few + 6, f"{few} statements became {many}: {[s for s, _ in both[1].statements]}"
    # Why the release rule holds a drum is asked of each that ended in the shift, some twenty statements a drum.
    assert many <= (200 if shown == "shift" else 110)


def test_g1_the_ribbons_of_many_drums_are_those_of_each(both: tuple[Counted, Counted]) -> None:
    context = context_of(both[1])
    wound = [(drum, 2000.0) for drum in context.record.drums(LINE, MANY)[1:]]
    assert len(wound) == MANY - 1
    assert any(len(of) > 1 for of in ribbons(context, wound))
    assert ribbons(context, wound) == [whole_runs(context_of(both[1]), *one) for one in wound]
