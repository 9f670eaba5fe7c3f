"""A message whose topic names no line of the works is refused for now, within bounds, by one of its monitors."""

import asyncio
import json
import time
from contextlib import suppress
from typing import Any

import pytest

from monitor.contract import rules
from monitor.contract.address import BrokerAddress
from monitor.contract.messages import Refused, Stored
from monitor.contract.record import Rejected
from monitor.core.arrival import Arrival
from monitor.gateway.outbox import Outbox
from monitor.gateway.sender import Sender
from monitor.shell import unknown_lines
from monitor.shell.broker_link import Link
from monitor.shell.service import Service, _link, _listener
from monitor.shell.unknown_lines import FORGOTTEN_AFTER_S, Listener, UnknownLines
from monitor.store.reader import StoreReader
from tests.core.script import T0, configuration
from tests.ports import free_port
from tests.shell.brokers import KINDS, broker, publish
from tests.shell.test_salvage import store
from tests.shell.test_self_alarms import eventually, running
from tests.shell.test_stop import StoryClock, StubLink
from tests.shell.works import processor_at, settings_at

LINES = frozenset(configuration().lines)


def of(line: str, n: int = 7, t_s: float = T0, payload: bytes | None = None) -> Arrival:
    body = b'{"start":5,"n":%d,"t":%d,"v":1}' % (n, round(t_s * 1e3))
    return Arrival(f"tarn/{line}/oven-a/temperature", body if payload is None else payload, t_s)


def answered(one: UnknownLines, arrival: Arrival) -> Rejected:
    return one.answer(
        Rejected(kind="unknown line", topic=arrival.topic, why="no line", received_s=arrival.received_s), arrival
    )


def test_the_answer_names_the_message_and_what_to_do_and_is_not_final():
    found = answered(UnknownLines(works="tarn", lines=LINES), of("core-9"))
    assert found.number is not None
    assert (str(found.number.stream), found.number.start, found.number.n) == ("core-9/oven-a/temperature", 5, 7)
    assert not found.final
    assert found.why == "no line of the name core-9 in the configuration; add its file or correct the topic"


UNNAMED = [of("core-9", payload=b"{"), Arrival("tarn/core-9/x", b"{}", T0), Arrival("tarn/core-9/OVEN/t", b"{}", T0)]


@pytest.mark.parametrize("arrival", UNNAMED)
def test_what_no_report_can_name_is_answered_by_its_line_alone(arrival):
    """R19: its publisher must not wait for it for ever."""
    found = answered(UnknownLines(works="tarn", lines=LINES), arrival)
    assert (found.number, found.final, found.line) == (None, False, "")
    assert rules.empty_report_line(found) == "core-9"


@pytest.mark.parametrize("topic", ["tarn/core-2/oven-a/temperature", "tarn/CORE/oven-a/t", "tarn", "works/core-9/a/b"])
def test_what_another_monitor_has_and_what_names_no_line_of_this_works_is_not_answered(topic):
    found = answered(UnknownLines(works="tarn", lines=LINES), Arrival(topic, b"{}", T0))
    assert (found.number, rules.empty_report_line(found)) == (None, "")


def test_what_no_report_can_name_counts_among_the_answers_too():
    one = UnknownLines(works="tarn", lines=LINES)
    found = [rules.empty_report_line(answered(one, of("core-9", payload=b"{"))) for _ in range(50)]
    most = int(rules.UNKNOWN_LINE_ANSWERS_PER_S)
    assert found == ["core-9"] * most + [""] * (50 - most)


def test_no_more_names_are_answered_than_the_rules_have_until_some_fell_silent():
    one = UnknownLines(works="tarn", lines=LINES)
    names = [f"stray-{i}" for i in range(rules.UNKNOWN_LINES_MAX + 5)]
    found = [answered(one, of(name, t_s=T0 + i)).number for i, name in enumerate(names)]
    assert [number is not None for number in found] == [True] * rules.UNKNOWN_LINES_MAX + [False] * 5
    assert len(one._names) == rules.UNKNOWN_LINES_MAX
    assert answered(one, of("stray-0", t_s=T0 + 200)).number is not None
    assert answered(one, of("late", t_s=T0 + FORGOTTEN_AFTER_S + 150)).number is not None
    assert set(one._names) == {"stray-0", "late"}


@pytest.mark.parametrize("back_s", [0.0, -3600.0])
def test_no_more_answers_are_given_a_second_than_the_rules_have(back_s):
    """Nor where the clock goes back."""
    one = UnknownLines(works="tarn", lines=LINES)
    at = [T0 + i / 1000 for i in range(3000)] + [T0 + back_s + i / 1000 for i in range(3000)]
    count = sum(answered(one, of("core-9", i, t)).number is not None for i, t in enumerate(at))
    most = rules.UNKNOWN_LINE_ANSWERS_PER_S
    assert 6 * most - 1 <= count <= 7 * most + 1


