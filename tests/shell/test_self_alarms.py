"""A store at fault and a suspended line are alarms of the monitor on itself: on record, on the wire, restarted too."""

import asyncio
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import msgspec
import pytest
from sqlalchemy.exc import OperationalError

from monitor.contract.messages import EventReport
from monitor.contract.record import AlarmState
from monitor.shell.processor import Processor
from monitor.shell.service import Service, standing
from monitor.store.reader import StoreReader
from monitor.store.writer import Batch, Writer
from tests.core.test_pipeline import core_line
from tests.shell.test_defects import script
from tests.shell.test_salvage import LINES, store
from tests.shell.test_stop import StubLink
from tests.shell.works import processor_at, settings_at

FAULT, SUSPENDED = "monitor/store/fault", "monitor/line/suspended"


@dataclass
class Clock:
    """A time that stands unless it is moved."""

    now_s: float
    step_s: float = 0.0

    def __call__(self) -> float:
        return self.now_s


async def eventually(met: Callable[[], object]) -> None:
    async with asyncio.timeout(60):
        while not met():  # noqa: ASYNC110 - a store has no event
            await asyncio.sleep(0.05)


def alarms(place: Any) -> dict[str, tuple[str, str]]:
    """The monitor's alarms on itself that are open: line and state."""
    with_store = StoreReader(settings_at(place))
    rows = {a.alarm: (a.line, a.state) for a in with_store.alarms_now() if a.alarm in (FAULT, SUSPENDED)}
    with_store.close()
    return rows


def states_of(link: StubLink, alarm: str) -> list[str]:
    """States of an alarm that were published."""
    alarms = [json.loads(payload) for topic, payload in link.published if topic.endswith("/monitor/alarm")]
    return [one["state"] for one in alarms if one["alarm"] == alarm]


def events_of(link: StubLink, alarm: str) -> list[EventReport]:
    """What was published of events that an alarm belongs to."""
    payloads = [payload for topic, payload in link.published if topic == "tarn/core-1/monitor/event"]
    reports = [msgspec.json.decode(payload, type=EventReport) for payload in payloads]
    return [report for report in reports if alarm in report.alarms]


async def running(service: Service, script: Callable[[], Any]) -> None:
    work = asyncio.create_task(service.run())
    try:
        await script()
    finally:
        work.cancel()
        await asyncio.wait([work])


def test_a_store_at_fault_is_an_alarm_once_it_can_be_written(place, monkeypatch):
    arrivals, broken = core_line(3).sorted(), [True]
    link, clock, write = StubLink(arrivals), Clock(arrivals[-1].received_s), Writer.write
    link.begin()

    def writes(self: Writer, batch: Batch) -> Any:
        if broken[0]:
            raise OperationalError("insert", {}, Exception("no space left on device"))
        return write(self, batch)

    monkeypatch.setattr(Writer, "write", writes)
    service = Service(processor=processor_at(place, lines=["core-1"]), link=link, clock=clock)

    async def fault() -> None:
        await eventually(lambda: service._problem)
        clock.now_s += 30.0
        await eventually(lambda: service.watch.present.get(FAULT))
        assert alarms(place) == {}
        broken[0] = False
        await eventually(lambda: alarms(place) == {FAULT: ("core-1", AlarmState.RETURNED.value)})
        await eventually(lambda: len(states_of(link, FAULT)) == 2)

    asyncio.run(running(service, fault))
    assert states_of(link, FAULT) == [AlarmState.UNACKNOWLEDGED.value, AlarmState.RETURNED.value]
    raised, returned = events_of(link, FAULT)
    assert (raised.kind, raised.priority, raised.asks, raised.end) == ("monitor", "high", True, None)
    assert returned.event == raised.event
    assert returned.end is not None


def test_a_suspended_line_is_an_alarm_of_another_line_until_it_goes_on(place):
    """It is met again after a restart, and returns by itself with the line that it was raised with."""
    arrivals = script()
    first = processor_at(place, lines=LINES)
    store(first, arrivals)
    link, clock = StubLink([]), Clock(arrivals[-1].received_s)
    link.begin()
    engine = first.engine
    del engine.pipelines["core-1"]
    one = Processor(
        configuration=first.configuration,
        writer=first.writer,
        engine=engine,
        suspended={"core-1": "its engine cannot be restored"},
    )
    one._tried_s = clock.now_s
    service = Service(processor=one, link=link, clock=clock)

    async def suspended() -> None:
        await eventually(lambda: service._health)
        clock.now_s += 10.0
        await eventually(lambda: alarms(place) == {SUSPENDED: ("core-2", AlarmState.UNACKNOWLEDGED.value)})
        await eventually(lambda: states_of(link, SUSPENDED) == [AlarmState.UNACKNOWLEDGED.value])
        await eventually(lambda: dict(StoreReader(settings_at(place)).health()[0].suspended) == dict(one.suspended))

    asyncio.run(running(service, suspended))
    again = processor_at(place, again=True, lines=LINES)
    assert standing(again.engine.pipelines)[SUSPENDED]
    link, service = StubLink([]), Service(processor=again, link=link, clock=clock)
    service.link = link
    link.begin()
    returned = {SUSPENDED: ("core-2", AlarmState.RETURNED.value)}
    asyncio.run(running(service, lambda: eventually(lambda: alarms(place) == returned)))
    assert states_of(link, SUSPENDED) in ([], [AlarmState.RETURNED.value])


def test_a_folder_whose_free_space_cannot_be_found_out_stops_nothing(tmp_path, monkeypatch):
    def away(_: str) -> Any:
        raise OSError(116, "Stale file handle")

    monkeypatch.setattr("monitor.shell.service.shutil.disk_usage", away)
    link = StubLink(core_line(3).sorted())
    link.begin()
    service = Service(
        processor=processor_at(tmp_path, lines=["core-1"]), link=link, clock=Clock(link.arrivals[-1].received_s)
    )
    asyncio.run(running(service, lambda: eventually(lambda: service._health and link.done.is_set())))
    assert service._health is not None
    assert service._health.disk_free_bytes is None


@pytest.mark.parametrize("lines", [["core-1"], LINES])
def test_a_note_is_kept_until_a_line_has_an_engine(tmp_path, lines):
    link, clock = StubLink([]), Clock(1e9)
    link.begin()
    processor = processor_at(tmp_path, lines=lines)
    pipelines = dict(processor.engine.pipelines)
    processor.engine.pipelines.clear()
    processor.suspended = dict.fromkeys(lines, "a reason")
    processor._tried_s = clock.now_s
    service = Service(processor=processor, link=link, clock=clock)

    async def all_suspended() -> None:
        await eventually(lambda: service._health)
        clock.now_s += 10.0
        await eventually(lambda: service._notes)
        processor.suspended.clear()
        processor.engine.pipelines.update(pipelines)
        await eventually(lambda: alarms(tmp_path) == {SUSPENDED: ("core-1", AlarmState.RETURNED.value)})

    asyncio.run(running(service, all_suspended))
