"""The conformance test without a wire: it is fed with what a publisher sends, and says what a monitor would do next.

It plays the monitor of one line badly on purpose: it loses what the broker has taken, withholds reports, refuses a
message, leaves one missing, repeats reports, and dies together with the broker. Time comes in as an argument.
"""

import re
from dataclasses import dataclass, field
from enum import Enum
from math import inf

import msgspec

from monitor.contract import rules
from monitor.contract.config.line import Line
from monitor.contract.config.works import WireLimits
from monitor.contract.messages import Refused, Stored
from monitor.contract.record import Rejected
from monitor.contract.topics import REFUSED, STORED, Stream, parse, refused_topic, stored_topic
from monitor.core.arrival import Arrival, Message
from monitor.core.decode import Decoder
from monitor.store.numbering import StreamNumbers

EVIDENCE_MAX = 5
AWAY_MAX_S = 15.0  # R1: so long a publisher may take to connect again
LATE_S = 0.5  # what is on its way when the order of messages is judged
CLOCK_MS = 1

Key = tuple[Stream, int, int]  # stream, start, n


class Do(Enum):
    """What the trial does to the wire."""

    CUT = "cut the publisher's connections"
    KILL = "kill the broker"
    START = "start the broker"
    END = "the trial is over"


@dataclass(frozen=True, slots=True)
class Report:
    """A report to publish."""

    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of the trial. `stores`: what comes is stored; `reports`: and reported. `at_end` judges it."""

    name: str
    units: int
    stores: bool = True
    reports: bool = True
    begin: Do | None = None
    special: str = ""


TRIAL = (
    Phase("watch", 3),
    Phase("lose", 2, stores=False, reports=False),
    Phase("knock", 3, reports=False, begin=Do.CUT, special="knock"),
    Phase("resume", 4),
    Phase("leave one missing", 1, special="missing"),
    Phase("meet it again", 3, begin=Do.CUT),
    Phase("refuse one", 2, special="refuse"),
    Phase("go on after a refusal", 3, begin=Do.CUT),
    Phase("odd reports", 2, special="odd"),
    Phase("lose before dying", 1, stores=False, reports=False),
    Phase("dead", 1, stores=False, reports=False, begin=Do.KILL),
    Phase("knock after death", 3, reports=False, begin=Do.START, special="knock"),
    Phase("resume after death", 3),
    Phase("dead again", 1, stores=False, reports=False, begin=Do.KILL),
    Phase("settle", 5, begin=Do.START),
)


@dataclass(slots=True)
class Verdict:
    """What was found of one rule."""

    tried: bool = False
    broken: list[str] = field(default_factory=list)

    def fail(self, evidence: str) -> None:
        self.tried = True
        if len(self.broken) < EVIDENCE_MAX and evidence not in self.broken:
            self.broken.append(evidence)


@dataclass(slots=True)
class Examiner:
    """Judges the publisher of one line; `unit_s` stretches the trial."""

    works: str
    line: Line
    limits: WireLimits
    unit_s: float
    verdicts: dict[str, Verdict] = field(default_factory=lambda: {name: Verdict() for name in rules.titles()})
    messages: int = 0
    _decoder: Decoder = field(init=False)
    _phases: list[Phase] = field(init=False)
    _phase: Phase | None = None
    _ends_s: float = -inf
    _contents: dict[Key, bytes] = field(default_factory=dict)  # of every message, as it came first
    _of: dict[Key, Message] = field(default_factory=dict)
    _unreported: dict[Key, None] = field(default_factory=dict)  # sent, neither covered nor refused, by first arrival
    _numbers: dict[Stream, StreamNumbers] = field(default_factory=dict)
    _owed: dict[tuple[Stream, int], None] = field(default_factory=dict)
    _refused: dict[Key, float] = field(default_factory=dict)
    _newest: Message | None = None
    _left_out: Key | None = None
    _knocked: dict[Key, int] = field(default_factory=dict)
    _knocking: bool = False
    _expected: Key | None = None
    _away: bool = False
    _new: int = 0  # messages stored for the first time in this phase
    _subscribed: set[str] = field(default_factory=set)
    _reported: dict[tuple[Stream, int], Stored] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._decoder = Decoder(self.works, {self.line.line: self.line}, self.limits)
        self._phases = list(TRIAL)

    # ---- what the wire shows -----------------------------------------------------------------------------------

    def connected(self, now_s: float) -> None:
        """The publisher made a connection; a phase that began with a cut lasts from here."""
        self._subscribed.clear()
        if self._away and self._phase is not None:
            self._away = False
            self._ends_s = now_s + self._phase.units * self.unit_s

    def subscribed(self, topics: str) -> None:
        """The broker has acknowledged a subscription of the publisher."""
        self._subscribed.add(topics)

    def published(self, topic: str, payload: bytes, qos: int, retain: bool, now_s: float) -> list[Report]:
        """The publisher sent a message; returns refusals to publish at once."""
        stream = parse(self.works, topic)
        if stream is not None and stream.line != self.line.line:
            return []
        self.messages += 1
        what = f"{topic} {_excerpt(payload)}"
        self._judge(
            "R3", qos == 1 and not retain, f"expected QoS 1 without retain, got QoS {qos}, retain {retain}: {what}"
        )
        wanted = {f"{self.works}/{self.line.line}/{about}/+/+" for about in (STORED, REFUSED)}
        missing = sorted(w for w in wanted if not any(_covers(s, w) for s in self._subscribed))
        self._judge("R4", not missing, f"published before a subscription to {', '.join(missing)}: {what}")
        decoded = self._decoder.decode(Arrival(topic, payload, now_s, False))
        if isinstance(decoded, Rejected):
            return self._reject(decoded, stream, payload, what, now_s)
        for rule in ("R5", "R6", "R7", "R13"):
            self.verdicts[rule].tried = True
        return self._take(decoded, payload, now_s)

    # ---- the trial ---------------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> list[Do | Report]:
        """Some time later: what to do to the wire, and what to report."""
        out: list[Do | Report] = []
        while now_s >= self._ends_s:
            if self._phase is not None:
                self._end_phase(self._phase, now_s)
            if not self._phases:
                self._conclude()
                return [*out, Do.END]
            out += self._begin_phase(now_s)
        if self._phase is not None and self._phase.reports:
            out += self._reports()
        return out

    def _begin_phase(self, now_s: float) -> list[Do | Report]:
        phase = self._phase = self._phases.pop(0)
        self._ends_s = now_s + phase.units * self.unit_s
        self._new = 0
        self._away = phase.begin in (Do.CUT, Do.START)
        if self._away:
            self._ends_s = max(self._ends_s, now_s + AWAY_MAX_S)
        if phase.begin in (Do.CUT, Do.START):
            self._knocking, self._knocked = phase.special == "knock", {}
            self._expected = next(iter(self._unreported), None)
        out: list[Do | Report] = [] if phase.begin is None else [phase.begin]
        return out + (self._odd_reports() if phase.special == "odd" else [])

    def _end_phase(self, phase: Phase, now_s: float) -> None:
        if phase.name == "watch" and not self.messages:
            self.verdicts["R1"].fail(
                f"no message of line {self.line.line} came within {phase.units * self.unit_s:.0f} s"
            )
        if phase.special == "knock":
            self._judge_knock(phase)
        if phase.name in ("resume", "resume after death", "settle"):
            self._judge_outbox(phase)
        if phase.name == "go on after a refusal" and self._refused:
            self._judge("R21", self._new > 0, f"after {_name(next(iter(self._refused)))} was refused nothing else came")
        if phase.name == "meet it again" and self._left_out is not None:
            name = _name(self._left_out)
            self._judge("R20", self._holds(self._left_out), f"{name} was reported missing and never sent again")
        if phase.special == "odd":
            self._judge("R20", self._new > 0, "after repeated, older and unknown reports no message came any more")

    def _conclude(self) -> None:
        """Numbers that never came at all."""
        for stream, numbers in self._numbers.items():
            for numbering in numbers.numberings:
                report = numbering.report()
                assert report is not None
                never = [
                    n for a, b in report.missing for n in range(a, b + 1) if (stream, report.start, n) not in self._of
                ]
                never = [n for n in never if (stream, report.start, n) not in self._refused]
                name = f"{stream.path} start={report.start}"
                self._judge("R9", not never, f"{name}: numbers {_some(never)} were never sent")
                began = report.start == 0 or report.first == 0 or (stream, report.start, 0) in self._refused
                self._judge("R10", began, f"{name}: the numbering began at {report.first}, not at 0")

    # ---- one message -------------------------------------------------------------------------------------------

    def _take(self, message: Message, payload: bytes, now_s: float) -> list[Report]:
        key = (message.stream, message.start, message.n)
        known = self._contents.setdefault(key, payload)
        if known != payload:
            again = f"{_name(key)}: first {_excerpt(known)}, then {_excerpt(payload)}"
            used_twice = abs(self._of[key].t_s - message.t_s) > 1e-9
            self.verdicts["R9" if used_twice else "R11"].fail(again)
            self.verdicts["R11"].tried = True
            return []
        self.verdicts["R11"].tried |= key in self._of
        if key not in self._of:
            self._meet(key, message)
        if self._knocking:
            self._knocked[key] = self._knocked.get(key, 0) + 1
        if key in self._refused:
            self._judge("R21", now_s < self._refused[key] + 1.0, f"{_name(key)} was refused and came again")
            return [self._refusal(key)]
        return self._store(key, message, now_s)

    def _meet(self, key: Key, message: Message) -> None:
        """A message seen for the first time, against those before it in its stream."""
        stream, start, n = key
        starts = {s for other, s, _ in self._of if other == stream} if n == 0 else set()
        self.verdicts["R10"].tried = True
        if n == 0 and starts and start not in starts and start < max(starts):
            self.verdicts["R10"].fail(f"{stream.path}: a numbering start={start} after start={max(starts)}")
        before, after = self._of.get((stream, start, n - 1)), self._of.get((stream, start, n + 1))
        for a, b in ((before, message), (message, after)):
            if a is not None and b is not None:
                back = f"{_name(key)}: n={b.n} is stamped {round(b.t_s * 1e3)}, n={a.n} until {round(a.end_s * 1e3)}"
                self._judge("R12", b.t_s * 1e3 >= a.end_s * 1e3 - CLOCK_MS, back)
        self._of[key] = message
        self._unreported[key] = None
        limit = rules.WINDOW_MAX
        self._judge("R18", len(self._unreported) <= limit, f"more than {limit} messages sent and not reported")

    def _store(self, key: Key, message: Message, now_s: float) -> list[Report]:
        phase = self._phase or TRIAL[0]  # the first message comes before the first tick
        if not phase.stores:
            return []
        stream, start, n = key
        numbers = self._numbers.setdefault(stream, StreamNumbers())
        fresh = not numbers.holds(start, n)
        if phase.special == "missing" and self._left_out is None and fresh:
            self._left_out = key
        if phase.special == "refuse" and not self._refused and fresh:
            self._refused[key] = now_s
            self._unreported.pop(key, None)
            self.verdicts["R21"].tried = True
            return [self._refusal(key)]
        if phase.special == "missing" and key == self._left_out:
            return []
        self._owed[stream, start] = None
        if numbers.add(start, n, round(message.t_s * 1e3)) == "new":
            self._new += 1
            self._judge_order(key, message)
        return []

    def _judge_order(self, key: Key, message: Message) -> None:
        newest = self._newest
        if newest is not None and key != self._left_out:
            late_s = newest.end_s - message.end_s
            then = _name((newest.stream, newest.start, newest.n))
            limit_s = rules.ORDER_WITHIN_S + LATE_S
            self._judge("R16", late_s <= limit_s, f"{_name(key)} came after {then}, which is {late_s:.1f} s newer")
        if newest is None or message.end_s > newest.end_s:
            self._newest = message

    def _reject(
        self, rejected: Rejected, stream: Stream | None, payload: bytes, what: str, now_s: float
    ) -> list[Report]:
        rule = {
            "topic": "R5", "unknown stream": "R5", "derived stream": "R5", "unknown line": "R5", "too large": "R7",
            "clock behind": "R13", "clock ahead": "R13", "clock never set": "R13",
        }.get(rejected.kind, "R6")  # fmt: skip
        self.verdicts[rule].fail(f"{rejected.kind}: {rejected.why} ({what})")
        n, start = (_integer(payload, name) for name in (b"n", b"start"))
        if stream is None or n is None:
            return []
        key = (stream, start or 0, n)
        self._refused.setdefault(key, now_s)
        return [Report(refused_topic(self.works, stream), _encode(Refused(key[2], rejected.why, key[1])))]

    # ---- reports -----------------------------------------------------------------------------------------------

    def _reports(self) -> list[Do | Report]:
        out: list[Do | Report] = []
        for stream, start in self._owed:
            for report in self._numbers[stream].reports({start}):
                self._reported[stream, start] = report
                out.append(Report(stored_topic(self.works, stream), _encode(report)))
                covered = [k for k in self._unreported if k[0] == stream and report.covers(k[1], k[2])]
                for key in covered:
                    del self._unreported[key]
        self._owed.clear()
        return out

    def _odd_reports(self) -> list[Do | Report]:
        """What a publisher may not expect: the same report again, an older one, of an unknown numbering, with more."""
        out: list[Do | Report] = []
        for (stream, _), report in list(self._reported.items())[:3]:
            topic = stored_topic(self.works, stream)
            unknown = Stored(n=9, first=0, start=report.start + 1)
            more = msgspec.json.decode(_encode(report)) | {"since": "1.1", "of": {"later": [1, 2]}}
            payloads = [_encode(report), _encode(_older(report)), _encode(unknown), msgspec.json.encode(more)]
            out += [Report(topic, payload) for payload in payloads]
        return out

    def _refusal(self, key: Key) -> Report:
        why = "refused by the conformance test"
        return Report(refused_topic(self.works, key[0]), _encode(Refused(key[2], why, key[1])))

    # ---- judgements --------------------------------------------------------------------------------------------

    def _judge(self, rule: str, kept: bool, evidence: str) -> None:
        self.verdicts[rule].tried = True
        if not kept:
            self.verdicts[rule].fail(evidence)

    def _judge_knock(self, phase: Phase) -> None:
        self._knocking = False
        expected = self._expected
        if expected is None:
            return
        span = f"within {phase.units * self.unit_s:.0f} s of the cut"
        others = [key for key in self._knocked if key != expected]
        self._judge(
            "R1", bool(self._knocked), f"nothing came {span}: expected another connection and {_name(expected)}"
        )
        if self._knocked:
            got = f"{_name(expected)} {self._knocked.get(expected, 0)} times and {len(others)} others"
            first = f", first {_name(others[0])}" if others else ""
            alone = not others and expected in self._knocked
            self._judge("R17", alone, f"expected {_name(expected)} alone until it is reported; got {got}{first}")

    def _judge_outbox(self, phase: Phase) -> None:
        """What came in time to be stored and reported by now, and was lost before, has to have come again."""
        lost = [key for key in self._unreported if not self._holds(key)]
        lost = [key for key in lost if self._of[key].end_s < self._last_chance_s()]
        text = ", ".join(_name(key) for key in lost[:3]) + (f" and {len(lost) - 3} more" if len(lost) > 3 else "")
        self._judge("R14", not lost, f"{phase.name}: sent once, never reported, not sent again: {text}")

    def _holds(self, key: Key) -> bool:
        return key[0] in self._numbers and self._numbers[key[0]].holds(key[1], key[2])

    def _last_chance_s(self) -> float:
        """Messages older than the newest that is stored have been passed."""
        return self._newest.end_s - rules.ORDER_WITHIN_S if self._newest is not None else -inf


def _older(report: Stored) -> Stored:
    """A report as it was some numbers ago."""
    n = max(report.first, report.n - 5)
    missing = [(a, b) for a, b in report.missing if b < n]
    return Stored(n=n, first=report.first, missing=missing, start=report.start)


def _integer(payload: bytes, name: bytes) -> int | None:
    """A field of a payload that need not be JSON."""
    found = re.search(rb'"%s"\s*:\s*(\d{1,16})\b' % name, payload)
    return int(found[1]) if found else None


def _encode(report: Stored | Refused) -> bytes:
    return msgspec.json.encode(report)


def _name(key: Key) -> str:
    stream, start, n = key
    return f"{stream.path} n={n}" + (f" start={start}" if start else "")


def _some(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers[:5])) + (f" and {len(numbers) - 5} more" if len(numbers) > 5 else "")


def _excerpt(payload: bytes) -> str:
    return payload[:80].decode(errors="replace") + ("..." if len(payload) > 80 else "")


def _covers(subscription: str, wanted: str) -> bool:
    """Whether a subscription brings all that another one would."""
    have, want = subscription.split("/"), wanted.split("/")
    if have[-1] == "#" and len(have) <= len(want) + 1:
        have, want = have[:-1], want[: len(have) - 1]
    return len(have) == len(want) and all(h in ("+", w) for h, w in zip(have, want, strict=True))
