"""A small publisher by the rules, without a wire, and what can be wrong with it, one rule at a time."""

import json
from collections import deque
from dataclasses import dataclass, field

STREAMS = ("oven-a/temperature", "take-up/tension", "head/pressure")
STEP_S = 0.1
KNOCK_S = 1.0
AGAIN_S = 15.0
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
    knocked_s: float = -10.0
    waits_s: float = 0.0
    deaf: bool = False
    subscriptions: list[str] = field(default_factory=list)
    out: deque[tuple[str, bytes, int, bool]] = field(default_factory=deque)

    def connect(self, now_s: float) -> None:
        self.connected, self.knocking = True, self.wrong != "does not knock"
        self.subscriptions = ["tarn/core-1/stored/+/+", "tarn/core-1/refused/+/+"]
        if self.wrong == "hears no refusals":
            self.subscriptions.pop()
        for message in self.outbox:
            if self.wrong != "trusts the broker":
                message.sent_s = None
        if self.wrong == "trusts the broker":
            self.outbox = [m for m in self.outbox if m.sent_s is None]

    def step(self, i: int, now_s: float) -> None:
        """Take a sample, and send what is due."""
        self._sample(STREAMS[i % 3], i)
        if not self.connected:
            return
        if self.knocking:
            oldest = self.outbox[:1]
            if oldest and now_s >= self.knocked_s + KNOCK_S:
                self.knocked_s = now_s
                self._send(oldest[0], now_s)
            return
        due = [m for m in self.outbox if m.sent_s is None or now_s > m.sent_s + AGAIN_S]
        if self.wrong == "newest first":
            due = due[::-1]
        if self.wrong == "stream by stream":
            due = sorted(due, key=lambda m: m.path)
        for message in due:
            self._send(message, now_s)

    def hear(self, topic: str, payload: bytes) -> None:
        """A report."""
        about, path = topic.split("/")[2], topic.split("/", 3)[3]
        if self.deaf:
            return
        said = json.loads(payload)
        self.knocking = False
        if self.wrong == "stops over an unknown field" and "since" in said:
            self.deaf = True
        if about == "stored":
            self.outbox = [m for m in self.outbox if m.path != path or not self._covered(said, m.n)]
        elif self.wrong != "keeps what is refused":
            self.outbox = [m for m in self.outbox if (m.path, m.n) != (path, said["n"])]
        else:
            self.knocking = True

    def _covered(self, said: dict, n: int) -> bool:
        if said.get("start", 0) != START and self.wrong != "ignores start":
            return False
        if self.wrong == "takes stored for up to n":
            return n <= said["n"]
        holes = any(a <= n <= b for a, b in said.get("missing", []))
        return said["from"] <= n <= said["n"] and not holes

    def _sample(self, path: str, i: int) -> None:
        n = self.numbers.get(path, 7 if self.wrong == "begins at 7" else 0)
        self.numbers[path] = n + (2 if self.wrong == "leaves numbers out" and n % 10 == 5 else 1)
        t = T0_MS + round(i * STEP_S * 1e3)
        if self.wrong == "stamps go back" and n % 10 == 5:
            t -= 2000
        if self.wrong == "stamps in seconds":
            t //= 1000
        body = {"n": n, "t": t, "v": 200.0, "start": START}
        if self.wrong == "counts from 0 again" and n == 20:
            self.numbers[path] = 0
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
        station = message.path.upper() if self.wrong == "shouts topics" else message.path
        qos = 0 if self.wrong == "QoS 0" else 1
        self.out.append((f"tarn/core-1/{station}", payload, qos, self.wrong == "retains"))
