"""A small publisher by the rules, without a wire, and what can be wrong with it, one rule at a time."""

import json
from collections import deque
from dataclasses import dataclass, field

STREAMS = ("oven-a/temperature", "take-up/tension", "head/pressure")
EVENTS = "spark-electrode/spark-fault"
STEP_S = 0.1
KNOCK_S = 1.0
AGAIN_S = 15.0
SILENT_S = 15.0
PROBE_S = 60.0
IN_FLIGHT = 80
T0_MS = 1_764_000_000_000
START = T0_MS


@dataclass
class Message:
    path: str
    n: int
    payload: bytes
    sent_s: float | None = None


@dataclass
class Publisher:
    """Steps of a tenth of a second; every step one sample of one stream. `wrong` names what it does wrong."""

    wrong: str = ""
    outbox: list[Message] = field(default_factory=list)
    numbers: dict[str, int] = field(default_factory=dict)
    connected: bool = False
    knocking: bool = False
    knocked: Message | None = None
    knocked_s: float = -10.0
    waits_s: float = 0.0
    silent_s: float | None = None  # since when messages are sent and nothing is reported
    aside: list[Message] = field(default_factory=list)
    in_flight: int = 0
    was_connected: bool = False
    deaf: bool = False
    subscriptions: list[str] = field(default_factory=list)
    out: deque[tuple[str, bytes, int, bool]] = field(default_factory=deque)

    def connect(self, now_s: float) -> None:
        if self.wrong == "connects once" and self.was_connected:
            return
        self.connected = self.was_connected = True
        self.knocking, self.knocked = self.wrong != "does not knock", None
        self.silent_s, self.in_flight = None, 0
        self.subscriptions = ["tarn/core-1/stored/+/+", "tarn/core-1/refused/+/+"]
        if self.wrong == "listens to everything":
            self.subscriptions = ["tarn/#"]
        if self.wrong == "ignores refusals":
            self.subscriptions.pop()
        for message in self.outbox:
            if self.wrong != "trusts the broker":
                message.sent_s = None
        if self.wrong == "trusts the broker":
            self.outbox = [m for m in self.outbox if m.sent_s is None]

    def step(self, i: int, now_s: float) -> None:
        """Take a sample, and send what is due."""
        if self.connected or self.wrong != "sleeps while away":
            self._sample(i)
        if not self.connected:
            return
        if self.silent_s is not None and now_s > self.silent_s + SILENT_S and self.wrong != "goes on in silence":
            self.knocking = True
        if self.knocking:
            oldest = self.outbox[:1]
            if oldest and now_s >= self.knocked_s + KNOCK_S:
                self.knocked, self.knocked_s = oldest[0], now_s
                self._send(oldest[0], now_s)
            return
        due = [m for m in self.outbox if m.sent_s is None or now_s > m.sent_s + AGAIN_S]
        if self.wrong == "sends nothing again":
            due = [m for m in due if m.sent_s is None]
        due += [m for m in self.aside[:1] if m.sent_s is None or now_s > m.sent_s + PROBE_S]
        if self.wrong == "newest first":
            due = due[::-1]
        if self.wrong == "stream by stream":
            due = sorted(due, key=lambda m: m.path)
        for message in due:
            if self.in_flight >= IN_FLIGHT and self.wrong != "sends without a limit":
                break
            self._send(message, now_s)

    def receive(self, topic: str, payload: bytes) -> None:
        """A report."""
        about, path = topic.split("/")[2], topic.split("/", 3)[3]
        if self.deaf:
            return
        report = json.loads(payload)
        self.silent_s = None
        if self.knocking and self.wrong == "ends a knock with any report":
            self._go_on()
        if self.wrong == "stops over an unknown field" and "since" in report:
            self.deaf = True
        if about == "stored":
            self.outbox = [m for m in self.outbox if m.path != path or not self._covered(report, m.n)]
        elif not report.get("final", True):
            if self.wrong == "waits for what is refused for now":
                self.knocking = True
                return
            named = [m for m in self.outbox if (m.path, m.n) == (path, report["n"])]
            self.aside += named
            self.outbox = [m for m in self.outbox if m not in named]
        elif self.wrong != "keeps what is refused":
            self.outbox = [m for m in self.outbox if (m.path, m.n) != (path, report["n"])]
        else:
            self.knocking = True
        if self.knocking and self.knocked is not None and self.knocked not in self.outbox:
            self._go_on()

    def _go_on(self) -> None:
        """The knock is over: the rest from the oldest on."""
        self.knocking, self.knocked = False, None
        for message in self.outbox:
            message.sent_s = None

    def _covered(self, report: dict, n: int) -> bool:
        if report.get("start", 0) != self._start and self.wrong != "ignores start":
            return False
        if self.wrong == "takes stored for up to n":
            return n <= report["n"]
        holes = any(a <= n <= b for a, b in report.get("missing", []))
        return report["from"] <= n <= report["n"] and not holes

    def _sample(self, i: int) -> None:
        """Of three streams in turn a reading, and every two seconds an event."""
        if i == 0 or (self.wrong == "changes the recipe of a drum" and i == 100):
            self._add("take-up/drum", i, {"drum": "C1-0001", "recipe": "core-1g5" if i else "core-2g5"})
        if self.wrong == "sends long blocks" and i % 300 == 299:
            self._add("cold-gauge/diameter-x", i - 280, {"v": [3.6] * 281, "dt": 100})
        self._add(STREAMS[i % 3], i, {"v": 200.0})
        if i % 20 == 10:
            self._add(EVENTS, i - (80 if self.wrong == "waits with events" else 0), {"v": 1})

    @property
    def _start(self) -> int:
        return START * 1000 if self.wrong == "starts in microseconds" else START

    def _add(self, path: str, i: int, reading: dict) -> None:
        n = self.numbers.get(path, 7 if self.wrong == "begins at 7" else 0)
        self.numbers[path] = n + (2 if self.wrong == "leaves numbers out" and n % 10 == 5 else 1)
        t = T0_MS + round(i * STEP_S * 1e3)
        if self.wrong == "stamps go back" and n % 10 == 5 and n > 30:
            t -= 2000
        if self.wrong == "stamps in seconds":
            t //= 1000
        body = {"n": n, "t": t, "start": self._start, **reading}
        if self.wrong == "counts from 0 again" and n == 20:
            self.numbers[path] = 0
        if self.wrong == "sends too much" and n % 10 == 5:
            body["comment"] = "x" * 262144
        payload = json.dumps(body).encode()
        if self.wrong == "sends NaN" and n % 10 == 5:
            payload = payload.replace(b"200.0", b"NaN")
        if not self.deaf:
            self.outbox.append(Message(path, n, payload))

    def _send(self, message: Message, now_s: float) -> None:
        payload = message.payload
        if self.wrong == "changes what it sends again" and message.sent_s is not None:
            payload = payload.replace(b"200.0", b"201.0")
        message.sent_s = now_s
        self.in_flight += 1
        self.silent_s = now_s if self.silent_s is None else self.silent_s
        station = message.path.upper() if self.wrong == "shouts topics" else message.path
        qos = 0 if self.wrong == "QoS 0" else 1
        self.out.append((f"tarn/core-1/{station}", payload, qos, self.wrong == "retains"))
