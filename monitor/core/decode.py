"""Decodes payloads to messages; an invalid one becomes a `Rejected` value with a kind and a reason."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.contract import bounds
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.works import WireLimits
from monitor.contract.messages import (
    Action,
    DrumChange,
    LimitsStep,
    Notification,
    PayoffChange,
    Samples,
    Sequence,
    Start,
    StateChange,
)
from monitor.contract.record import Floats, MessageNumber, Rejected
from monitor.contract.rules import REFUSALS
from monitor.contract.topics import ACTION, DRUM, LIMITS, OPERATOR, PAYOFF, STATE, Stream, parse
from monitor.core.arrival import Arrival, Block, Message

T = TypeVar("T")

RETAINED_MAX_AGE_S = 5.0
NO_RANGE = (-np.inf, np.inf)  # of a stream without a measuring range
NEVER_BEFORE_S = 946_684_800.0  # 2000-01-01: no step of our clock explains a stamp before it, only a clock never set

_SURROGATE = re.compile(rb"\\u[dD][89a-fA-F]")
_TOKEN = re.compile(rb'"(?:[^"\\]++|\\.?)*+"?|[{}\[\]]', re.DOTALL)  # an unfinished string reaches to the end
_NUMBER = re.compile(rb"\s*:\s*(\d{1,16})\s*[,}]")
_COLON = re.compile(rb"\s*:")
SCANNED_BYTES = 2**20  # brokers accept at least this (R22)

_SAMPLES = msgspec.json.Decoder(Samples)
_NOTIFICATIONS: dict[str, "msgspec.json.Decoder[Any]"] = {
    STATE: msgspec.json.Decoder(StateChange),
    DRUM: msgspec.json.Decoder(DrumChange),
    PAYOFF: msgspec.json.Decoder(PayoffChange),
    ACTION: msgspec.json.Decoder(Action),
    LIMITS: msgspec.json.Decoder(LimitsStep),
}


class _NoDataError(Exception):
    """Why an arrival is not data, by a kind of `REFUSALS` or `UNREPORTED`; stays inside this module."""

    def __init__(self, kind: str, why: str) -> None:
        super().__init__(why)
        self.kind = kind


@dataclass(slots=True)
class _Topic:
    """A known topic: its stream, the range of its readings, and the decoder of its payload."""

    stream: Stream
    low: float
    high: float
    notification: "msgspec.json.Decoder[Notification] | None"  # None where it carries samples


@dataclass(slots=True)
class Decoder:
    """Decodes arrivals of one works; pure but for a cache of topics already understood."""

    works: str
    lines: Mapping[str, Line]
    limits: WireLimits
    _known: dict[str, _Topic] = field(default_factory=dict)

    @classmethod
    def of(cls, configuration: Configuration, lines: Iterable[str] | None = None) -> "Decoder":
        """For these lines of a works, or for all."""
        known = configuration.lines
        names = known if lines is None else lines
        return cls(configuration.works.works, {name: known[name] for name in names}, configuration.works.wire)

    def decode(self, arrival: Arrival) -> Message | Rejected:
        """A valid message, or the error: expected, got, where."""
        try:
            return self._decode(arrival)
        except _NoDataError as error:
            line, _, number = self.name(arrival)
            topic, why = printable(arrival.topic, 200), printable(str(error), bounds.TEXT)
            final = REFUSALS.get(error.kind, True)
            return Rejected(
                kind=error.kind,
                topic=topic,
                why=why,
                received_s=arrival.received_s,
                line=line,
                number=number if error.kind in REFUSALS else None,
                final=final,
            )

    def name(self, arrival: Arrival) -> tuple[str, Stream | None, MessageNumber | None]:
        """Line, stream and number of a rejected message, each as far as it can be read."""
        parts = arrival.topic.split("/")
        line = parts[1] if len(parts) > 1 and parts[1] in self.lines else ""
        stream = parse(self.works, arrival.topic) if line else None
        return line, stream, number_of(stream, arrival.payload) if stream else None

    def by_line(self, arrivals: Iterable[Arrival]) -> tuple[dict[str, list[Message]], list[Rejected]]:
        """The valid messages of each line, in the order they came, and the errors of the others."""
        found: dict[str, list[Message]] = {}
        rejected = []
        for decoded in map(self.decode, arrivals):
            if isinstance(decoded, Rejected):
                rejected.append(decoded)
            else:
                found.setdefault(decoded.stream.line, []).append(decoded)
        return found, rejected

    def _decode(self, arrival: Arrival) -> Message:
        topic = self._known.get(arrival.topic) or self._look_up(arrival.topic)
        if len(arrival.payload) > self.limits.payload_bytes_max:
            why = f"expected at most {self.limits.payload_bytes_max} bytes, got {len(arrival.payload)}"
            raise _NoDataError("too large", why)
        if topic.notification is not None:
            notification = _parse(topic.notification, arrival.payload)
            t_s = notification.t / 1e3
            message = Message(
                stream=topic.stream, n=notification.n, t_s=t_s, end_s=t_s, received_s=arrival.received_s,
                body=notification, start=notification.start,
            )  # fmt: skip
            return self._in_time(message, arrival)
        samples = _parse(_SAMPLES, arrival.payload)
        block = (
            self._block(samples, topic)
            if isinstance(samples.v, list) or samples.q != "good"
            else _one(samples, samples.v, topic)
        )
        end_s = block.t_s.item(-1)
        message = Message(
            stream=topic.stream,
            n=samples.n,
            t_s=samples.t / 1e3,
            end_s=end_s,
            received_s=arrival.received_s,
            body=block,
            start=samples.start,
        )
        return self._in_time(message, arrival)

    def _look_up(self, topic: str) -> _Topic:
        stream = parse(self.works, topic)
        if stream is None:
            raise _NoDataError("topic", f"expected {self.works}/LINE/STATION/QUANTITY in lower case, got {topic!r}")
        line = self.lines.get(stream.line)
        if line is None:
            raise _NoDataError("unknown line", f"no line {stream.line!r}; known: {', '.join(sorted(self.lines))}")
        settings = line.streams.get(stream.path)
        if settings is not None and settings.derived:
            why = f"{stream.path} is worked out from {settings.derived.of}: publish that, and nothing here"
            raise _NoDataError("derived stream", why)
        if settings is None and not _is_notification(stream, line):
            why = f"line {line.line} has no stream {stream.path!r}; add it to its file"
            raise _NoDataError("unknown stream", why)
        low, high = line.range_of(stream.path) if settings else NO_RANGE
        found = self._known[topic] = _Topic(stream, low, high, _NOTIFICATIONS.get(stream.quantity))
        return found

    def _block(self, samples: Samples, topic: _Topic) -> Block:
        v = np.array(samples.v if isinstance(samples.v, list) else [samples.v], dtype=np.float64)
        if not 0 < len(v) <= self.limits.block_samples_max:
            raise _NoDataError("block", f"expected 1 to {self.limits.block_samples_max} samples, got {len(v)}")
        if len(v) > 1 and samples.dt is None:
            raise _NoDataError("block", f"a block of {len(v)} samples needs dt, the ms between two samples")
        t_s = samples.t / 1e3 + steps(len(v), samples.dt or 0.0)
        blot_out(v, topic.low, topic.high)
        if samples.q != "good":
            v[_is_bad(samples, len(v))] = np.nan
        return Block(t_s, v)

    def range_of(self, topic: str) -> tuple[float, float]:
        """Least and greatest reading of a known topic; raises where it is unknown."""
        known = self._known.get(topic) or self._look_up(topic)
        return known.low, known.high

    def _in_time(self, message: Message, arrival: Arrival) -> Message:
        if message.t_s < arrival.received_s - self.limits.behind_max_s:
            why = f"stamped {message.t_s:.0f} s since 1970, {arrival.received_s - message.t_s:.0f} s ago: set the clock"
            raise _NoDataError("clock never set" if message.t_s < NEVER_BEFORE_S else "clock behind", why)
        if message.end_s > arrival.received_s + self.limits.ahead_max_s:
            why = f"stamped {message.end_s - arrival.received_s:.1f} s in the future: set the clock"
            raise _NoDataError("clock ahead", why)
        if arrival.retained and message.end_s < arrival.received_s - RETAINED_MAX_AGE_S:
            age = arrival.received_s - message.end_s
            raise _NoDataError("old retained", f"a value {age:.0f} s old, retained by the broker: not current data")
        return message


def _is_notification(stream: Stream, line: Line) -> bool:
    """State comes from `line`, drum changes from take-up and pay-offs, actions of people from `operator`."""
    if stream.quantity in (ACTION, LIMITS):
        return stream.station == OPERATOR
    if stream.quantity == STATE:
        return stream.station == "line"
    if stream.quantity == PAYOFF:
        return stream.station in line.pay_off
    return stream.quantity == DRUM and stream.station == line.take_up


def _parse(decoder: "msgspec.json.Decoder[T]", payload: bytes) -> T:
    try:
        return decoder.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        text = str(error)
        if b"NaN" in payload or b"Infinity" in payload or "out of range" in text:
            raise _NoDataError("not finite", f"expected a finite number, got {_excerpt(payload)}") from None
        raise _NoDataError(_kind(error, payload), f"{text}, got {_excerpt(payload)}") from None


def _kind(error: Exception, payload: bytes) -> str:
    if isinstance(error, msgspec.ValidationError):
        return "text" if "matching regex" in str(error) or "`str` of length <=" in str(error) else "wrong type"
    return "text" if _SURROGATE.search(payload) else "not JSON"


NUMBER_MAX = 2**53  # of Sequence and Start


class _Numbered(msgspec.Struct):
    n: Sequence
    start: Start = 0


def number_of(stream: Stream, payload: bytes) -> MessageNumber | None:
    """Number of a rejected message, wherever it is in the payload; in broken JSON as far as it can be read."""
    try:
        read = msgspec.json.decode(payload, type=_Numbered)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        fields = {b'"start"': 0} | _fields(payload[:SCANNED_BYTES])
        n, start = fields.get(b'"n"'), fields[b'"start"']
        return None if n is None or start is None else MessageNumber(stream, start, n)
    return MessageNumber(stream, read.start, read.n)


def _fields(payload: bytes) -> dict[bytes, int | None]:
    """`n` and `start` of the outermost object of what may be broken JSON; None for one that cannot be a number."""
    found: dict[bytes, int | None] = {}
    depth = 0
    for token in _TOKEN.finditer(payload):
        text = token[0]
        if text in b"{[":
            depth += 1
        elif text in b"]}":
            depth -= 1
        elif depth == 1 and text in (b'"n"', b'"start"'):
            value = _NUMBER.match(payload, token.end())
            if value is not None and int(value[1]) <= NUMBER_MAX:
                found[text] = int(value[1])
            elif _COLON.match(payload, token.end()):
                found[text] = None
    return found


def printable(text: str, size: int) -> str:
    """The first characters of a text, control characters and lone surrogates spelled out, as any store can hold it."""
    text = text[:size]
    return text if text.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)[:size]


def _excerpt(payload: bytes) -> str:
    return repr(payload[:60]) + ("..." if len(payload) > 60 else "")


def blot_out(v: Floats, low: float, high: float) -> None:
    """Values outside an instrument's range become NaN, in place."""
    if len(v) and not (v[v.argmin()] >= low and v[v.argmax()] <= high):  # a quarter of what np.min and np.max take
        v[(v < low) | (v > high)] = np.nan


def _one(samples: Samples, v: float, topic: _Topic) -> Block:
    """A block of one sample, as most messages have."""
    block = Block(np.empty(1), np.empty(1))
    block.t_s[0] = samples.t / 1e3
    block.v[0] = v if topic.low <= v <= topic.high else np.nan
    return block


@lru_cache(maxsize=256)
def steps(count: int, dt_ms: float) -> Floats:
    steps = np.arange(count, dtype=np.float64) * (dt_ms / 1e3)
    steps.flags.writeable = False
    return np.asarray(steps, dtype=np.float64)


def _is_bad(samples: Samples, count: int) -> NDArray[np.bool_]:
    if isinstance(samples.q, str):
        return np.full(count, samples.q == "bad")
    if len(samples.q) != count:
        raise _NoDataError("block", f"expected {count} qualities, one a sample, got {len(samples.q)}")
    return np.array([q == "bad" for q in samples.q])
