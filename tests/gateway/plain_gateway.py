"""A small gateway as its author would write it from the exported rules alone: paho, one thread, an outbox in memory.

It imports nothing of ours, so that it shares no mistake with us. Usage: plain_gateway.py PORT SECONDS LOG [CA]: it
samples for so long, ends when nothing is left to send, and writes into LOG topic, start and n of each message.
"""

import json
import pathlib
import queue
import sys
import time
from typing import IO, Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

LINE = "tarn/core-1"
REPORTS = [f"{LINE}/stored/+/+", f"{LINE}/refused/+/+"]
KNOCK_S, SILENT_S, AGAIN_S, ASIDE_S = 1.5, 15.0, 20.0, 60.0  # R17, R19, R21
IN_FLIGHT_MAX, WINDOW_MAX = 50, 1000  # R18


class Message:
    """One message of the outbox."""

    def __init__(self, topic: str, start: int, n: int, payload: str) -> None:
        self.topic, self.start, self.n, self.payload = topic, start, n, payload
        self.sent_s: float | None = None
        self.aside_s: float | None = None  # since when it is put aside
        self.answered, self.reports = 0, 0  # sent so often with a report of the line afterwards (R19)


class Gateway:
    """Everything happens in `step`; the client's own thread only puts what it receives into `events`."""

    def __init__(self, port: int, log: IO[str], authority: str | None) -> None:
        self.port, self.log, self.authority = port, log, authority
        self.start = round(time.time() * 1000)  # R10
        self.next_n: dict[str, int] = {}
        self.outbox: list[Message] = []  # in the order in which messages arose
        self.events: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
        self.client: mqtt.Client | None = None
        self.ready, self.dialled_s = False, -1e9
        self.in_flight: set[int] = set()
        self.knocking, self.knocks, self.knocked_s = True, 0, -1e9
        self.knocked: Message | None = None  # the message that the knock waits for
        self.reported = False  # a report of the line was received, ever
        self.reports = 0
        self.silent_since_s: float | None = None

    # -- what the line does

    def put(self, path: str, fields: dict[str, object]) -> None:
        topic = f"{LINE}/{path}"
        n = self.next_n.get(topic, 0)
        self.next_n[topic] = n + 1
        payload = json.dumps({"start": self.start, "n": n, **fields})
        self.outbox.append(Message(topic, self.start, n, payload))
        self.log.write(json.dumps([topic, self.start, n]) + "\n")
        self.log.flush()

    # -- the connection

    def connect(self, now_s: float) -> None:
        self.dialled_s = now_s
        if self.client is not None:
            self.client.loop_stop()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="plain-gateway", protocol=mqtt.MQTTv5)
        client.max_inflight_messages_set(IN_FLIGHT_MAX)
        if self.authority:
            client.tls_set(self.authority)

        def mine(what: str, *more: object) -> None:
            self.events.put((client, what, *more))

        client.on_connect = lambda c, *_: c.subscribe([(topic, 1) for topic in REPORTS])
        client.on_subscribe = lambda _c, _u, _mid, codes, _p: mine("subscribed", codes)
        client.on_message = lambda _c, _u, m: mine("report", m.topic, m.payload)
        client.on_publish = lambda _c, _u, mid, _r, _p: mine("acknowledged", mid)
        client.on_disconnect = lambda *_: mine("lost")
        self.client, self.ready = client, False
        try:
            client.connect("localhost", self.port, keepalive=20)
        except OSError:
            return
        client.loop_start()

    def receive(self, client: mqtt.Client, what: str, *more: Any) -> None:
        if client is not self.client:
            return
        if what == "subscribed" and not any(code.is_failure for code in more[0]):
            self.ready, self.in_flight = True, set()
            self.knocking, self.knocks, self.knocked_s, self.silent_since_s = True, 0, -1e9, None
            self.knocked = None
        elif what == "lost":
            self.ready, self.dialled_s = False, -1e9
            client.disconnect()
        elif what == "acknowledged":
            self.in_flight.discard(more[0])
        elif what == "report":
            self.report(more[0].split("/"), json.loads(more[1]))

    def report(self, levels: list[str], report: dict[str, Any]) -> None:
        topic, start = f"{LINE}/{levels[3]}/{levels[4]}", report.get("start", 0)
        self.reports += 1
        self.reported, self.silent_since_s = True, None
        of_stream = [m for m in self.outbox if m.topic == topic and m.start == start]
        if levels[2] == "refused":
            named = [m for m in of_stream if m.n == report["n"]]
            print("refused", topic, report["n"], report["why"], flush=True)
            if report.get("final", True):
                self.outbox = [m for m in self.outbox if m not in named]
            for message in named:
                message.aside_s = time.monotonic()
            self.end_knock()
            return
        holes = report.get("missing", [])
        covered = {
            m for m in of_stream if report["from"] <= m.n <= report["n"] and not any(a <= m.n <= b for a, b in holes)
        }
        if any(m.aside_s for m in covered):
            for message in of_stream:
                message.aside_s = None
        self.outbox = [m for m in self.outbox if m not in covered]
        self.end_knock()

    def end_knock(self) -> None:
        """Once its message is covered, refused or put aside (R17)."""
        if self.knocking and self.knocked and (self.knocked not in self.outbox or self.knocked.aside_s is not None):
            self.knocking, self.knocked = False, None
            for message in self.outbox:
                message.sent_s = None

    # -- sending

    def step(self, now_s: float) -> None:
        while not self.events.empty():
            self.receive(*self.events.get())
        if not self.ready:
            if now_s > self.dialled_s + 2.0:
                self.connect(now_s)
            return
        waiting = [m for m in self.outbox if m.aside_s is None]
        if self.silent_since_s is not None and now_s > self.silent_since_s + SILENT_S and self.reported:
            self.knocking = True
        if self.knocking and (self.reported or self.knocks < 5):
            if waiting and now_s > self.knocked_s + KNOCK_S:
                self.knocked, self.knocked_s, self.knocks = waiting[0], now_s, self.knocks + 1
                self.send(waiting[0], now_s)
                self.end_knock()
            return
        self.knocking = False
        due = [m for m in waiting if m.sent_s is None or now_s > m.sent_s + AGAIN_S]
        probes: dict[str, Message] = {}
        for message in self.outbox:
            if message.aside_s is not None:
                probes.setdefault(message.topic, message)
        for message in probes.values():
            if message.aside_s is not None and now_s > message.aside_s + ASIDE_S:
                message.aside_s = now_s
                due.append(message)
        open_now = sum(m.sent_s is not None for m in waiting)
        for message in due:
            if len(self.in_flight) >= IN_FLIGHT_MAX or (open_now >= WINDOW_MAX and message.sent_s is None):
                return
            open_now += message.sent_s is None
            self.send(message, now_s)

    def send(self, message: Message, now_s: float) -> None:
        if message.sent_s is not None or message.reports:
            message.answered += self.reports > message.reports
        message.reports = self.reports
        if message.answered >= 5 and message.aside_s is None:
            print("in no report", message.topic, message.n, flush=True)
            message.aside_s = now_s
            return
        assert self.client is not None
        info = self.client.publish(message.topic, message.payload, qos=1)
        self.in_flight.add(info.mid)
        message.sent_s = now_s
        if self.silent_since_s is None:
            self.silent_since_s = now_s


