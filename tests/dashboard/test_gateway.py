"""An answer on the wire: its bytes, its topic, its numbers, and what is said where it does not get through."""

import msgspec
import pytest

from dashboard.gateway import ActionNumbers, MqttGateway, NotSentError, Outgoing, topic_of
from monitor.contract.address import BrokerAddress
from monitor.contract.messages import Action, LimitsStep
from monitor.contract.record import Finding, FindingKind, Proposal, Revision
from monitor.core.arrival import Arrival
from tests.core.script import T0, decoded, pipeline
from tests.core.test_pipeline import core_line, of

# Written by hand from the contract: fields in their order, times in ms, what is not output is left out.
GOLDEN = (
    b'{"n":0,"t":1764038050000,"action":"shelve","by":"K. Berg","reason":"screen change",'
    b'"alarm":"head/pressure/HI","occurrence":1764037670000,"until":1764041650000,"start":1764038050000}'
)
ACTION = Action(
    n=1764038050000,
    t=1764038050000,
    action="shelve",
    by="K. Berg",
    reason="screen change",
    alarm="head/pressure/HI",
    occurrence=1764037670000,
    until=1764041650000,
)


def test_the_bytes_of_an_answer():
    assert Outgoing(ACTION.t).encode("tarn/core-1/operator/action", ACTION) == GOLDEN
    sent = msgspec.structs.replace(ACTION, n=0, start=ACTION.n)
    assert msgspec.json.decode(GOLDEN, type=Action) == sent
    assert msgspec.json.decode(GOLDEN[:-1] + b',"start_m":null,"station":null}', type=Action) == sent


def test_numbers_rise_even_when_the_clock_stands_or_goes_back():
    times = iter([10.0, 10.0, 9.5, 11.0])
    numbering = ActionNumbers(lambda: next(times))
    assert [numbering.next() for _ in range(4)] == [
        (10_000, 10_000), (10_001, 10_000), (10_002, 9_500), (11_000, 11_000),
    ]  # fmt: skip


def test_without_a_broker_nothing_is_claimed_to_be_sent():
    gateway = MqttGateway("tarn", BrokerAddress(host="127.0.0.1", port=1))
    with pytest.raises(NotSentError, match=r"no broker at mqtt://127.0.0.1:1"):
        gateway.send("core-1", ACTION)


def sent(t_s: float, body: LimitsStep | Action, by: Outgoing) -> Arrival:
    """What a person did on the pages, as it arrives at the monitor."""
    topic = topic_of("tarn", "core-1", body)
    return Arrival(topic, by.encode(topic, msgspec.structs.replace(body, t=round(t_s * 1e3))), t_s)


def test_every_step_from_the_pages_is_taken_and_a_repeated_one_once():
    """The engine knows each by its numbering and number, whoever else sends under the same numbers."""
    mark = Action(n=0, t=0, action="mark metres", by="Mira", reason="scrape", start_m=1010.0, end_m=1012.0)
    propose = LimitsStep(
        n=0, t=0, step="propose", recipe="core-2g5", by="Mira", proposal="P1", reason="too tight",
        changes={"window/oven-b/temperature/hi": 310.0},
    )  # fmt: skip
    approve = LimitsStep(n=0, t=0, step="approve", recipe="core-2g5", by="Olle", proposal="P1")
    first, second = Outgoing(1), Outgoing(2)
    steps: list[tuple[int, LimitsStep | Action, Outgoing]] = [
        (10, propose, first),
        (12, approve, second),
        (14, mark, first),
        (16, mark, first),
    ]
    people = [sent(T0 + s, body, by) for s, body, by in steps]
    arrivals = sorted([*core_line(40).sorted(), *people, *people], key=lambda a: a.received_s)
    out = pipeline().feed(decoded(arrivals))
    assert [p.state for p in of(Proposal, out)] == ["proposed", "approved"]
    assert [(r.recipe, r.revision) for r in of(Revision, out)] == [("core-2g5", 2)]
    assert [f.kind for f in of(Finding, out) if f.by == "Mira"] == [FindingKind.MARK] * 2
