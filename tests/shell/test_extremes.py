"""A5, A11: numbers at the edge of what a float holds, in every numeric field of every message, on both stores.

Each is data or is refused with a reason; none is set aside, none becomes infinite in the record, none makes the
monitor reserve memory for cable that no line can have made.
"""

import dataclasses
import io
import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sqlalchemy import Float, LargeBinary, Text, select

from monitor.contract.config.configuration import Configuration
from monitor.contract.messages import STREAM_MESSAGES
from monitor.contract.record import MetreRows, Output
from monitor.contract.topics import MONITOR
from monitor.core.arrival import Arrival, Message
from monitor.core.decode import Decoder
from monitor.core.pipeline import Pipeline
from monitor.store.schema import HEALTH, LINE_NOW, MESSAGE, METADATA, METRE_BLOCK, PROPOSAL, SET_ASIDE
from tests.core.script import T0, Script, configuration
from tests.core.test_pipeline import core_line
from tests.shell import works
from tests.shell.test_salvage import rows_of, store
from tests.shell.works import processor_at

EXTREMES: list[float] = [
    1e308, -1e308, sys.float_info.max, -sys.float_info.max, 5e-324, -5e-324, -0.0, 2.0**63, -(2.0**63), 2**63, 2**64,
    10**30, -(10**300), 1e12, -1e12, 1e9, -273.15, -273.0, 1e6,
]  # fmt: skip
LINES = ["core-1", "lay-1"]
MS = round(T0 * 1e3)


def without_ranges() -> Configuration:
    """The demo works with instruments whose measuring range nobody has written down."""
    plain = configuration().model_dump()
    for line in plain["lines"].values():
        for stream in line["stream"]:
            stream["measuring_range"] = None
    return Configuration.model_validate(plain)


OPEN = without_ranges()