def main() -> None:
    port, seconds = int(sys.argv[1]), float(sys.argv[2])
    with pathlib.Path(sys.argv[3]).open("w") as log:
        gateway = Gateway(port, log, *(sys.argv[4:] or [None]))
        begun_s, offset_s = time.monotonic(), time.time() - time.monotonic()  # R13: stamps never go back

        def utc_ms(s: float) -> int:
            return round((s + offset_s) * 1000)

        gateway.put("line/state", {"t": utc_ms(begun_s), "state": "running"})
        gateway.put("take-up/drum", {"t": utc_ms(begun_s), "drum": "G-1", "recipe": "core-2g5"})
        block: list[float] = []
        block_s, next_s, i = begun_s, begun_s, 0
        while True:
            now_s = time.monotonic()
            while next_s <= now_s and now_s < begun_s + seconds:  # ten samples a second
                block.append(3.58 + 0.001 * (i % 7))
                if len(block) == 10:
                    gateway.put("cold-gauge/diameter-x", {"t": utc_ms(block_s), "v": block, "dt": 100})
                    block, block_s = [], next_s + 0.1
                if i % 3 == 0:
                    gateway.put("take-up/tension", {"t": utc_ms(next_s), "v": 80 + i % 5})
                if i % 20 == 7:
                    gateway.put("spark-electrode/spark-fault", {"t": utc_ms(next_s), "v": 1})
                if i % 50 == 9:
                    gateway.put("oven-a/temperature", {"t": utc_ms(next_s), "v": 0, "q": "bad"})
                next_s, i = next_s + 0.1, i + 1
            gateway.step(now_s)
            if now_s > begun_s + seconds and not gateway.outbox:
                return
            time.sleep(0.02)  # it publishes by the clock, as a gateway does


if __name__ == "__main__":
    main()
