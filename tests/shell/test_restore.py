"""An engine that stops anywhere goes on as if it had not, by its checkpoint and the messages that followed."""

import gc
from collections import Counter
from collections.abc import Callable, Sequence
from functools import partial
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import create_engine, delete, select, update

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import Output
from monitor.core.arrival import LineArrival
from monitor.core.pipeline import Pipeline
from monitor.shell import processor as processor_module
from monitor.shell.broker_link import Received
from monitor.shell.restore import restore
from monitor.store import message_history, reader
from monitor.store.revisions import lines_on_record
from monitor.store.schema import CHECKPOINT, LINE_REVISION
from tests.core.script import T0, Script
from tests.core.test_pipeline import core_line
from tests.shell.works import everything, processor_at, take
from tests.store.test_audit_trail import rows_of
from tests.store.test_upgrade import handles
from tests.store.test_writer import busy

ARRIVALS = core_line(130, before=busy).sorted()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    folder = tmp_path_factory.mktemp("undisturbed")
    take(processor_at(folder), ARRIVALS, 50)
    return everything(folder)


@settings(max_examples=8, deadline=None)
@given(stops=st.lists(st.integers(1, len(ARRIVALS) - 1), min_size=1, max_size=4), often=st.booleans())
def test_killed_anywhere_the_record_is_that_of_an_undisturbed_run(tmp_path_factory, undisturbed, stops, often):
    folder = tmp_path_factory.mktemp("killed")
    edges = [0, *sorted(set(stops)), len(ARRIVALS)]
    every = 0.5 if often else 30.0
    for i, (a, b) in enumerate(pairwise(edges)):
        processor = processor_at(folder, again=i > 0)
        with pytest.MonkeyPatch.context() as m:
            m.setattr(processor_module, "CHECKPOINT_EVERY_S", every)
            take(processor, ARRIVALS[a:b], 50)
        processor.writer.close()  # without a last batch: as kill -9 leaves it
    assert everything(folder) == undisturbed


def test_a_line_that_is_rebuilt_leaves_no_connection_open(place):
    """Ten lines of each of five monitors would else have taken all that a server gives."""
    processor = processor_at(place)
    take(processor, ARRIVALS[:1500], 50)
    with processor.writer.engine.begin() as c:
        c.execute(delete(CHECKPOINT))
    processor.writer.close()
    gc.disable()  # what is left to it may stay open for as long as it likes
    try:
        restore(processor.writer, processor.configuration, "core-1", lambda _: None)
        processor.writer.close()
        engine = create_engine(processor.writer.engine.url)
        assert handles(place, engine) == 0
    finally:
        gc.enable()
    engine.dispose()


def test_a_line_that_is_rebuilt_reads_over_one_engine_and_each_revision_once(place, monkeypatch):
    """Each of them takes as long as twenty statements, of every line at every start."""
    processor = processor_at(place)
    take(processor, ARRIVALS[:1500], 50)
    opened, parsed = Counter[str](), Counter[str]()
    for module in (reader, message_history):
        opening = partial(_counted, module.open_for_reading, opened, "engine")
        monkeypatch.setattr(module, "open_for_reading", opening)
    for model in (Line, Recipe):
        parsing = partial(_counted, model.model_validate_json, parsed)
        monkeypatch.setattr(model, "model_validate_json", lambda text, parsing=parsing: parsing(text, text))
    for _ in range(3):
        with processor.writer.engine.begin() as c:
            c.execute(delete(CHECKPOINT))
        restore(processor.writer, processor.configuration, "core-1", lambda _: None)
    processor.writer.close()
    assert opened == {"engine": 3}
    assert set(parsed.values()) <= {1}


def _counted(function: Callable[..., Any], count: "Counter[Any]", key: object, *given: Any) -> Any:
    count[key] += 1
    return function(*given)


def test_a_damaged_checkpoint_is_set_aside_and_the_engine_is_rebuilt(place, undisturbed):
    processor = processor_at(place)
    take(processor, ARRIVALS[:1500], 50)
    processor.writer.write(processor.last_batch())
    with processor.writer.engine.begin() as c:
        c.execute(update(CHECKPOINT).values(state=b"of another age"))
    log: list[str] = []
    pipeline = restore(processor.writer, processor.configuration, "core-1", log.append)
    assert "the last snapshot cannot be used: expected bytes that begin with" in log[0]
    assert "rebuilt from the record at line metre" in log[1]
    processor.engine.pipelines["core-1"] = pipeline
    take(processor, ARRIVALS[1500:], 50)
    assert everything(place) == undisturbed