@pytest.fixture
def unranged(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(works, "configuration", lambda: OPEN)


def extreme(arrivals: list[Arrival], paths: set[str], values: list[float]) -> list[Arrival]:
    """The same script, with values of some streams replaced by these, in turn."""
    out = []
    for arrival in arrivals:
        body = json.loads(arrival.payload)
        if arrival.topic.split("/", 2)[2] in paths and "v" in body:
            is_block = isinstance(body["v"], list)
            found = [values[(body["n"] + i) % len(values)] for i in range(len(body["v"]) if is_block else 1)]
            body["v"] = found if is_block else found[0]
        out.append(msgspec.structs.replace(arrival, payload=json.dumps(body).encode()))
    return out


def paths_of(arrivals: list[Arrival]) -> set[str]:
    return {a.topic.split("/", 2)[2] for a in arrivals if b'"v"' in a.payload}


def infinite(outputs: list[Output]) -> list[str]:
    """Fields of outputs that hold an infinite number, and columns of rows."""
    found = []
    for output in outputs:
        for field in dataclasses.fields(output):
            value = getattr(output, field.name)
            if isinstance(value, float) and not math.isfinite(value):
                found.append(f"{type(output).__name__}.{field.name}")
        if isinstance(output, MetreRows):
            found += [name for name, column in output.columns.items() if np.isinf(column).any()]
    return found


SHORT = core_line(4).sorted()
LONG = core_line(70).sorted()


@settings(max_examples=12, deadline=None)
@example({"oven-b/temperature"}, [1e12])  # the wall swings below absolute zero
@given(st.sets(st.sampled_from(sorted(paths_of(LONG))), min_size=1), st.lists(st.sampled_from(EXTREMES), min_size=1))
def test_an_engine_makes_a_finite_record_of_any_readings(paths, values):
    """Readings of several streams at once, over cable that passes all ovens; no arithmetic warning either."""
    decoder = Decoder.of(OPEN)
    arrivals = extreme(LONG, paths, values)
    messages = [m for m in map(decoder.decode, arrivals) if isinstance(m, Message)]
    engine = Pipeline(line=OPEN.lines["core-1"], recipes=OPEN.recipes_for("core-1"))
    outputs: list[Output] = []
    for start in range(0, len(messages), 100):
        outputs += engine.feed(messages[start : start + 100])
    assert infinite(outputs) == []
    assert sum(len(o) for o in outputs if isinstance(o, MetreRows)) < 75 * 30, "more cable than any line can make"
    json.loads(msgspec.json.encode(engine.now().extra), parse_constant=pytest.fail)


def finite_or_none(place: Path, processor: Any) -> Iterator[str]:
    """Places in the store that hold an infinite number, or text that is no JSON where JSON is promised."""
    of_json = {LINE_NOW.c.now, HEALTH.c.said, PROPOSAL.c.changes}
    for table in METADATA.sorted_tables:
        for row in rows_of(processor, select(table)):
            for column in table.c:
                value = row._mapping[column]
                if isinstance(column.type, Float) and value is not None and not math.isfinite(value):
                    yield f"{column} is {value}"
                if isinstance(column.type, Text) and column in of_json:
                    json.loads(value, parse_constant=pytest.fail)
                if column is METRE_BLOCK.c.arrow and isinstance(column.type, LargeBinary):
                    yield from infinite_in(pa.ipc.open_stream(io.BytesIO(value)).read_all(), str(column))
    for path in place.rglob("*.parquet"):
        yield from infinite_in(pq.read_table(path), path.name)


def infinite_in(table: pa.Table, where: str) -> Iterator[str]:
    for name in table.column_names:
        if pa.types.is_floating(table.schema.field(name).type) and np.isinf(table[name].to_numpy()).any():
            yield f"{where}: {name}"


@pytest.mark.parametrize("counted", [False, True], ids=["gauges", "counter and speed too"])
def test_a_store_holds_a_finite_record_of_any_readings(place, unranged, counted):
    paths = paths_of(SHORT) - (set() if counted else {"metre-counter/length", "metre-counter/speed"})
    arrivals = extreme(SHORT, paths, EXTREMES)
    processor = processor_at(place, lines=LINES)
    outputs = store(processor, arrivals)
    processor.writer.write(processor.last_batch())
    processor.roll()
    refused = sum(processor.rejected.values())
    kept = rows_of(processor, select(MESSAGE.c.n).where(MESSAGE.c.station != MONITOR))
    assert len(kept) + refused == len(arrivals)
    assert len(kept) > len(arrivals) / 2
    assert rows_of(processor, select(SET_ASIDE)) == []
    assert infinite(outputs) == []
    assert list(finite_or_none(place, processor)) == []


# ---- every numeric field of every message ----------------------------------------------------------------------------

SOUND: dict[str, list[tuple[str, dict[str, Any]]]] = {
    "samples": [("oven-a/temperature", {"v": 290.0}), ("dancer/position", {"v": [1.0, 2.0], "dt": 10.0})],
    "state": [("line/state", {"state": "running"})],
    "drum": [("take-up/drum", {"drum": "A", "recipe": "core-2g5", "planned_length_m": 10.0})],
    "payoff": [("pay-off-a/payoff", {"drum": "B", "left_m": 5.0})],
    "action": [
        ("operator/action", {"action": "mark metres", "by": "M", "start_m": 1.0, "end_m": 2.0}),
        ("operator/action", {"action": "shelve", "by": "M", "alarm": "x", "until": MS + 1, "occurrence": MS}),
        ("operator/action", {"action": "note resistance", "by": "M", "drum": "A", "ohm": 7.0, "at_C": 20.0}),
    ],
    "limits": [
        ("operator/limits", {
            "step": "propose", "recipe": "core-2g5", "by": "M", "proposal": "p", "base": 1, "reason": "tried",
            "changes": {"window/oven-b/temperature/hi": 312.0},
        }),
        ("operator/limits", {"step": "go back", "recipe": "core-2g5", "by": "M", "to": 1, "reason": "tried"}),
    ],
}  # fmt: skip


def numeric_fields(kind: str) -> list[str]:
    """Names of the fields of a message that hold numbers, by its type."""
    fields = msgspec.inspect.type_info(STREAM_MESSAGES[kind]).fields  # type: ignore[attr-defined]
    return [field.name for field in fields if _holds_number(field.type)]


def _holds_number(of: Any) -> bool:
    parts = (getattr(of, name, None) for name in ("type", "item_type", "value_type"))
    inner = (*getattr(of, "types", ()), *(part for part in parts if part is not None))
    return isinstance(of, msgspec.inspect.IntType | msgspec.inspect.FloatType) or any(map(_holds_number, inner))


def with_extremes(kind: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for path, sound in SOUND[kind]:
        for field in numeric_fields(kind):
            for value in EXTREMES:
                whole = int(value) if float(value).is_integer() else value
                for number in {repr(value): value, repr(whole): whole}.values():
                    if field in sound or field in ("n", "t", "start"):
                        many = sound[field] if field == "changes" else {}
                        yield path, sound | {field: dict.fromkeys(many, number) if many else number}


def test_each_kind_of_message_has_numbers_and_examples():
    assert set(SOUND) == set(STREAM_MESSAGES)
    assert numeric_fields("action") == ["n", "t", "occurrence", "until", "start_m", "end_m", "ohm", "at_C", "start"]
    for kind, examples in SOUND.items():
        tried = {"n", "t", "start"}.union(*(sound for _, sound in examples))
        assert set(numeric_fields(kind)) <= tried, kind


@pytest.mark.parametrize("kind", STREAM_MESSAGES)
def test_extreme_numbers_in_any_field_are_stored_or_refused(place, unranged, kind):
    line = "lay-1" if kind == "payoff" else "core-1"
    script = Script(line)
    if line == "core-1":
        script.arrivals += core_line(2).sorted()
        script.numbers = {"line/state": 0, "take-up/drum": 0, **dict.fromkeys(paths_of(script.arrivals), 1)}
    count = len(script.arrivals)
    for i, (path, fields) in enumerate(with_extremes(kind)):
        script.send(path, T0 + 2 + i * 1e-3, **fields)
    for second in range(3, 12):
        script.send_samples(
            "metre-counter/length", T0 + second, [1003.8 + 3.8 * second + 0.38 * k for k in range(10)], 0.1
        )
    processor = processor_at(place, lines=LINES)
    outputs = store(processor, script.arrivals)
    processor.writer.write(processor.last_batch())
    assert len(script.arrivals) > count + 2 * len(EXTREMES)
    assert rows_of(processor, select(SET_ASIDE)) == []
    assert infinite(outputs) == []
    assert list(finite_or_none(place, processor)) == []
    kept = rows_of(processor, select(MESSAGE.c.n).where(MESSAGE.c.station != MONITOR))
    assert len(kept) > count
