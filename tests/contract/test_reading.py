"""What may be asked of the record: the store and the record of the dashboard's tests answer the same questions."""

import inspect

import pytest

from monitor.contract.command import CannotRunError
from monitor.contract.reading import DrumRow, Record, SchemaVersionError
from monitor.contract.record import FillingKey
from monitor.store.reader import StoreReader
from tests.dashboard.fake_record import FakeRecord

QUESTIONS = {name: f for name, f in vars(Record).items() if inspect.isfunction(f) and not name.startswith("_")}


@pytest.mark.parametrize("record", [StoreReader, FakeRecord])
@pytest.mark.parametrize("name", QUESTIONS)
def test_every_question_is_asked_by_the_same_names_in_the_same_order(record, name):
    wanted = inspect.signature(QUESTIONS[name]).parameters
    given = inspect.signature(getattr(record, name)).parameters
    assert [(p.name, p.kind, p.default) for p in given.values()] == [
        (p.name, p.kind, p.default) for p in wanted.values()
    ]


def test_there_are_questions():
    assert {"drums", "verdicts", "rows", "samples"} <= QUESTIONS.keys()


def test_the_key_of_a_drum_is_its_line_and_number_with_its_name():
    row = DrumRow(
        line="core-1", filling=3, drum="7", recipe="r", revision=1, start_m=0.0, end_m=None, start_ms=0, end_ms=None,
        planned_length_m=None, metres={},
    )  # fmt: skip
    assert row.key == FillingKey("core-1", 3, "7")


def test_a_store_of_another_version_ends_a_command_with_its_reason():
    assert issubclass(SchemaVersionError, CannotRunError)
