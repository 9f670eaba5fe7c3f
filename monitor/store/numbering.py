"""Numbers of one stream that are stored: by numbering, as spans, with a bounded memory of the holes between them.

A publisher numbers the messages of a stream 0, 1, 2 ...; `start` names the numbering, and one that cannot go on with
the next number begins another under a greater `start`. What is remembered answers three questions about a message:
is it new, is it stored, or is its number so old that neither can be said any more.
"""

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Literal

import msgspec

from monitor.contract.messages import Stored

HOLES_MAX = 64  # of one numbering; older holes are forgotten together with the numbers before them
NUMBERINGS_MAX = 16  # of one stream; the one that has not been used for longest is forgotten first

Place = Literal["new", "stored", "forgotten"]
Span = tuple[int, int]


class Numbering(msgspec.Struct, array_like=True):
    """Stored numbers of one numbering: spans [first, last], rising and apart; below `floor` nothing is remembered."""

    start: int
    spans: list[Span] = []
    floor: int = 0

    def __contains__(self, n: int) -> bool:
        i = bisect_right(self.spans, n, key=_first) - 1
        return i >= 0 and n <= self.spans[i][1]

    def add(self, n: int) -> Place:
        """Enter a number unless it is stored or forgotten."""
        if self.spans and self.spans[-1][1] + 1 == n:  # nearly always
            self.spans[-1] = (self.spans[-1][0], n)
            return "new"
        if n < self.floor:
            return "forgotten"
        if n in self:
            return "stored"
        self._insert(n)
        while len(self.spans) > HOLES_MAX + 1:
            del self.spans[0]
            self.floor = self.spans[0][0]
        return "new"

    def report(self) -> Stored | None:
        """What the publisher may forget, or None before the first number."""
        if not self.spans:
            return None
        missing = [(a[1] + 1, b[0] - 1) for a, b in zip(self.spans, self.spans[1:], strict=False)]
        return Stored(n=self.spans[-1][1], first=self.spans[0][0], missing=missing, start=self.start)

    def copy(self) -> "Numbering":
        """The same numbers, apart from these."""
        return Numbering(self.start, self.spans.copy(), self.floor)

    def _insert(self, n: int) -> None:
        i = bisect_right(self.spans, n, key=_first)
        self.spans.insert(i, (n, n))
        for left in (i, i - 1):
            if 0 <= left < len(self.spans) - 1 and self.spans[left][1] + 1 == self.spans[left + 1][0]:
                self.spans[left : left + 2] = [(self.spans[left][0], self.spans[left + 1][1])]


@dataclass(slots=True)
class StreamNumbers:
    """Numberings of one stream, by rising `start`; `newest_ms` is the newest stamp of its messages.

    `used` names them in the order in which they were last used, and `forgotten` is the greatest start that is no longer
    remembered: a numbering that is neither remembered nor greater may have been stored.

    A number that is stored already but comes under a stamp newer than all is another message: its publisher begins
    again without saying so, which the contract forbids. It is taken, and the numbers of that numbering with it, since
    dropping it would call stored what is not.
    """

    numberings: list[Numbering] = field(default_factory=list)
    newest_ms: int = -(2**62)
    used: list[int] = field(default_factory=list)
    forgotten: int = -1

    def __post_init__(self) -> None:
        self.used = self.used or [numbering.start for numbering in self.numberings]

    def add(self, start: int, n: int, t_ms: int) -> Place:
        """Enter a message's number and stamp; what is not "new" changes nothing."""
        numbering = self._of(start)
        if numbering is None:
            return "forgotten"
        if self.used[-1] != start:
            self.used.remove(start)
            self.used.append(start)
        if t_ms > self.newest_ms:
            if n < numbering.floor or n in numbering:
                numbering.spans, numbering.floor = [], 0
            self.newest_ms = t_ms
        return numbering.add(n)

    def holds(self, start: int, n: int) -> bool:
        """Whether a message is known to be stored."""
        return any(numbering.start == start and n in numbering for numbering in self.numberings)

    @property
    def upto(self) -> int:
        """The last number of the newest numbering, -1 where there is none."""
        report = self.numberings[-1].report() if self.numberings else None
        return report.n if report else -1

    def reports(self, starts: set[int]) -> list[Stored]:
        """What may be forgotten of some numberings."""
        found = (numbering.report() for numbering in self.numberings if numbering.start in starts)
        return [report for report in found if report is not None]

    def copy(self) -> "StreamNumbers":
        """The same numbers, apart from these."""
        numberings = [numbering.copy() for numbering in self.numberings]
        return StreamNumbers(numberings, self.newest_ms, self.used.copy(), self.forgotten)

    def text(self) -> str:
        """As the store keeps it."""
        return msgspec.json.encode(_Kept(self.newest_ms, self.numberings, self.used, self.forgotten)).decode()

    @classmethod
    def read(cls, text: str) -> "StreamNumbers":
        """From what the store keeps, of version 0.4.0 too, where a stream had one numbering."""
        if text.startswith("["):
            newest_ms, spans = msgspec.json.decode(text, type=tuple[int, list[tuple[int, int, int]]])
            return cls([Numbering(0, [(first, last) for first, last, _ in spans])], newest_ms)
        kept = msgspec.json.decode(text, type=_Kept)
        if not kept.used and len(kept.numberings) == NUMBERINGS_MAX:  # of a time when the smallest made room
            kept.forgotten = kept.numberings[0].start - 1
        return cls(kept.numberings, kept.newest_ms, kept.used, kept.forgotten)

    def _of(self, start: int) -> Numbering | None:
        """The numbering of a message, made if it is new; None for one that may have been forgotten."""
        for numbering in reversed(self.numberings):
            if numbering.start == start:
                return numbering
        if start <= self.forgotten:
            return None
        if len(self.numberings) == NUMBERINGS_MAX:
            idle = self.used.pop(0)
            self.forgotten = max(self.forgotten, idle)
            self.numberings = [numbering for numbering in self.numberings if numbering.start != idle]
        made = Numbering(start, [])
        self.numberings.append(made)
        self.numberings.sort(key=lambda numbering: numbering.start)
        self.used.append(start)
        return made


class _Kept(msgspec.Struct):
    newest_ms: int
    numberings: list[Numbering]
    used: list[int] = []
    forgotten: int = -1


def _first(span: Span) -> int:
    return span[0]