def test_one_monitor_of_the_works_answers():
    c = configuration()
    lines = sorted(c.lines)
    parts = [[lines[0]], lines[1:3], lines[3:], lines, lines[1:]]
    assert [unknown_lines.answers_for_all(c, part) for part in parts] == [True, False, False, True, False]
    at = BrokerAddress(host="127.0.0.1", port=1)
    links = [_link(c, part, at, time.time) for part in parts]
    listening = [_listener(c, part, link) is not None for part, link in zip(parts, links, strict=True)]
    assert listening == [True, False, False, False, False]  # who has all lines receives them anyway


def test_strangers_fill_no_table_and_are_counted(place):
    processor = processor_at(place)
    outputs: list[Any] = []
    for i in range(0, 300, 50):
        outputs += store(processor, [of(f"stray-{k}", t_s=T0 + k) for k in range(i, i + 50)], 50)
    assert sum(o.number is not None for o in outputs) == rules.UNKNOWN_LINES_MAX
    [row] = StoreReader(settings_at(place)).rejected()
    assert (row.line, row.kind, row.count) == ("", "unknown line", 300)
    assert processor.counts() == {"unknown line": 300}
    assert len(processor.writer.ledger.streams) == 0


def test_the_service_publishes_it_and_a_sender_puts_it_aside_until_the_line_is_there(tmp_path):
    """Conformance: what is refused so leaves the outbox only when it is stored. R19: what has no number is answered."""
    link = StubLink([*(of("core-9", n) for n in range(3)), of("core-8", payload=b'{"n":'), *UNNAMED[2:]])
    link.begin()
    service = Service(processor=processor_at(tmp_path), link=link, clock=StoryClock(T0))

    def refused() -> list[Refused]:
        topic = "tarn/core-9/refused/oven-a/temperature"
        return [Refused(**json.loads(payload)) for at, payload in link.published if at == topic]

    empty = [(f"tarn/{line}/stored/line/state", b'{"n":0,"from":1}') for line in ("core-8", "core-9")]
    asyncio.run(running(service, lambda: eventually(lambda: len(refused()) == 3 and {*empty} <= {*link.published})))
    assert [link.published.count(one) for one in empty] == [1, 1]
    sender = Sender(outbox=Outbox())
    for n in range(3):
        sender.put("oven-a/temperature", n, b"%d" % n, 5)
    for one in refused():
        assert (one.kind, one.final) == ("unknown line", False)
        assert sender.refused("oven-a/temperature", one)
    assert len(sender.outbox) == 3
    assert sender.outbox.after(-1, 9) == []
    assert [kept.n for kept in sender.outbox.probes()] == [0]
    sender.stored("oven-a/temperature", Stored(n=0, first=0, start=5))  # its file was added
    assert [kept.n for kept in sender.outbox.after(-1, 9)] == [1, 2]


@pytest.mark.parametrize("kind", KINDS)
def test_where_monitors_share_the_lines_one_listens_now_and_then(tmp_path, monkeypatch, kind):
    """It takes what names no line of the works, and nothing of the other monitors' lines."""
    monkeypatch.setattr(unknown_lines, "LISTEN_S", 3.0)
    monkeypatch.setattr(unknown_lines, "EVERY_S", 3.2)
    c, port = configuration(), free_port()
    link = Link(
        address=BrokerAddress(host="127.0.0.1", port=port),
        settings=c.works.broker,
        filters=[],
        name=f"listening-{kind}",
        log=lambda _: None,
    )
    one = broker(kind, tmp_path, port)

    async def listening() -> None:
        work = asyncio.create_task(Listener(link, "tarn", LINES).listen())  # it begins without a broker
        await asyncio.sleep(0.3)
        one.start()
        topics = ["core-2/oven-a/temperature", "core-9/oven-a/temperature", "core-9/monitor/health", "core-9/x"]
        async with asyncio.timeout(60):
            while link.inbox.empty():
                for topic in topics:
                    await asyncio.to_thread(publish, port, f"tarn/{topic}", b'{"n":0,"t":0,"v":1}')
        work.cancel()
        with suppress(asyncio.CancelledError):
            await work

    try:
        asyncio.run(listening())
    finally:
        one.close()
    came = [link.inbox.get_nowait() for _ in range(link.inbox.qsize())]
    assert {received.arrival.topic for received in came if received.arrival} == {"tarn/core-9/oven-a/temperature"}
