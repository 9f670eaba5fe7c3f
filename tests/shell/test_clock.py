"""A machine's clock that is stepped: readings are neither refused nor dated wrongly while it is set and set back."""

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.shell.clock import HOLD_S, STEP_S, SteadyClock
from tests.shell.brokers import monitor
from tests.shell.test_service import Works
from tests.shell.works import until

FAKETIME = [*Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1")]


class Machine:
    """A clock that can be set, and a pace that cannot."""

    def __init__(self) -> None:
        self.paced, self.off = 100.0, 1.7e9

    def go(self, s: float) -> None:
        self.paced += s

    def steady(self) -> SteadyClock:
        return SteadyClock(lambda: self.paced + self.off, lambda: self.paced)


def test_a_step_is_held_for_a_minute_and_then_believed():
    machine = Machine()
    clock = machine.steady()
    machine.off -= 3600
    machine.go(HOLD_S / 2)
    clock()
    machine.go(HOLD_S / 2)
    assert clock() == pytest.approx(1.7e9 + 100 + HOLD_S)
    assert clock.step_s == pytest.approx(-3600)
    machine.go(HOLD_S)
    assert clock() == pytest.approx(1.7e9 - 3600 + 100 + 2 * HOLD_S)
    assert clock.step_s == 0


def test_a_clock_that_is_set_and_set_back_is_never_followed():
    machine = Machine()
    clock = machine.steady()
    for off in (3600.0, -3600.0, 86_400.0, -86_400.0):
        machine.off += off
        machine.go(10)
        assert clock() == pytest.approx(1.7e9 + machine.paced)
    assert clock.step_s == 0


@given(drifts=st.lists(st.floats(-STEP_S * 0.9, STEP_S * 0.9), max_size=50))
def test_what_keeps_a_clock_is_followed(drifts):
    machine = Machine()
    clock = machine.steady()
    for drift in drifts:
        machine.off += drift
        machine.go(1.0)
        assert clock() == pytest.approx(machine.paced + machine.off, abs=1e-6)


@pytest.mark.parametrize("step", ["+3600", "-3600"])
def test_readings_stay_data_while_the_machine_s_clock_is_wrong(tmp_path, monkeypatch, step):
    """The monitor's process sees another time by libfaketime (Debian's faketime): the clock is set while it runs."""
    assert FAKETIME, "no libfaketime on this machine: install Debian's faketime (as .ci/run does)"
    set_to = tmp_path / "time"
    set_to.write_text("+0")
    works = Works(tmp_path, "mosquitto")
    with pytest.MonkeyPatch.context() as m:
        for name, value in {
            "LD_PRELOAD": str(FAKETIME[0]), "FAKETIME_TIMESTAMP_FILE": str(set_to), "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1", "DONT_FAKE_MONOTONIC": "1",
        }.items():  # fmt: skip
            m.setenv(name, value)
        environment = dict(os.environ)
    works.monitor = monitor(works.configs, tmp_path)
    works.monitor.environment = environment
    try:
        works.broker.start()
        works.monitor.start()
        works.send("oven-a/temperature", n=0, v=290.0)
        until(lambda: works.samples("oven-a/temperature") == [290.0], 20, "the first sample")
        set_to.write_text(step)
        until(lambda: any(a.alarm == "monitor/clock/stepped" for a in works.reader.alarms_now()), 20, "its alarm")
        works.send("oven-a/temperature", n=1, v=291.0)
        until(lambda: works.samples("oven-a/temperature") == [290.0, 291.0], 20, "the sample under the wrong clock")
        set_to.write_text("+0")
        works.send("oven-a/temperature", n=2, v=292.0)
        until(lambda: works.samples("oven-a/temperature") == [290.0, 291.0, 292.0], 20, "the sample after")
        assert works.rejected() == {}
    finally:
        works.monitor.close()
        works.broker.close()
