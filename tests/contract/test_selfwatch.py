"""The monitor's alarms on itself, as a table: each says what to do, and returns inside its limit."""

import pytest

from monitor.contract.messages import Health
from monitor.contract.selfwatch import SELF_ALARMS


@pytest.mark.parametrize("alarm", SELF_ALARMS.values(), ids=SELF_ALARMS)
def test_every_alarm_says_what_to_do_and_returns_inside_its_limit(alarm):
    assert alarm.present(alarm.limit, False) is False
    assert alarm.present(alarm.back, True) is False
    assert alarm.response.corrective_action.endswith(".")


@pytest.mark.parametrize("alarm", SELF_ALARMS.values(), ids=SELF_ALARMS)
def test_between_limit_and_return_it_stays_as_it_was(alarm):
    between = (alarm.limit + alarm.back) / 2
    assert alarm.present(between, True) is True
    assert alarm.present(between, False) is False


def test_a_healthy_monitor_raises_none():
    healthy = Health(t=0, messages=10, rejected={}, lag_s=0.1, queue=3, disk_free_bytes=2**40)
    values = {name: alarm.of(healthy) for name, alarm in SELF_ALARMS.items()}
    assert [n for n, v in values.items() if v is not None and SELF_ALARMS[n].present(v, False)] == []
