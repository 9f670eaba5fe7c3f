"""Notifications: what is sent, kept and tried again."""

from pathlib import Path

import msgspec
import pytest

from dashboard.notifier import RESPOND_S, Notifier
from monitor.analysis.escalation import RETRY_S, SETTLE_S
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.works import Contact
from monitor.contract.messages import AlarmReport
from tests.core.script import configuration as whole_works

TOPIC = "tarn/core-1/monitor/alarm"
T0_MS = 1_764_000_000_000


def alarm(state: str = "unacknowledged", name: str = "oven-b/temperature/LO", occurrence: int = T0_MS) -> bytes:
    report = AlarmReport(
        t=occurrence, alarm=name, occurrence=occurrence, state=state, priority="high", text="", value=291.5,
        limit=300.0, unit="degC", recipe="core-2g5", drum="C1-0001", filling=1, line_metre=12.0,
    )  # fmt: skip
    return msgspec.json.encode(report)


class Sent:
    """A contact that notes what it gets, or raises."""

    def __init__(self) -> None:
        self.got: list[tuple[str, str]] = []
        self.fails = False

    def __call__(self, subject: str, body: str) -> int:
        if self.fails:
            raise ConnectionRefusedError("no such server")
        self.got.append((subject, body))
        return 1


@pytest.fixture
def works() -> Configuration:
    found = whole_works()
    contacts = [
        Contact(name="operator", address_variable="A"), Contact(name="foreman", step=1, address_variable="B"),
    ]  # fmt: skip
    return found.model_copy(update={"works": found.works.model_copy(update={"contact": contacts})})


class Running:
    """A notifier with two contacts, its clock and its log."""

    def __init__(self, works: Configuration, path: Path) -> None:
        self.works, self.path, self.now_s = works, path / "notify.json", 0.0
        self.logged: list[str] = []
        self.operator, self.foreman = Sent(), Sent()
        self.start()

    def start(self) -> None:
        senders = {"operator": self.operator, "foreman": self.foreman}
        self.notifier = Notifier(self.works, senders, self.path, lambda: self.now_s, self.logged.append)

    def at(self, now_s: float) -> int:
        self.now_s = now_s
        return self.notifier.tick()


@pytest.fixture
def notified(works: Configuration, tmp_path: Path) -> "Running":
    return Running(works, tmp_path)


def test_a_notice_names_line_alarm_value_and_what_to_do(notified):
    notified.notifier.receive(TOPIC, alarm())
    assert notified.at(SETTLE_S) == 1
    ((subject, body),) = notified.operator.got
    assert subject.startswith("high alarm, Core line 1: ")
    assert "low (limit 300 \N{DEGREE SIGN}C)" in subject
    assert "Value 291.5 \N{DEGREE SIGN}C" in body
    assert "Drum C1-0001." in body
    assert "Corrective action: " in body
    assert "not a safety interlock" in body
    assert notified.foreman.got == []


def test_without_a_response_the_next_step_is_notified_when_the_alarms_own_time_is_over(notified, works):
    recipe = works.recipes["core-2g5"]
    window = next(w for w in recipe.window if w.stream == "oven-b/temperature")
    notified.notifier.receive(TOPIC, alarm())
    notified.at(SETTLE_S)
    respond_s = window.low.time_to_respond_s
    assert respond_s != RESPOND_S
    assert notified.at(SETTLE_S + respond_s - 1) == 0
    assert notified.at(SETTLE_S + respond_s) == 1
    assert notified.foreman.got[0][0].startswith("No response yet: high alarm")


def test_a_restart_forgets_no_alarm_and_notifies_nobody_twice(notified):
    notified.notifier.receive(TOPIC, alarm())
    notified.at(SETTLE_S)
    notified.start()
    assert notified.at(SETTLE_S + 1) == 0
    assert notified.at(1e6) == 1
    assert (len(notified.operator.got), len(notified.foreman.got)) == (1, 1)


def test_a_kill_while_a_notice_is_sent_repeats_it(notified, monkeypatch):
    notified.notifier.receive(TOPIC, alarm())

    def killed(_notice: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(notified.notifier, "_send", killed)
    with pytest.raises(KeyboardInterrupt):
        notified.at(SETTLE_S)
    notified.start()
    assert notified.at(SETTLE_S) == 1


def test_who_cannot_be_reached_is_logged_and_the_next_step_comes_at_once(notified):
    notified.operator.fails = True
    notified.notifier.receive(TOPIC, alarm())
    assert notified.at(SETTLE_S) == 0
    assert notified.at(SETTLE_S) == 1
    assert len(notified.foreman.got) == 1
    assert any("no such server" in line for line in notified.logged)


def test_that_nobody_is_reached_is_logged_and_tried_again(notified):
    notified.operator.fails = notified.foreman.fails = True
    notified.notifier.receive(TOPIC, alarm())
    notified.at(SETTLE_S)
    notified.at(SETTLE_S)
    assert "NOBODY IS REACHED" in notified.logged[-1]
    notified.operator.fails = False
    assert notified.at(SETTLE_S + RETRY_S) == 1


@pytest.mark.parametrize("payload", [b"", b"{}", b"\xff\x00", b'{"t": "x"}', b"[" * 5000])
def test_what_is_no_report_is_logged_and_stops_nothing(notified, payload):
    notified.notifier.receive(TOPIC, payload)
    assert "expected the report of an alarm" in notified.logged[-1]
    notified.notifier.receive("tarn/no-line/monitor/alarm", alarm())
    assert "there is no line no-line" in notified.logged[-1]
    assert notified.at(1e6) == 0
