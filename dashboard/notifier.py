"""Receives reports of alarms from the broker and notifies people who are not at the pages.

A process of its own: neither monitor nor pages wait for it. What waits for a response is kept in a file, and the broker
keeps reports while the process is away, so that a restart forgets no alarm. A kill while a notice is being sent repeats
it: twice is better than never.
"""

import os
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import msgspec
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from dashboard.text import format
from dashboard.text.alarm_text import text_of
from dashboard.text.caution import CAUTION
from monitor.analysis.escalation import Escalation, Notice, Waiting
from monitor.analysis.shift_calendar import shift_at
from monitor.contract.address import BrokerAddress
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.works import Broker
from monitor.contract.messages import AlarmReport
from monitor.contract.reading import AlarmRow
from monitor.contract.topics import line_of, monitor_topic

RESPOND_S = 600.0  # where line and recipe give an alarm no time to respond
AT_ONCE = 8
Sender = Callable[[str, str], int]  # subject and body; how many addresses took them
Log = Callable[[str], None]


class Notifier:
    """Escalation of alarms with its contacts; `senders` by the contact's name. Safe to call from several threads."""

    def __init__(
        self, configuration: Configuration, senders: Mapping[str, Sender], state: Path, clock: Callable[[], float],
        log: Log,
    ) -> None:  # fmt: skip
        """Raises msgspec.DecodeError for a state file that is not whole."""
        self.configuration, self.senders, self.state, self.clock, self.log = configuration, senders, state, clock, log
        works = configuration.works

        def shift_name(at_s: float) -> str | None:
            shift = shift_at(round(at_s * 1e3), works.shift, works.time_zone)
            return shift.name if shift else None

        kept = msgspec.json.decode(state.read_bytes(), type=list[Waiting]) if state.exists() else []
        self.escalation = Escalation(works.contact, shift_name, kept)
        self._lock = threading.Lock()

    def receive(self, topic: str, payload: bytes) -> None:
        """One report from the broker; it is in the state file when this returns."""
        line = line_of(self.configuration.works.works, topic)
        try:
            report = msgspec.json.decode(payload, type=AlarmReport)
        except msgspec.DecodeError as error:
            self.log(f"{topic}: expected the report of an alarm, got {payload[:80]!r}: {error}")
            return
        if line not in self.configuration.lines:
            self.log(f"{topic}: there is no line {line}: take its file into the configuration of this process")
            return
        response = text_of(_row(line, report), self.configuration).response
        respond_s = response.time_to_respond_s if response else RESPOND_S
        with self._lock:
            self.escalation.report(line, report, respond_s, self.clock())
            self._save()

    def tick(self) -> int:
        """Send what is due; returns how many notices were taken by at least one address."""
        with self._lock:
            due = self.escalation.due(self.clock())
        taken = 0
        with ThreadPoolExecutor(AT_ONCE) as pool:
            for notices in due:
                reached = list(pool.map(self._send, notices))
                taken += sum(reached)
                if not any(reached):
                    self._not_reached(notices)
        if due:
            with self._lock:
                self._save()
        return taken

    def _send(self, notice: Notice) -> bool:
        subject, body = message(self.configuration, notice)
        try:
            return self.senders[notice.contact](subject, body) > 0
        except Exception as error:  # noqa: BLE001 - whatever a service raises, the other contacts are notified
            self.log(f"{notice.contact} was not reached: {type(error).__name__}: {error}")
            return False

    def _not_reached(self, notices: Sequence[Notice]) -> None:
        about = f"{notices[0].line}, {notices[0].report.alarm}"
        names = ", ".join(notice.contact for notice in notices)
        with self._lock:
            nobody = self.escalation.not_reached(notices, self.clock())
        then = "NOBODY IS REACHED; all are tried again in a minute" if nobody else "the next step is notified now"
        self.log(f"{about}: {names} not reached: {then}")

    def _save(self) -> None:
        """Write the state beside its file and put it in its place."""
        beside = self.state.with_suffix(".new")
        with beside.open("wb") as file:
            file.write(msgspec.json.encode(self.escalation.waiting))
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self.state)


def message(configuration: Configuration, notice: Notice) -> tuple[str, str]:
    """Subject and body of a notice."""
    report, zone = notice.report, configuration.works.time_zone
    row = _row(notice.line, report)
    text, line = text_of(row, configuration), configuration.lines[notice.line].title
    again = "" if notice.step == 0 else "No response yet: "
    said = [f"Activated {format.local(report.occurrence, zone, day=True)}."]
    if report.value is not None:
        said.append(f"Value {format.quantity(report.value, report.unit)}.")
    if report.drum is not None:
        said.append(f"Drum {report.drum}.")
    parts = [f"{line}: {text.title}", " ".join(said)]
    if text.response is not None:
        parts.append(f"Corrective action: {text.response.corrective_action}")
        parts.append(f"Respond within {format.span(text.response.time_to_respond_s)}. "
                     f"Consequence: {text.response.consequence}")  # fmt: skip
    parts.append("Acknowledge on the page Alarms.")
    parts.append(CAUTION)
    return f"{again}{report.priority} alarm, {line}: {text.title}", "\n\n".join(parts)


def _row(line: str, report: AlarmReport) -> AlarmRow:
    """The report as the record would have it."""
    return AlarmRow(
        line=line, alarm=report.alarm, occurrence_ms=report.occurrence, t_ms=report.t, event="", state=report.state,
        priority=report.priority, value=report.value, limit=report.limit, unit=report.unit,
        line_metre=report.line_metre, recipe=report.recipe, revision=None, by="", reason="", until_ms=None,
    )  # fmt: skip


def connected(works: str, at: BrokerAddress, settings: Broker, notifier: Notifier, log: Log) -> mqtt.Client:
    """A client that receives reports from now on, and those that the broker kept; it connects again by itself."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, f"{works}-notify", protocol=mqtt.MQTTv5)
    client.username_pw_set(at.user, at.password)
    if (context := at.tls_context()) is not None:
        client.tls_set_context(context)

    def on_connect(_client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _p: object) -> None:
        if reason.is_failure:
            log(f"{at!r} refused the connection: {reason}")
            return
        client.subscribe(monitor_topic(works, "+", "alarm"), qos=1)
        log(f"connected to {at!r}")

    def on_disconnect(_c: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _p: object) -> None:
        log(f"{at!r}: connection ended ({reason}); trying again")

    client.on_connect, client.on_disconnect = on_connect, on_disconnect
    client.on_message = lambda _client, _data, found: notifier.receive(found.topic, bytes(found.payload))
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = settings.session_expiry_s
    client.connect_async(at.host, at.port, keepalive=10, clean_start=False, properties=properties)
    return client
