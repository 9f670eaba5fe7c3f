"""MQTT topic names: `{works}/{line}/{station}/{quantity}`, defined only here."""

import re
from dataclasses import dataclass

NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")

# Stations that are not places on the line.
STORED = "stored"  # {works}/{line}/stored/{station}/{quantity}: the monitor's "stored up to n"
REFUSED = "refused"  # {works}/{line}/refused/{station}/{quantity}: numbers that will never be stored
OPERATOR = "operator"  # actions of people
MONITOR = "monitor"  # messages of the monitor: alarms, events, health
RESERVED_STATIONS = frozenset({STORED, REFUSED, OPERATOR, MONITOR})

# Quantities whose payload is not a number.
STATE = "state"
DRUM = "drum"
PAYOFF = "payoff"
ACTION = "action"
LIMITS = "limits"
NOTIFICATION_QUANTITIES = frozenset({STATE, DRUM, PAYOFF, ACTION, LIMITS})

# Earlier names of quantities: stores and recordings hold messages under them, the wire does not accept them.
RENAMED = {"splice": PAYOFF}


@dataclass(frozen=True, slots=True, order=True)
class Stream:
    """One quantity of one station of one line."""

    line: str
    station: str
    quantity: str

    @property
    def path(self) -> str:
        """`station/quantity`, the name a recipe or a screen uses."""
        return f"{self.station}/{self.quantity}"

    def __str__(self) -> str:
        return f"{self.line}/{self.path}"


def present(stream: Stream) -> Stream:
    """A stored stream under the name that its quantity has today."""
    quantity = RENAMED.get(stream.quantity)
    return stream if quantity is None else Stream(stream.line, stream.station, quantity)


def is_notification(quantity: str) -> bool:
    """Whether a stored stream holds messages that are no samples, under today's name or an earlier one."""
    return RENAMED.get(quantity, quantity) in NOTIFICATION_QUANTITIES


def sample_topic(works: str, stream: Stream) -> str:
    """Topic on which a stream is published."""
    return f"{works}/{stream}"


def stored_topic(works: str, stream: Stream) -> str:
    """Topic of the monitor's report "stored up to n" for a stream."""
    return f"{works}/{stream.line}/{STORED}/{stream.path}"


def refused_topic(works: str, stream: Stream) -> str:
    """Topic of numbers of a stream that the monitor rejected."""
    return f"{works}/{stream.line}/{REFUSED}/{stream.path}"


def action_topic(works: str, line: str) -> str:
    """Topic for actions of people: acknowledge, shelve, mark metres."""
    return f"{works}/{line}/{OPERATOR}/{ACTION}"


def limits_topic(works: str, line: str) -> str:
    """Topic for steps of a change of limits."""
    return f"{works}/{line}/{OPERATOR}/{LIMITS}"


def monitor_topic(works: str, line: str, quantity: str) -> str:
    """Topic of the monitor's messages about a line: `alarm`, `event`, `health`."""
    return f"{works}/{line}/{MONITOR}/{quantity}"


def subscription(works: str, line: str) -> str:
    """Filter for every stream of a line, `+` for any line (and the monitor's own messages, which are skipped)."""
    return f"{works}/{line}/+/+"


def line_of(works: str, topic: str) -> str | None:
    """Name of the line that a topic of this works is of, even where it names no stream; None where there is none."""
    parts = topic.split("/")
    return parts[1] if len(parts) > 2 and parts[0] == works and NAME.fullmatch(parts[1]) else None


def parse(works: str, topic: str) -> Stream | None:
    """Stream of a topic, or None where the topic is not a stream of this works."""
    parts = topic.split("/")
    if len(parts) != 4 or parts[0] != works or not all(NAME.fullmatch(part) for part in parts[1:]):
        return None
    return Stream(*parts[1:])
