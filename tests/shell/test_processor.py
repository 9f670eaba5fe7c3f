"""The processor around the engine: what is new is fed and stored once, and lines that were restored go on."""

import pytest

from monitor.contract.record import Rejected
from monitor.core.engine import Engine
from monitor.shell import processor as processor_module
from monitor.shell.broker_link import Received
from monitor.shell.restore import restore
from tests.core.script import T0
from tests.core.test_pipeline import core_line
from tests.shell.works import everything, numbers_stored, processor_at, take

LINES = ["core-1", "core-2"]


@pytest.fixture(scope="module")
def arrivals() -> list:
    return core_line(20).sorted()


def received(arrivals: list) -> list[Received]:
    return [Received(a, lambda: None) for a in arrivals]


def test_a_message_that_comes_again_is_neither_fed_nor_stored_again(tmp_path, arrivals):
    one = processor_at(tmp_path, lines=LINES)
    take(one, arrivals)
    metre, newest = one.engine.pipelines["core-1"].track.now_m, one.engine.pipelines["core-1"].seq
    batch = one.take(received(arrivals[-50:]), arrivals[-1].received_s)
    assert batch.messages == []
    one.writer.write(batch)
    assert numbers_stored(one.writer.engine)["core-1"] == len(arrivals)
    assert (one.engine.pipelines["core-1"].track.now_m, one.engine.pipelines["core-1"].seq) == (metre, newest)


def test_a_silent_line_gets_one_tick_which_is_stored_as_its_messages_are(tmp_path, arrivals):
    one = processor_at(tmp_path, lines=LINES)
    take(one, arrivals)
    for later_s in (200.0, 201.0):
        one.writer.write(one.take([], T0 + later_s))
    assert one.engine.pipelines["core-1"].silence.silent
    assert not one.engine.pipelines["core-2"].silence.silent  # nothing ever came from it
    one.writer.close()
    again = processor_at(tmp_path, again=True, lines=LINES)
    assert again.engine.pipelines["core-1"].silence.silent
    assert again.engine.pipelines["core-1"].seq == one.engine.pipelines["core-1"].seq


def test_of_a_suspended_line_nothing_is_taken_and_once_restored_it_goes_on(tmp_path, arrivals, monkeypatch):
    monkeypatch.setattr(processor_module, "RESTORE_AGAIN_S", 0.0)
    one, half = processor_at(tmp_path / "one", lines=LINES), len(arrivals) // 2
    take(one, arrivals[:half])
    one.suspended = {"core-1": "for a test"}
    one.engine = Engine({"core-2": one.engine.pipelines["core-2"]})
    batch = one.take(received(arrivals[half:]), arrivals[-1].received_s)
    assert {o.kind for o in batch.outputs if isinstance(o, Rejected)} == {processor_module.SUSPENDED}
    assert batch.messages == []
    assert one.lines == LINES
    if one.pending is not None:
        one.write(batch)
    one.resume(arrivals[-1].received_s)
    assert (one.suspended, sorted(one.engine.pipelines)) == ({}, LINES)
    take(one, arrivals[half:])
    whole = processor_at(tmp_path / "whole", lines=LINES)
    take(whole, arrivals)
    for each in (one, whole):
        each.writer.write(each.last_batch())
    assert everything(tmp_path / "one") == everything(tmp_path / "whole")


def test_one_line_is_exchanged_for_what_the_store_has_of_it(tmp_path, arrivals):
    one, half = processor_at(tmp_path / "one", lines=LINES), len(arrivals) // 2
    take(one, arrivals[:half])
    one.engine.pipelines["core-1"] = restore(one.writer, one.configuration, "core-1", lambda _: None)
    take(one, arrivals[half:])
    whole = processor_at(tmp_path / "whole", lines=LINES)
    take(whole, arrivals)
    for each in (one, whole):
        each.writer.write(each.last_batch())
    assert everything(tmp_path / "one") == everything(tmp_path / "whole")
