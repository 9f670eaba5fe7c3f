"""All of a record is compared with what its messages make."""

from collections.abc import Iterable, Mapping
from pathlib import Path

from sqlalchemy import text

from monitor.shell.doctor_rebuild import RebuiltLine, rebuild
from monitor.store.database import open_for_writing
from tests.commands.test_doctor import written
from tests.shell.whole_record import EDITS, edited, made_again
from tests.shell.works import settings_at, stored_at

OF_CORE_1 = {
    "update ledger set spans = replace(spans, '[0,', '[1,') where quantity = 'drum'": "table ledger, take-up drum",
    "update ledger set upto = upto + 1 where quantity = 'speed'": "table ledger, metre-counter speed, upto",
    "delete from ledger where quantity = 'pressure'": "table ledger, head pressure: stored none",
    "update line_now set now = replace(now, 'C1-0003', 'C1-0007')": "table line_now, core-1, now/drum",
    "update alarm_now set after = 'normal'": "table alarm_now, ",
    "update drum set conforming_m = conforming_m + 1 where filling = 2": "table drum, filling 2, drum C1-0002, ",
}
OF_LAY_1 = {
    "update in_force set line_metre = 1": "table in_force, laid-2x2g5 ",
    "update line_revision set since_m = since_m + 1": "table line_revision, 2, since_m",
    "update counter_fault set kind = 'slip'": "table counter_fault, ",
    "update splice set left_m = 1": "table splice, ",
    "update proposal set state = 'refused'": "table proposal, P1, state",
    "update state_span set reason = 'unknown'": "table state_span, ",
}


def test_whatever_is_changed_in_a_table_differs(place, tmp_path_factory):
    """A9: the ledger, the line at this moment and a drum's sums were compared with nothing."""
    written(place).dispose()
    change(place, OF_CORE_1)
    made = rebuild(stored_at(place), "core-1", tmp_path_factory.mktemp("made"))
    named_as(OF_CORE_1, made)


def test_whatever_is_changed_in_a_table_of_a_revised_line_differs(place, tmp_path_factory):
    """A9."""
    _, configuration = edited(place, 1, EDITS["line"])
    change(place, OF_LAY_1)
    named_as(OF_LAY_1, made_again(configuration, tmp_path_factory))


def change(place: Path, changes: Iterable[str]) -> None:
    engine = open_for_writing(settings_at(place))
    with engine.begin() as connection:
        for one in changes:
            assert connection.execute(text(one)).rowcount > 0, one
    engine.dispose()


def named_as(changes: Mapping[str, str], made: RebuiltLine) -> None:
    found = [str(d) for d in made.differences]
    for one, start in changes.items():
        assert [d for d in found if d.startswith(start)], (one, found)
