"""The conformance test without a wire: it is fed with what a publisher sends, and says what a monitor would do next.

It plays the monitor of one line badly on purpose: it loses what the broker has taken, withholds reports, refuses
messages, leaves one missing, repeats reports, and stops together with the broker. Time comes in as an argument.
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from enum import Enum
from math import inf

import msgspec

from monitor.contract import rules
from monitor.contract.config.line import Line
from monitor.contract.config.works import WireLimits
from monitor.contract.messages import Refused, Stored
from monitor.contract.record import Rejected
from monitor.contract.topics import REFUSED, STORED, Stream, parse, refused_topic, sample_topic, stored_topic
from monitor.core.arrival import Arrival, Message
from monitor.core.decode import Decoder, number_of
from monitor.gateway.conformance.drum_changes import DrumChanges
from monitor.gateway.conformance.timing import Timing
from monitor.store.numbering import AHEAD_MAX_MS, StreamNumbers

EVIDENCE_MAX = 5
AWAY_MAX_S = 15.0  # R1: so long a publisher may take to connect again
LATE_S = 0.5  # what is on its way when the order of messages is judged
CLOCK_MS = 1
NOTICE_S = 5.0  # R17: so much later than after 15 s a publisher may notice that reports do not come
SILENT_S = 10.0

BY_NUMBER = ("R10", "R14", "R16", "R17", "R19", "R20", "R21")  # cannot be judged of numbers that name several messages

Key = tuple[Stream, int, int]  # stream, start, n


class Do(Enum):
    """What the trial does to the wire."""

    CUT = "cut the publisher's connections"
    HOLD = "hold acknowledgements back"
    RELEASE = "let acknowledgements through"
    KILL = "kill the broker"
    START = "start the broker"
    END = "the trial is over"


@dataclass(frozen=True, slots=True)
class Report:
    """A report to publish."""

    topic: str
    payload: bytes


Act = Callable[["Do | Report"], Awaitable[None]]  # does on the network what the trial needs


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A stretch of the trial, of some units and `seconds`. `stores`: what comes is stored; `reports`: and reported."""

    name: str
    units: int
    seconds: float = 0.0
    stores: bool = True
    reports: bool = True
    begin: Do | None = None
    special: str = ""


WATCH = Phase(name="watch", units=3)
SILENCE = (
    Phase(name="fall silent", units=0, seconds=rules.REPORT_WITHIN_S + NOTICE_S, stores=False, reports=False),
    Phase(name="knock in silence", units=0, seconds=SILENT_S, reports=False, special="silence"),
)
LEAVE_OUT = Phase(name="leave one missing", units=1, special="missing")
WAIT_FOR_IT = Phase(name="wait for it", units=0, seconds=rules.REPORT_WITHIN_S + rules.AGAIN_WITHIN_S, special="again")

TRIAL = (
    WATCH,
    Phase(name="lose", units=2, stores=False, reports=False),
    Phase(name="knock", units=3, reports=False, begin=Do.CUT, special="knock"),
    Phase(name="resume", units=4),
    *SILENCE,
    Phase(name="hold acknowledgements", units=1, begin=Do.HOLD),
    Phase(name="resume after silence", units=3, begin=Do.RELEASE),
    LEAVE_OUT,
    WAIT_FOR_IT,
    Phase(name="meet it again", units=3, begin=Do.CUT),
    Phase(name="refuse one for now", units=2, special="defer"),
    Phase(name="go on without it", units=3, begin=Do.CUT, special="defer"),
    Phase(name="refuse one", units=2, special="refuse"),
    Phase(name="go on after a refusal", units=3, begin=Do.CUT),
    Phase(name="odd reports", units=2, special="odd"),
    Phase(name="lose before dying", units=1, stores=False, reports=False),
    Phase(name="dead", units=2, stores=False, reports=False, begin=Do.KILL),
    Phase(name="knock after death", units=3, reports=False, begin=Do.START, special="knock"),
    Phase(name="resume after death", units=3),
    Phase(name="dead again", units=1, stores=False, reports=False, begin=Do.KILL),
    Phase(name="settle", units=5, begin=Do.START),
)
# What a client of the broker can do: it withholds, repeats and refuses, and neither cuts nor kills.
TRIAL_AS_CLIENT = (
    WATCH,
    *SILENCE,
    Phase(name="resume after silence", units=4),
    LEAVE_OUT,
    WAIT_FOR_IT,
    *SILENCE,
    Phase(name="meet it again", units=3),
    Phase(name="refuse one for now", units=2, special="defer"),
    Phase(name="go on without it", units=3, special="defer"),
    Phase(name="refuse one", units=2, special="refuse"),
    Phase(name="go on after a refusal", units=3),
    Phase(name="odd reports", units=2, special="odd"),
    Phase(name="settle", units=5),
)


