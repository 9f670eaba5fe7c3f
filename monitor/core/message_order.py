"""Messages of one stream in the order of their numbers, each once: waits for missing numbers, then reports a gap."""

from dataclasses import dataclass, field
from math import inf, nextafter

import msgspec

from monitor.core.arrival import Message

LARGEST_HOLE = 1_000_000  # a larger step in the numbers is no loss but another numbering


class Released(msgspec.Struct, frozen=True):
    """A message in its order. `known_s`: how far the line's record was when it became known; `seq`: its arrival."""

    message: Message
    known_s: float
    seq: int

    @property
    def after_s(self) -> float:
        """The first moment at which the message can change how cable is judged."""
        return nextafter(self.known_s, inf) if self.known_s > -inf else self.known_s


@dataclass(frozen=True, slots=True)
class Hole:
    """Missing sequence numbers of a numbering; `t_s`: the stamp of the message that followed them."""

    start: int
    first: int
    last: int
    t_s: float


@dataclass(slots=True, kw_only=True)
class StreamOrder:
    """Carried state of one stream's order.

    A message whose number is ahead of its turn waits until the line's newest stamp is `reorder_s` past it; then the
    hole before it is declared and whoever comes later for it is late. A greater `start` begins another numbering, at 0.
    A message that is behind although its stamp is newer than all that was released is not late: its publisher counts
    anew without saying so, and so do we. Outcome depends on the order of arrivals only.
    """

    reorder_s: float
    next_n: int | None = None
    start: int = 0
    newest_s: float = -inf
    held: dict[int, tuple[Message, int]] = field(default_factory=dict)
    renumbered: int = 0
    duplicates: int = 0
    late: int = 0

    def push(self, message: Message, known_s: float, seq: int) -> list[Released]:
        """Take one arrival; returns what is now in order."""
        if self.next_n is None:
            self._begin(message, 0)
        elif message.start > self.start:
            return self._count_anew(message, known_s, seq)
        elif message.start < self.start or message.n < self.next_n:
            if message.t_s <= self.newest_s:
                self.late += 1
                return []
            return self._count_anew(message, known_s, seq)
        if message.n in self.held:
            self.duplicates += 1
            return []
        return self._take(message, known_s, seq)

    def _begin(self, message: Message, known: int) -> None:
        """Follow the numbering of a message. A new one with a name begins at 0; others may have begun long ago."""
        self.next_n = 0 if message.start > known else message.n
        self.start = message.start

    def _take(self, message: Message, known_s: float, seq: int) -> list[Released]:
        if message.n == self.next_n and not self.held:
            return [self._release(message, known_s, seq)]
        self.held[message.n] = (message, seq)
        return self._run(known_s)

    def deadline_s(self) -> float | None:
        """Newest stamp of the line at which waiting ends, or None where nothing waits."""
        if not self.held:
            return None
        return min(message.end_s for message, _ in self.held.values()) + self.reorder_s

    def expire(self, newest_s: float, known_s: float) -> tuple[list[Released], list[Hole]]:
        """Close gaps whose waiting time is over; returns the messages released, and the gaps."""
        released: list[Released] = []
        holes: list[Hole] = []
        while (deadline := self.deadline_s()) is not None and deadline <= newest_s:
            assert self.next_n is not None
            first = min(self.held)
            if first - self.next_n <= LARGEST_HOLE:
                holes.append(Hole(self.start, self.next_n, first - 1, self.held[first][0].t_s))
            else:
                self.renumbered += 1
            self.next_n = first
            released += self._run(known_s)
        return released, holes

    def _run(self, known_s: float) -> list[Released]:
        released = []
        while self.next_n in self.held:
            message, seq = self.held.pop(self.next_n)
            released.append(self._release(message, known_s, seq))
        return released

    def _release(self, message: Message, known_s: float, seq: int) -> Released:
        self.next_n = message.n + 1
        self.newest_s = max(self.newest_s, message.end_s)
        return Released(message, known_s, seq)

    def _count_anew(self, message: Message, known_s: float, seq: int) -> list[Released]:
        """What waited under the old numbers goes first if it is older; the rest is no gap."""
        self.renumbered += 1
        waited = [self.held[n] for n in sorted(self.held)]
        self.held.clear()
        released = [self._release(m, known_s, s) for m, s in waited if m.end_s < message.t_s]
        self.late += len(waited) - len(released)
        self._begin(message, self.start)
        return released + self._take(message, known_s, seq)
