"""What meets the engine first: a payload on a topic, with the time it was received."""

from dataclasses import dataclass

from monitor.contract.messages import Told
from monitor.contract.record import Floats
from monitor.contract.topics import Stream


@dataclass(frozen=True, slots=True)
class Arrival:
    """Bytes from the wire; `retained` is the broker's flag for an old value handed over at subscription."""

    topic: str
    payload: bytes
    received_s: float
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Block:
    """Samples of one message: UTC seconds and values, values NaN where the quality is bad."""

    t_s: Floats
    v: Floats


@dataclass(frozen=True, slots=True)
class Message:
    """A sound message of a known stream: `n` in numbering `start`, its first and last sample at `t_s` and `end_s`."""

    stream: Stream
    n: int
    t_s: float
    end_s: float
    received_s: float
    body: Block | Told
    start: int = 0


@dataclass(frozen=True, slots=True)
class Tick:
    """The wall clock said `now_s` while nothing arrived; time passes for a silent line too."""

    now_s: float


@dataclass(frozen=True, slots=True)
class Note:
    """The monitor says of itself that one of its own alarms (`contract.selfwatch`) is `raised` or has `returned`."""

    now_s: float
    alarm: str
    event: str
    value: float


LineArrival = Message | Tick | Note  # what a line's own engine is fed
