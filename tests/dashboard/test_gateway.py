"""An answer on the wire: its bytes, its topic, its numbers, and what is said where it does not get through."""

import msgspec
import pytest

from dashboard.gateway import MqttGateway, NotSentError, Numbering, encode
from monitor.contract.address import BrokerAddress
from monitor.contract.messages import Action

# Written by hand from the contract: fields in their order, times in ms, what is not said is left out.
GOLDEN = (
    b'{"n":0,"t":1764038050000,"action":"shelve","by":"K. Berg","reason":"screen change",'
    b'"alarm":"head/pressure/HI","occurrence":1764037670000,"until":1764041650000,"start":1764038050000}'
)
ACTION = Action(
    1764038050000, 1764038050000, "shelve", "K. Berg", "screen change", "head/pressure/HI", 1764037670000, 1764041650000
)


def test_the_bytes_of_an_answer():
    assert encode(ACTION) == GOLDEN
    sent = msgspec.structs.replace(ACTION, n=0, start=ACTION.n)
    assert msgspec.json.decode(GOLDEN, type=Action) == sent
    assert msgspec.json.decode(GOLDEN[:-1] + b',"start_m":null,"station":null}', type=Action) == sent


def test_numbers_rise_even_when_the_clock_stands_or_goes_back():
    times = iter([10.0, 10.0, 9.5, 11.0])
    numbering = Numbering(lambda: next(times))
    assert [numbering.next() for _ in range(4)] == [
        (10_000, 10_000), (10_001, 10_000), (10_002, 9_500), (11_000, 11_000),
    ]  # fmt: skip


def test_without_a_broker_nothing_is_claimed_to_be_sent():
    gateway = MqttGateway("tarn", BrokerAddress("127.0.0.1", 1))
    with pytest.raises(NotSentError, match=r"no broker at mqtt://127.0.0.1:1"):
        gateway.send("core-1", ACTION)
