"""A quantity that was renamed on the wire is still understood where a store or a recording holds its messages."""

from pathlib import Path

import pytest
from sqlalchemy import text

from monitor.contract.messages import PayoffChange
from monitor.contract.record import Splice
from monitor.contract.topics import RENAMED, Stream, is_notification, parse, present
from monitor.core.arrival import Arrival, Message
from monitor.core.pipeline import Pipeline
from monitor.shell.processor import Processor
from monitor.shell.recording import Mapping, read_rows
from monitor.store import rolling as rollup
from monitor.store.message_history import History
from tests.core.script import T0
from tests.core.test_whole_cable import laying_up, put_on
from tests.shell.works import processor_at, take

DRUMS = ["C1-0001", "C2-0001", "C1-0007"]


@pytest.fixture
def processor(place: Path) -> Processor:
    """A processor over a store whose pay-off changes are held as version 0.4.0 wrote them."""
    processor = processor_at(place, lines=["lay-1"])
    take(processor, laying_up(90, before=put_on).sorted())
    processor.writer.write(processor.last_batch())
    with processor.writer.engine.begin() as c:
        changed = c.execute(text("update message set quantity = 'splice', crc = null where quantity = 'payoff'"))
        assert changed.rowcount == len(DRUMS)
    return processor


def payoffs(processor: Processor) -> list[str]:
    start_ms = round(T0 * 1e3)
    found = [
        m
        for part in History(configuration=processor.configuration, line="lay-1").read(start_ms, start_ms + 200_000)
        for m in part
    ]
    return [m.body.drum for m in found if isinstance(m, Message) and isinstance(m.body, PayoffChange)]


def test_a_line_made_again_from_its_messages_reads_them(processor):
    c, start_ms = processor.configuration, round(T0 * 1e3)
    pipeline = Pipeline(line=c.lines["lay-1"], recipes=c.recipes_for("lay-1"))
    outputs = [
        o
        for part in History(configuration=c, line="lay-1").read(start_ms, start_ms + 200_000)
        for o in pipeline.feed(part)
    ]
    assert sorted(o.drum for o in outputs if isinstance(o, Splice)) == sorted(DRUMS)


def test_history_and_recordings_read_them_from_database_and_hour_file(processor, place):
    assert payoffs(processor) == DRUMS
    (path,) = rollup.roll_hours(processor.writer.engine, place, -2 * rollup.HOUR_MS, ["lay-1"])
    assert payoffs(processor) == DRUMS
    names = {path for _, path, _ in read_rows(path, Mapping()).notifications}
    assert {"pay-off-a/payoff", "pay-off-b/payoff"} <= names


def test_only_the_present_name_is_a_stream_on_the_wire(processor):
    earlier = Stream("lay-1", "pay-off-a", "splice")
    assert present(earlier) == Stream("lay-1", "pay-off-a", "payoff")
    assert all(is_notification(name) for name in RENAMED)
    assert parse("tarn", f"tarn/{earlier}") == earlier
    refused = processor.decoder.decode(Arrival(f"tarn/{earlier}", b'{"n":0,"t":1764000000000,"drum":"C1-0001"}', T0))
    assert getattr(refused, "kind", None) == "unknown stream"
