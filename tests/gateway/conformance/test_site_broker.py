"""R22: which brokers keep for a monitor that is away what they must, as a client finds out."""

import pytest

from monitor.contract.address import BrokerAddress
from monitor.gateway.conformance.site_broker import queues
from tests.ports import free_port
from tests.shell.brokers import Process, broker, is_open, program

TOPIC = "tarn/core-1/monitor/trial"


@pytest.mark.parametrize("kind", ["mosquitto", "embedded"])
async def test_a_broker_that_is_set_up_for_a_monitor_keeps_the_rule_each_time(tmp_path, kind):
    port = free_port()
    one = broker(kind, tmp_path, port)
    try:
        one.start()
        for _ in range(2):  # another trial finds nothing of the one before
            assert await queues(BrokerAddress(host="127.0.0.1", port=port), TOPIC) == (True, KEPT)
    finally:
        one.close()


async def test_one_with_its_default_settings_breaks_it(tmp_path, monkeypatch):
    """It queues 1000 messages of a client that is away, and drops the rest."""
    monkeypatch.setattr("monitor.gateway.conformance.site_broker.ANSWER_S", 3.0)
    port = free_port()
    one = Process([program("mosquitto"), "-p", str(port)], tmp_path / "broker.log", lambda: is_open(port))
    try:
        one.start()
        kept, evidence = await queues(BrokerAddress(host="127.0.0.1", port=port), TOPIC)
    finally:
        one.close()
    assert not kept
    assert evidence.startswith("of 2001 messages for a client that was away 1")


KEPT = "of 2001 messages for a client that was away 0 were lost"
