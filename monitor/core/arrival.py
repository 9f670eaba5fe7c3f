"""Input type of the engine: a payload on a topic, with the time it was received.

These are made for each message: a struct takes a ninth of the time of a frozen dataclass.
"""

import msgspec

from monitor.contract.messages import Notification
from monitor.contract.record import Floats
from monitor.contract.topics import Stream


class Arrival(msgspec.Struct, frozen=True):
    """Bytes from the wire; `retained` is the broker's flag for an old value handed over at subscription."""

    topic: str
    payload: bytes
    received_s: float
    retained: bool = False


class Block(msgspec.Struct, frozen=True):
    """Samples of one message: UTC seconds and values, values NaN where the quality is bad."""

    t_s: Floats
    v: Floats


class Message(msgspec.Struct, frozen=True, kw_only=True):
    """A valid message of a known stream: `n` in numbering `start`, its first and last sample at `t_s` and `end_s`."""

    stream: Stream
    n: int
    t_s: float
    end_s: float
    received_s: float
    body: Block | Notification
    start: int = 0


class Tick(msgspec.Struct, frozen=True):
    """The wall clock read `now_s` while nothing arrived; time passes for a silent line too."""

    now_s: float


class Note(msgspec.Struct, frozen=True):
    """The monitor reports that one of its own alarms (`contract.selfwatch`) is `raised` or has `returned`."""

    now_s: float
    alarm: str
    event: str
    value: float


LineArrival = Message | Tick | Note  # what a line's own engine is fed