@dataclass(slots=True)
class RuleResult:
    """What was found of one rule."""

    tried: bool = False
    broken: list[str] = field(default_factory=list)

    def fail(self, evidence: str) -> None:
        self.tried = True
        if len(self.broken) < EVIDENCE_MAX and evidence not in self.broken:
            self.broken.append(evidence)


@dataclass(slots=True, kw_only=True)
class Examiner:
    """Judges the publisher of one line; `unit_s` stretches the trial. `configured` are all lines of the works."""

    works: str
    line: Line
    limits: WireLimits
    unit_s: float
    trial: tuple[Phase, ...] = TRIAL
    sees_connections: bool = True
    configured: frozenset[str] = frozenset()
    verdicts: dict[str, RuleResult] = field(default_factory=lambda: {name: RuleResult() for name in rules.titles()})
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
    _ambiguous: bool = False  # a number names several messages
    _knocked: dict[Key, int] = field(default_factory=dict)
    _knocking: bool = False
    _distracts: bool = False  # a report of no message is due, which ends no knock
    _expected: Key | None = None
    _away: bool = False
    _new: int = 0  # messages stored for the first time in this phase
    _new_before: int = 0  # and in the one before
    _subscribed: set[str] = field(default_factory=set)
    _reported: dict[tuple[Stream, int], Stored] = field(default_factory=dict)
    _deferred: Key | None = None  # refused for now
    _example: Key | None = None  # refused for good
    _unnamed: set[str] = field(default_factory=set)  # lines of which a message came that no report can name
    _refusals: dict[Key, Refused] = field(default_factory=dict)  # to be published
    _knock: tuple[Key, bool, str] | None = None  # expected, whether it came alone, evidence
    _drum_changes: DrumChanges = field(default_factory=DrumChanges)
    _timing: Timing = field(default_factory=Timing)

    def __post_init__(self) -> None:
        self._decoder = Decoder(self.works, {self.line.line: self.line}, self.limits)
        self._phases = list(self.trial)

    # ---- what the wire shows -----------------------------------------------------------------------------------

    def connected(self, now_s: float) -> None:
        """The publisher made a connection; a phase that began with a cut lasts from here."""
        self._subscribed.clear()
        self._timing.back(now_s)
        if self._away and self._phase is not None:
            self._away = False
            self._ends_s = now_s + self._phase.units * self.unit_s

    def subscribed(self, topics: str) -> None:
        """The broker has acknowledged a subscription of the publisher."""
        self._subscribed.add(topics)
        levels = topics.split("/")
        own = len(levels) > 2 and levels[0] == self.works and levels[1] != "+" and levels[2] in (STORED, REFUSED)
        self.judge("R2", own, f"subscribed to {topics}, which is more than reports of its lines")

    def in_flight(self, count: int, most: int) -> None:
        """So many messages of a connection wait for the broker's acknowledgement, of `most` that it allows."""
        most = min(most, rules.IN_FLIGHT_MAX)
        self.judge("R18", count <= most, f"more than {most} messages not acknowledged by the broker")

    def published(self, topic: str, payload: bytes, qos: int, retain: bool, now_s: float) -> None:
        """The publisher sent a message."""
        stream = parse(self.works, topic)
        if stream is not None and stream.line != self.line.line:
            if self.configured and stream.line not in self.configured:
                self._reject_line(stream, payload)
            return
        self.messages += 1
        what = f"{topic} {_excerpt(payload)}"
        self.judge(
            "R3", qos == 1 and not retain, f"expected QoS 1 without retain, got QoS {qos}, retain {retain}: {what}"
        )
        if self.sees_connections:
            self._judge_subscriptions(what)
        decoded = self._decoder.decode(Arrival(topic, payload, now_s, False))
        if isinstance(decoded, Rejected):
            self._reject(decoded, payload, what, now_s)
            return
        for rule in ("R5", "R6", "R7", "R13"):
            self.verdicts[rule].tried = True
        self._take(decoded, payload, now_s)

    def judge(self, rule: str, kept: bool, evidence: str) -> None:
        """A rule was tried; `evidence` is what was expected and what came instead, where it is not kept."""
        self.verdicts[rule].tried = True
        if not kept and not (self._ambiguous and rule in BY_NUMBER):
            self.verdicts[rule].fail(evidence)

    def _judge_subscriptions(self, what: str) -> None:
        wanted = {f"{self.works}/{self.line.line}/{about}/+/+" for about in (STORED, REFUSED)}
        missing = sorted(w for w in wanted if not any(_covers(s, w) for s in self._subscribed))
        self.judge("R4", not missing, f"published before a subscription to {', '.join(missing)}: {what}")

    # ---- the trial ---------------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> list[Do | Report]:
        """Some time later: what to do to the wire, and what to report."""
        out: list[Do | Report] = []
        while now_s >= self._ends_s:
            if self._phase is not None:
                out += self._reports() if self._phase.reports else []
                self._end_phase(self._phase, now_s)
            if not self._phases:
                self._conclude()
                return [*out, Do.END]
            out += self._begin_phase(now_s)
        if self._phase is not None and self._phase.reports:
            out += self._reports()
        if self._distracts:
            out.append(self._empty_report(self.line.line))
            self._distracts = False
        if self._phase is WAIT_FOR_IT and self._left_out is not None and self._holds(self._left_out):
            self._ends_s = min(self._ends_s, now_s)
        return out

    def _begin_phase(self, now_s: float) -> list[Do | Report]:
        phase = self._phase = self._phases.pop(0)
        self._new_before = self._new
        if phase is not WAIT_FOR_IT:
            self._timing.calm_since_s = now_s if phase in (WATCH, LEAVE_OUT) else None
        self._ends_s = now_s + phase.units * self.unit_s + phase.seconds
        self._new = 0
        self._away = phase.begin in (Do.CUT, Do.START)
        if self._away:
            self._ends_s = max(self._ends_s, now_s + AWAY_MAX_S)
        if phase.begin is Do.KILL:
            self._timing.away(now_s)
        if self._away or phase.special == "silence":
            self._knocking, self._knocked = phase.special in ("knock", "silence"), {}
            self._expected = self._oldest()
        out: list[Do | Report] = [] if phase.begin is None else [phase.begin]
        return out + (self._odd_reports() if phase.special == "odd" else [])

    def _end_phase(self, phase: Phase, now_s: float) -> None:
        if phase.name == "watch" and not self.messages:
            self.verdicts["R1"].fail(
                f"no message of line {self.line.line} came within {phase.units * self.unit_s:.0f} s"
            )
        if phase.special in ("knock", "silence"):
            self._judge_knock(phase)
        if phase.name == "go on after a refusal" and self._example:
            self.judge("R21", self._new > 0, f"after {_name(self._example)} was refused nothing else came")
        if phase is WAIT_FOR_IT and self._left_out is not None:
            self._judge_again(self._left_out, phase)
        if phase.name == "meet it again" and self._left_out is not None:
            name, came = _name(self._left_out), self._holds(self._left_out)
            self.judge("R20", came, f"{name} was reported missing and never sent again")
            if not came:
                self.verdicts["R19"] = RuleResult()  # what is not kept cannot be sent again
                self._unreported.pop(self._left_out, None)
        if phase.name == "go on without it" and self._deferred:
            name = _name(self._deferred)
            self.judge("R21", self._new > 0, f"after {name} was refused for now nothing else came")
        if phase.special == "odd" and self._new_before:
            self.judge("R20", self._new > 0, "after repeated, older and unknown reports no message came any more")
        if phase.name in ("resume", "resume after silence", "meet it again", "resume after death", "settle"):
            self._judge_outbox(phase)

    def _conclude(self) -> None:
        """Numbers that never came at all, and time that was not sampled."""
        for rule, kept, evidence in self._timing.judged():
            self.judge(rule, kept, evidence)
        for stream, numbers in self._numbers.items():
            for numbering in numbers.numberings:
                report = numbering.report()
                assert report is not None
                never = [
                    n for a, b in report.missing for n in range(a, b + 1) if (stream, report.start, n) not in self._of
                ]
                never = [n for n in never if (stream, report.start, n) not in self._refused]
                name = f"{stream.path} start={report.start}"
                self.judge("R9", not never, f"{name}: numbers {_some(never)} were never sent")
                began = report.start == 0 or (stream, report.start, 0) in {*self._of, *self._refused}
                self.judge("R10", began, f"{name}: the numbering began at {report.first}, not at 0")

    # ---- one message -------------------------------------------------------------------------------------------

    def _take(self, message: Message, payload: bytes, now_s: float) -> None:
        key = (message.stream, message.start, message.n)
        known = self._contents.setdefault(key, payload)
        if known != payload:
            again = f"{_name(key)}: first {_excerpt(known)}, then {_excerpt(payload)}"
            used_twice = abs(self._of[key].t_s - message.t_s) > 1e-9
            self.verdicts["R9" if used_twice else "R11"].fail(again)
            self._ambiguous |= used_twice
        self.verdicts["R11"].tried |= key in self._of
        if key not in self._of:
            self._timing.add(message, now_s)
            self._meet(key, message)
        if self._knocking:
            self._distracts = not self._knocked
            self._knocked[key] = self._knocked.get(key, 0) + 1
        if key in self._refused:
            self.judge("R21", now_s < self._refused[key] + 1.0, f"{_name(key)} was refused and came again")
            self._refuse(key)
        else:
            self._store(key, message, now_s)

    def _meet(self, key: Key, message: Message) -> None:
        """A message seen for the first time, against those before it in its stream."""
        stream, start, n = key
        starts = {s for other, s, _ in self._of if other == stream} if n == 0 else set()
        self.verdicts["R10"].tried = True
        if n == 0 and starts and start not in starts and start < max(starts):
            self.verdicts["R10"].fail(f"{stream.path}: a numbering start={start} after start={max(starts)}")
        ahead_s = start / 1e3 - message.received_s
        no_time = f"{_name(key)}: expected start in UTC ms, got one {ahead_s:.0f} s in the future"
        self.judge("R10", ahead_s <= AHEAD_MAX_MS / 1e3, no_time)
        before, after = self._of.get((stream, start, n - 1)), self._of.get((stream, start, n + 1))
        for a, b in ((before, message), (message, after)):
            if a is not None and b is not None:
                back = f"{_name(key)}: n={b.n} is stamped {round(b.t_s * 1e3)}, n={a.n} until {round(a.end_s * 1e3)}"
                self.judge("R12", b.t_s * 1e3 >= a.end_s * 1e3 - CLOCK_MS, back)
        self._of[key] = message
        self._unreported[key] = None
        for kept, evidence in self._drum_changes.take(message):
            self.judge("R23", kept, evidence)
        limit = rules.WINDOW_MAX
        self.judge("R18", len(self._unreported) <= limit, f"more than {limit} messages sent and not reported")

    def _store(self, key: Key, message: Message, now_s: float) -> None:
        phase = self._phase or WATCH  # the first message comes before the first tick
        if not phase.stores:
            return
        stream, start, n = key
        numbers = self._numbers.setdefault(stream, StreamNumbers())
        if not numbers.holds(start, n) and self._singles_out(key, phase, now_s):
            return
        self._owed[stream, start] = None
        if numbers.add(start, n, round(message.t_s * 1e3)) == "new":
            self._new += 1
            self._judge_order(key, message)

    def _singles_out(self, key: Key, phase: Phase, now_s: float) -> bool:
        """Whether this message is the one that this phase leaves missing or refuses."""
        if phase.special == "missing" and self._left_out in (None, key):
            self._left_out = key
            return True
        if phase.special == "defer" and self._deferred in (None, key):
            self._deferred = key
            self._refuse(key, final=False)
            return True
        if phase.special == "refuse" and self._example is None and key != self._deferred:
            self._example, self._refused[key] = key, now_s
            self._refuse(key)
            return True
        return False

    def _judge_order(self, key: Key, message: Message) -> None:
        newest = self._newest
        # What runs past a message that waits for a report breaks R17, which is there for the order.
        ran_past = self._knocking or (self._knock is not None and not self._knock[1])
        if newest is not None and key not in (self._left_out, self._deferred) and not ran_past:
            late_s = newest.end_s - message.end_s
            then = _name((newest.stream, newest.start, newest.n))
            limit_s = rules.ORDER_WITHIN_S + LATE_S
            self.judge("R16", late_s <= limit_s, f"{_name(key)} came after {then}, which is {late_s:.1f} s newer")
        if newest is None or message.end_s > newest.end_s:
            self._newest = message

    def _reject(self, rejected: Rejected, payload: bytes, what: str, now_s: float) -> None:
        rule = {
            "topic": "R5", "unknown stream": "R5", "derived stream": "R5", "unknown line": "R5", "too large": "R7",
            "clock behind": "R13", "clock ahead": "R13", "clock never set": "R13",
        }.get(rejected.kind, "R6")  # fmt: skip
        self.verdicts[rule].fail(f"{rejected.kind}: {rejected.why} ({what})")
        if rejected.number is None:
            self._unnamed |= {line for line in [rules.empty_report_line(rejected)] if line}
            return
        key = (rejected.number.stream, rejected.number.start, rejected.number.n)
        self._refusals[key] = Refused(
            n=key[2], why=rejected.why, start=key[1], final=rejected.final, kind=rejected.kind
        )
        self._expected = None  # the publisher may be knocking with this one, which is not known here
        if rejected.final:
            self._refused.setdefault(key, now_s)

    def _reject_line(self, stream: Stream, payload: bytes) -> None:
        self.messages += 1
        what = f"no line of the name {stream.line} in the configuration"
        self.verdicts["R5"].fail(f"unknown line: {what} ({sample_topic(self.works, stream)} {_excerpt(payload)})")
        number = number_of(stream, payload)
        if number is None:
            self._unnamed.add(stream.line)
        else:
            key = (stream, number.start, number.n)
            why = f"{what}; add its file or correct the topic"
            self._refusals[key] = Refused(n=number.n, why=why, start=number.start, final=False, kind="unknown line")

    # ---- reports -----------------------------------------------------------------------------------------------

    def _reports(self) -> list[Do | Report]:
        out: list[Do | Report] = []
        for stream, start in self._owed:
            for report in self._numbers[stream].reports({start: ()}):
                self._reported[stream, start] = report
                out.append(Report(stored_topic(self.works, stream), _encode(report)))
                covered = [k for k in self._unreported if k[0] == stream and report.covers(k[1], k[2])]
                for key in covered:
                    del self._unreported[key]
        self._owed.clear()
        out += [self._empty_report(line) for line in sorted(self._unnamed)]
        self._unnamed.clear()
        out += [Report(refused_topic(self.works, key[0]), _encode(refusal)) for key, refusal in self._refusals.items()]
        self._refusals.clear()
        return out

    def _empty_report(self, line: str) -> Report:
        return Report(stored_topic(self.works, rules.empty_report_stream(line)), _encode(rules.EMPTY_REPORT))

    def _odd_reports(self) -> list[Do | Report]:
        """What a publisher may not expect: nothing covered, the same again, an older one, an unknown start, more."""
        out: list[Do | Report] = [self._empty_report(self.line.line)]
        for (stream, _), report in list(self._reported.items())[:3]:
            topic = stored_topic(self.works, stream)
            unknown = Stored(n=9, first=0, start=report.start + 1)
            more = msgspec.json.decode(_encode(report)) | {"since": "1.1", "of": {"later": [1, 2]}}
            payloads = [_encode(report), _encode(_older(report)), _encode(unknown), msgspec.json.encode(more)]
            out += [Report(topic, payload) for payload in payloads]
        return out

    def _refuse(self, key: Key, final: bool = True) -> None:
        """Refuse a sound message, to see what its publisher does."""
        self.verdicts["R21"].tried = True
        self._unreported.pop(key, None)
        if self._knocking:
            self._expected = None
        why = "refused by the conformance test" + ("" if final else " for now")
        self._refusals[key] = Refused(n=key[2], why=why, start=key[1], final=final, kind="conformance test")

    # ---- judgements --------------------------------------------------------------------------------------------

    def _judge_knock(self, phase: Phase) -> None:
        """What a knock was; what is judged of it waits for whether the publisher still had the message (R14)."""
        self._knocking = False
        expected = self._expected
        if expected is None:
            return
        if phase.special == "knock":
            span = f"within {phase.units * self.unit_s:.0f} s of the cut"
            nothing = f"nothing came {span}: expected another connection and {_name(expected)}"
            self.judge("R1", bool(self._knocked), nothing)
        others = [key for key in self._knocked if key != expected]
        got = f"{_name(expected)} {self._knocked.get(expected, 0)} times and {len(others)} others"
        first = f", first {_name(others[0])}" if others else ""
        alone = not others and expected in self._knocked
        self._knock = expected, alone, f"expected {_name(expected)} alone until it is reported; got {got}{first}"

    def _judge_again(self, left_out: Key, phase: Phase) -> None:
        again = f"{_name(left_out)} was reported missing and did not come again within {phase.seconds:.0f} s"
        self.judge("R19", self._holds(left_out), again)

    def _judge_outbox(self, phase: Phase) -> None:
        """What came in time to be stored and reported by now, and was lost before, has to have come again."""
        if self._knock is not None and self._holds(self._knock[0]):
            self.judge("R17", *self._knock[1:])
        self._knock = None
        lost = [key for key in self._unreported if not self._holds(key)]
        lost = [key for key in lost if self._of[key].end_s < self._last_chance_s()]
        text = ", ".join(_name(key) for key in lost[:3]) + (f" and {len(lost) - 3} more" if len(lost) > 3 else "")
        self.judge("R14", not lost, f"{phase.name}: sent once, never reported, not sent again: {text}")

    def _oldest(self) -> Key | None:
        """Of what is neither reported nor put aside, the message that came first."""
        return next(iter(self._unreported), None)

    def _holds(self, key: Key) -> bool:
        return key[0] in self._numbers and self._numbers[key[0]].holds(key[1], key[2])

    def _last_chance_s(self) -> float:
        """Messages older than the newest that is stored have been passed."""
        return self._newest.end_s - rules.ORDER_WITHIN_S if self._newest is not None else -inf


def duration_s(trial: tuple[Phase, ...], unit_s: float) -> float:
    """How long a trial takes at the most, where its publisher connects again at once, s."""
    return sum(phase.units * unit_s + phase.seconds for phase in trial)


def _older(report: Stored) -> Stored:
    """A report as it was some numbers ago."""
    n = max(report.first, report.n - 5)
    missing = [(a, b) for a, b in report.missing if b < n]
    return Stored(n=n, first=report.first, missing=missing, start=report.start)


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
    have, wanted_parts = subscription.split("/"), wanted.split("/")
    if have[-1] == "#" and len(have) <= len(wanted_parts) + 1:
        have, wanted_parts = have[:-1], wanted_parts[: len(have) - 1]
    return len(have) == len(wanted_parts) and all(h in ("+", w) for h, w in zip(have, wanted_parts, strict=True))
