"""The monitor's alarms on itself: raised once, returned once, and a former run's are returned at the start."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.messages import Health
from monitor.contract.record import AlarmState
from monitor.core.arrival import Note
from monitor.core.selfwatch import AGAIN_MS, SelfWatch
from monitor.shell.service import standing
from tests.core.test_pipeline import core_line
from tests.shell.works import everything, processor_at, take


def health(queue: int = 0, free: int | None = 2**40, t: int = 0) -> Health:
    return Health(t=t, messages=0, rejected={}, lag_s=0.0, queue=queue, last_commit=None, disk_free_bytes=free)


def test_each_trouble_is_reported_once_and_its_end_once():
    watch, long = SelfWatch(), "monitor/queue/long"
    assert watch.judge(health(), {}) == []
    assert watch.judge(health(6000, t=1000), {}) == [Note(1.0, long, "raised", 6000.0)]
    assert watch.judge(health(6000, t=2000), {long: False}) == []  # it is on its way
    assert watch.judge(health(4000, t=3000), {long: True}) == []  # not back before 500
    assert watch.judge(health(400, t=4000), {long: True}) == [Note(4.0, long, "returned", 400.0)]


def test_a_note_that_got_lost_with_the_engine_of_its_line_is_repeated():
    watch, long = SelfWatch(), "monitor/queue/long"
    came = [t for t in range(0, 300_000, 1000) if watch.judge(health(6000, t=t), {long: False})]
    assert came == list(range(0, 300_000, AGAIN_MS))


def test_an_alarm_of_a_line_whose_engine_is_there_again_returns():
    """It was suspended while the alarm, raised with it, returned."""
    watch, long = SelfWatch(), "monitor/queue/long"
    watch.judge(health(6000), {})
    assert watch.judge(health(0, t=1000), {long: False}) == []
    assert [n.event for n in watch.judge(health(0, t=2000), {long: True})] == ["returned"]


@pytest.mark.parametrize(("free", "there"), [(None, False), (3 * 2**30, False), (2**30, True)])
def test_a_disk_is_low_under_two_gibibytes(free, there):
    raised = [n.alarm for n in SelfWatch().judge(health(free=free), {}) if n.event == "raised"]
    assert raised == (["monitor/disk/low"] if there else [])


@given(queues=st.lists(st.integers(0, 10_000), max_size=60))
def test_raised_and_returned_alternate(queues):
    watch = SelfWatch()
    active: dict[str, bool] = {}
    events = []
    for q in queues:
        for note in watch.judge(health(q), active):
            active[note.alarm] = note.event == "raised"
            events.append(note.event)
    assert all(a != b for a, b in pairwise(events))


def test_it_is_kept_with_the_first_line_and_met_again_after_a_restart(tmp_path):
    arrivals = core_line(40).sorted()
    processor = processor_at(tmp_path)
    take(processor, arrivals[:200])
    at = arrivals[200].received_s
    processor.writer.write(processor.take([], at, [Note(at, "monitor/queue/long", "raised", 7000.0)]))
    take(processor, arrivals[200:])
    before = everything(tmp_path)
    processor.writer.close()  # as kill -9 leaves it
    pipelines = processor_at(tmp_path, again=True).engine.pipelines
    book = pipelines["core-1"].book
    watch = SelfWatch(standing(pipelines))
    notes = watch.judge(health(0), standing(pipelines))
    assert [(n.alarm, n.event) for n in notes] == [("monitor/queue/long", "returned")]
    assert book.alarms["monitor/queue/long"].state is AlarmState.UNACKNOWLEDGED
    assert book.alarms["monitor/queue/long"].value == 7000.0
    assert everything(tmp_path) == before