def test_ten_kills_in_a_minute_do_not_lengthen_the_replay(place, monkeypatch):
    """A10: no checkpoint in the first 30 s of a process; replay 330 to 12,071 messages over 15 kills."""
    fed: list[int] = []
    feed = Pipeline.feed

    def counted(engine: Pipeline, messages: Sequence[LineArrival]) -> list[Output]:
        fed.append(len(messages))
        return feed(engine, messages)

    monkeypatch.setattr(Pipeline, "feed", counted)
    replayed: list[int] = []
    for i in range(11):
        processor = processor_at(place)
        fed.clear()
        processor.engine.pipelines["core-1"] = restore(
            processor.writer, processor.configuration, "core-1", lambda _: None
        )
        replayed.append(sum(fed))
        take(processor, ARRIVALS[150 * i : 150 * (i + 1)], 50)
        processor.writer.close()  # without a last batch: as kill -9 leaves it
    assert replayed[0] == 0
    assert min(replayed[1:]) > 0
    assert max(replayed) <= 150


def test_many_messages_are_a_reason_for_a_checkpoint_as_time_is(place, monkeypatch):
    monkeypatch.setattr(processor_module, "CHECKPOINT_EVERY_MESSAGES", 300)
    monkeypatch.setattr(processor_module, "NOW_EVERY_S", 0.0)
    processor = processor_at(place)
    states = []
    for start in range(0, 1000, 50):
        part = ARRIVALS[start : start + 50]
        batch = processor.take([Received(a, lambda: None) for a in part], T0)
        processor.write(batch)
        states += [start + 50] if batch.states else []
    assert states == [300, 600, 900]


def with_line(configuration: Configuration, **update: object) -> Configuration:
    line = configuration.lines["core-1"].model_copy(update=update)
    return configuration.model_copy(update={"lines": configuration.lines | {"core-1": line}})


def test_an_edited_line_takes_effect_from_a_metre_on(place):
    """A4: the line's file is a revision as a recipe's is."""
    processor = processor_at(place)
    restore(processor.writer, processor.configuration, "core-1", lambda _: None)
    take(processor, ARRIVALS[:1500], 50)
    processor.writer.write(processor.last_batch())
    given_out = everything(place)
    changed = with_line(processor.configuration, settle_s=6.0, revision=2)
    log: list[str] = []
    pipeline = restore(processor.writer, changed, "core-1", log.append)
    assert pipeline.line.settle_s == 6.0
    assert pipeline.drums.on == processor.engine.pipelines["core-1"].drums.on
    assert pipeline.track.now_m == processor.engine.pipelines["core-1"].track.now_m
    assert everything(place) == given_out
    assert f"line revision 2 is in force from metre {pipeline.rows.next_m} on: revision, settle_s" in log[-1]
    with processor.writer.engine.connect() as c:
        first, second = lines_on_record(c, "core-1")
        since = c.execute(select(LINE_REVISION.c.since_m).order_by(LINE_REVISION.c.revision)).scalars().all()
    assert (first.content, second.content) == (processor.configuration.lines["core-1"], changed.lines["core-1"])
    assert since == [None, pipeline.rows.next_m]
    (entry,) = (e for e in rows_of(processor) if e.target == "line core-1 revision 2")
    assert (entry.who, entry.action, entry.reason) == (
        "configuration files", "take into force", f"from metre {pipeline.rows.next_m}",
    )  # fmt: skip


def test_a_line_that_never_sent_begins_quietly(place):
    processor = processor_at(place)
    printed: list[str] = []
    assert restore(processor.writer, processor.configuration, "core-2", printed.append).now().t_s == 0.0
    assert printed == []
    assert T0 > 0


def test_a_snapshot_is_never_written_without_what_the_line_is_now(tmp_path):
    """Two batches within one reading of the clock: the second has many messages, and nothing new to say of the line."""
    processor, now_s = processor_at(tmp_path), T0 + 5000.0
    script = Script()
    for i in range(2600):
        script.send_samples("oven-a/temperature", now_s - 3600 + i, 290.0)
    for part in (script.arrivals[:1500], script.arrivals[1500:]):
        batch = processor.take([Received(a, lambda: None) for a in part], now_s)
        assert set(batch.states) <= set(batch.now)
        processor.write(batch)
