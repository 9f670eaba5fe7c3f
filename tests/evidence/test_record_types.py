"""The record of a drum as types: whoever reads its JSON finds the same names, and units in them."""

import inspect

import msgspec
import pytest

from monitor.evidence import record_types
from monitor.evidence.record_types import AlarmCount, ReleaseRecord, Statistics

TYPES = [t for _, t in inspect.getmembers(record_types, inspect.isclass) if t.__module__ == record_types.__name__]
UNITS = ("_m", "_s", "_ms", "_kV", "_C", "_min")


@pytest.mark.parametrize("kind", TYPES, ids=lambda t: t.__name__)
def test_every_part_is_frozen_and_its_fields_are_given_by_name(kind):
    assert kind.__struct_config__.frozen
    with pytest.raises(TypeError, match="positional"):
        kind(*[None] * len(msgspec.structs.fields(kind)))


@pytest.mark.parametrize("kind", TYPES, ids=lambda t: t.__name__)
def test_what_is_measured_has_its_unit_in_its_name(kind):
    """Statistics are in the unit of their column; a share, a rate and a limit say in words what they are."""
    plain = {"metres", "per_km", "seen_share", "most", "start_line_metre", "end_line_metre"}
    for field in msgspec.structs.fields(kind):
        if kind is not Statistics and "float" in str(field.type) and "Statistics" not in str(field.type):
            assert field.name.endswith(UNITS) or field.name in plain, f"{kind.__name__}.{field.name}"


def test_the_names_that_readers_of_the_json_rely_on_stay():
    assert [f.name for f in msgspec.structs.fields(ReleaseRecord)] == [
        "drum", "filling", "filling_of_drum", "line", "line_title", "recipe", "revision", "revisions", "length_m",
        "begun_ms", "ended_ms", "start_line_metre", "end_line_metre", "metres", "evidence", "findings", "inherited",
        "ancestry", "went_into", "without_origin", "integrity", "integrity_tests", "resistance", "decisions",
        "journal_last_hash", "proposed", "against",
    ]  # fmt: skip


def test_a_part_with_a_value_of_another_type_is_refused_when_it_is_read():
    sent = msgspec.json.encode(AlarmCount(raised=2, not_answered=1))
    assert msgspec.json.decode(sent, type=AlarmCount) == AlarmCount(raised=2, not_answered=1)
    with pytest.raises(msgspec.ValidationError, match="raised"):
        msgspec.json.decode(sent.replace(b"2", b'"two"'), type=AlarmCount)
