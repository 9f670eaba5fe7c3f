"""A5: no text that decoding lets through is wider than the column that holds it."""

from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
from msgspec import inspect
from sqlalchemy import Column, String, Text

from monitor.contract import bounds
from monitor.contract.messages import STREAM_MESSAGES, DrumChange, StateChange
from monitor.contract.record import AlarmState, Priority
from monitor.store import schema

S = schema
# Columns that hold each text of a message from the wire.
HELD = {
    "state.reason": [S.STATE_SPAN.c.reason],
    "drum.drum": [S.DRUM.c.drum],
    "drum.recipe": [S.DRUM.c.recipe],
    "payoff.drum": [S.SPLICE.c.drum],
    "action.by": [
        S.ALARM_CHANGE.c.by_whom,
        S.ALARM_NOW.c.by_whom,
        S.JOURNAL.c.who,
        S.FINDING.c.by_whom,
        S.EVENT.c.answered_by,
    ],
    "action.reason": [S.ALARM_CHANGE.c.reason, S.ALARM_NOW.c.reason, S.JOURNAL.c.reason],
    "action.alarm": [S.ALARM_CHANGE.c.alarm, S.ALARM_NOW.c.alarm, S.JOURNAL.c.target],
    "action.event": [S.EVENT.c.event],
    "action.station": [S.FINDING.c.stream],
    "action.drum": [S.FINDING.c.text],
    "action.recipe": [S.FINDING.c.text],
    "limits.recipe": [S.PROPOSAL.c.recipe, S.IN_FORCE.c.recipe, S.REVISION.c.recipe],
    "limits.by": [S.PROPOSAL.c.by_whom, S.PROPOSAL.c.decided_by, S.IN_FORCE.c.by_whom, S.IN_FORCE.c.approved_by],
    "limits.proposal": [S.PROPOSAL.c.proposal],
    "limits.changes": [S.PROPOSAL.c.changes],
    "limits.reason": [S.PROPOSAL.c.reason, S.PROPOSAL.c.decided_reason, S.IN_FORCE.c.reason],
    "limits.rehearsal": [S.PROPOSAL.c.rehearsal],
}
# Columns whose texts come of the configuration, bounded by its own types, and of names in the program.
PATH = bounds.NAME + 1 + bounds.NAME
OF_CONFIGURATION = {"line", "station", "quantity", "position", "unit", "check_name", "recipe", "revision"}
OF_CODE = {"kind", "state", "event", "before", "after", "priority", "action", "hash", "digest", "monitor"}
OF_CODE |= {"sha256", "next_sha256"}
COMPOSED = {"stream", "key", "alarm", "target", "path"}  # of paths, checks, and times in ms; of line and date


def texts(kind: inspect.Type) -> Iterator[inspect.StrType]:
    """Every type of text within a type."""
    if isinstance(kind, inspect.StrType):
        yield kind
    elif isinstance(kind, inspect.UnionType):
        for one in kind.types:
            yield from texts(one)
    elif isinstance(kind, inspect.ListType):
        yield from texts(kind.item_type)
    elif isinstance(kind, inspect.DictType):
        yield from texts(kind.key_type)
        yield from texts(kind.value_type)


def of_wire() -> Iterator[tuple[str, inspect.StrType]]:
    for name, message in STREAM_MESSAGES.items():
        described = inspect.type_info(message)
        assert isinstance(described, inspect.StructType)
        for field in described.fields:
            for text in texts(field.type):
                yield f"{name}.{field.encode_name}", text


def test_every_text_of_every_message_is_bounded_and_has_no_control_characters():
    found = dict(of_wire())
    assert set(found) == set(HELD), "a text on the wire that the table above does not name"
    for name, text in found.items():
        assert text.max_length is not None, name
        assert text.pattern in (bounds.ONE_LINE, bounds.LINES), name


def width(column: Column[Any]) -> int:
    """Characters that a column of text holds."""
    assert isinstance(column.type, String)
    assert column.type.length is not None
    return column.type.length


@pytest.mark.parametrize(("name", "text"), list(of_wire()), ids=lambda x: x if isinstance(x, str) else "")
def test_no_text_is_wider_than_its_columns(name, text):
    for column in HELD[name]:
        assert isinstance(column.type, Text) or text.max_length <= width(column), column


def test_every_bounded_column_is_known_to_hold_what_it_gets():
    of_messages = {column for columns in HELD.values() for column in columns}
    for table in schema.METADATA.tables.values():
        for column in table.columns:
            if isinstance(column.type, String) and not isinstance(column.type, Text):
                known = OF_CONFIGURATION | OF_CODE | COMPOSED
                assert column in of_messages or column.name in known, column
                if column.name in OF_CONFIGURATION - {"unit"}:
                    assert width(column) >= bounds.NAME, column
    assert max(len(state.value) for state in AlarmState) <= width(S.ALARM_CHANGE.c.after)
    assert max(len(priority.value) for priority in Priority) <= width(S.ALARM_CHANGE.c.priority)
    assert len("lines/" + "/9999-12-31/23-again.parquet") + bounds.NAME <= width(S.MANIFEST.c.path)
    assert width(S.ALARM_CHANGE.c.alarm) >= PATH + 1 + bounds.NAME
    assert PATH + 1 + bounds.NAME + 1 + len(str(bounds.TIME_MS)) <= width(S.FINDING.c.key)


@pytest.mark.parametrize("bad", ["a\x00", "a\n", "\x1b[2J", "a\x7f", "\t"])
def test_a_line_of_text_has_no_control_characters(bad):
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"n": 0, "t": 0, "drum": bad}, STREAM_MESSAGES["drum"])


@pytest.mark.parametrize("good", ["Ä 1/2 _x", "🙂" * bounds.LABEL, "'; drop table drum; --", " "])
def test_any_other_characters_are_taken(good):
    assert msgspec.convert({"n": 0, "t": 0, "drum": good}, DrumChange).drum == good


def test_a_reason_may_have_lines_and_tabs():
    words = "first\n\tsecond"
    assert msgspec.convert({"n": 0, "t": 0, "state": "stopped", "reason": words}, StateChange).reason
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"n": 0, "t": 0, "state": "stopped", "reason": words + "\x00"}, STREAM_MESSAGES["state"])
