"""Numbers of one stream that are stored or refused: by numbering, as spans, with a bounded memory of holes.

A publisher numbers the messages of a stream 0, 1, 2 ...; `start` names the numbering, and one that cannot go on with
the next number begins another under a greater `start`. What is remembered answers three questions about a message:
is it new, is it stored, or is its number so old that neither is known any more.
"""

from bisect import bisect_right, insort
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import msgspec

from monitor.contract.messages import Stored
from monitor.contract.rules import WINDOW_MAX

HOLES_MAX = WINDOW_MAX  # of one numbering; older holes are forgotten together with the numbers before them
DEFERRED_MAX = 20_000  # runs of numbers of one numbering that are refused for now, however many holes there are
REFUSED_MAX = 200  # spans of refused numbers of one numbering that a report names
MISSING_MAX = HOLES_MAX + REFUSED_MAX  # holes that a report names
NUMBERINGS_MAX = 16  # of one stream; the one that has not been used for longest is forgotten first
EVICTED_MAX = 32  # starts of forgotten numberings of one stream; below the smallest every start may be of one
AHEAD_MAX_MS = 86_400_000  # a start further ahead of its stream's stamps is no time: it forgets nothing but itself

Place = Literal["new", "stored", "forgotten"]
Span = tuple[int, int]


@dataclass(slots=True, kw_only=True)
class Numbering:
    """Numbers of one numbering that are settled, stored or refused: `spans` [first, last], rising and apart.

    `refused` are spans among them that are refused for good, `deferred` those that are refused for now: their publisher
    has them, however late they come, also below `floor`, below which nothing else is remembered. Of settled numbers
    below `sure` it is not remembered whether they are stored.
    """

    start: int
    spans: list[Span] = field(default_factory=list)
    floor: int = 0
    refused: list[Span] = field(default_factory=list)
    sure: int = 0
    deferred: list[Span] = field(default_factory=list)

    def __contains__(self, n: int) -> bool:
        """Whether a number is known to be stored."""
        return n >= self.sure and _within(self.spans, n) and not self._is_refused(n)

    def add(self, n: int) -> Place:
        """Enter a stored number, unless it is stored or forgotten."""
        if self.spans and self.spans[-1][1] + 1 == n:  # nearly always
            self.spans[-1] = (self.spans[-1][0], n)
            return "new"
        if self._undefer(n):
            return "new"
        if n < self.floor:
            return "forgotten"
        if _within(self.refused, n):
            _take_out(self.refused, n)
            return "new"
        if _within(self.spans, n):
            return "stored" if n >= self.sure else "forgotten"
        self._settle(n)
        return "new"

    def refuse(self, n: int) -> None:
        """Enter a number refused for good, unless it is settled or forgotten: nothing more is expected under it."""
        was_deferred = self._undefer(n)
        if n < self.floor or (_within(self.spans, n) and not was_deferred):
            return
        if n >= self.sure:
            _put_in(self.refused, n)
            if len(self.refused) > REFUSED_MAX:
                self.sure = max(self.sure, self.refused.pop(0)[1] + 1)
        if not was_deferred:
            self._settle(n)

    def defer(self, n: int) -> None:
        """Enter a number refused for now, unless it is settled or forgotten; the oldest runs make room."""
        if n < self.floor or _within(self.spans, n):
            return
        _put_in(self.deferred, n)
        if len(self.deferred) > DEFERRED_MAX:
            self.sure = max(self.sure, self.deferred.pop(0)[1] + 1)
        self._settle(n)

    def knows(self, n: int) -> bool:
        """Whether a message of this number may be stored."""
        return not self._is_refused(n) and (n < self.floor or _within(self.spans, n))

    def report(self) -> Stored | None:
        """What the publisher may remove, from the first number that is sure on; None while there is none.

        Of very many holes the newest are named, and nothing is reported of what is before them.
        """
        whole = self._whole()
        if whole is None or len(whole.missing) <= MISSING_MAX:
            return whole
        first = whole.missing[-MISSING_MAX - 1][1] + 1
        return Stored(n=whole.n, first=first, missing=whole.missing[-MISSING_MAX:], start=self.start)

    def _whole(self) -> Stored | None:
        if not self.spans:
            return None
        first, last = max(self.spans[0][0], self.sure), self.spans[-1][1]
        holes = [(a[1] + 1, b[0] - 1) for a, b in zip(self.spans, self.spans[1:], strict=False) if b[0] > first]
        if not (self.refused or self.deferred or self.sure):
            return Stored(n=last, first=first, missing=holes, start=self.start)
        not_stored = holes + self.refused + self.deferred
        missing = joined([(max(a, first), b) for a, b in not_stored if b >= first])
        if missing and missing[0][0] == first:
            first = missing.pop(0)[1] + 1
        if missing and missing[-1][1] == last:
            last = missing.pop()[0] - 1
        return Stored(n=last, first=first, missing=missing, start=self.start) if first <= last else None

    def reports(self, entered: Iterable[int]) -> list[Stored]:
        """A report, and one more of each run of numbers that just came, and are stored, before where it begins."""
        report = self.report()
        lowest = self.sure if report is None else report.first
        old = joined([(n, n) for n in set(entered) if n < lowest])
        apart = [Stored(n=last, first=first, start=self.start) for first, last in old]
        return apart if report is None else [*apart, report]

    def stored(self) -> list[Span]:
        """Spans of what is known to be stored."""
        report = self._whole()
        if report is None:
            return []
        edges = [report.first, *(edge for a, b in report.missing for edge in (a - 1, b + 1)), report.n]
        return list(zip(edges[::2], edges[1::2], strict=True))

    def copy(self) -> "Numbering":
        """The same numbers, apart from these."""
        spans, refused, deferred = self.spans.copy(), self.refused.copy(), self.deferred.copy()
        return Numbering(
            start=self.start, spans=spans, floor=self.floor, refused=refused, sure=self.sure, deferred=deferred
        )

    def _is_refused(self, n: int) -> bool:
        return _within(self.refused, n) or _within(self.deferred, n)

    def _undefer(self, n: int) -> bool:
        """Whether a number was refused for now; it is not any more."""
        was = _within(self.deferred, n)
        if was:
            _take_out(self.deferred, n)
        return was

    def _settle(self, n: int) -> None:
        _put_in(self.spans, n)
        while len(self.spans) > HOLES_MAX + 1:
            del self.spans[0]
            self.floor = self.spans[0][0]
            while self.refused and self.refused[0][0] < self.floor:
                del self.refused[0]


@dataclass(slots=True, kw_only=True)
class StreamNumbers:
    """Numberings of one stream, by rising `start`; `newest_ms` is the newest stamp of its messages.

    `used` names them in the order in which they were last used; `evicted` are starts of those that made room, rising.
    Of a numbering up to `forgotten` that is not remembered something may have been stored.

    A number that is stored already but comes under a stamp newer than all is another message: its publisher begins
    again without saying so, which the contract forbids. It is taken, and the numbers of that numbering with it, since
    dropping it would call stored what is not.
    """

    numberings: list[Numbering] = field(default_factory=list)
    newest_ms: int = -(2**62)
    used: list[int] = field(default_factory=list)
    forgotten: int = -1
    evicted: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.used = self.used or [numbering.start for numbering in self.numberings]
        if self.forgotten >= 0 and not self._is_time(self.forgotten):  # of a time when one such start forgot all others
            insort(self.evicted, self.forgotten)
            self.forgotten = min(filter(self._is_time, self.used), default=0) - 1

    def add(self, start: int, n: int, t_ms: int) -> Place:
        """Enter a message's number and stamp; what is not "new" changes nothing."""
        numbering = self._of(start)
        if numbering is None:
            return "forgotten"
        if self.used[-1] != start:
            self.used.remove(start)
            self.used.append(start)
        if t_ms > self.newest_ms:
            if numbering.knows(n):
                self.numberings[self.numberings.index(numbering)] = numbering = Numbering(start=start)
            self.newest_ms = t_ms
        return numbering.add(n)

    def refuse(self, start: int, n: int) -> None:
        """Enter a number that is refused for good, where its numbering is known; else it leaves no hole."""
        for numbering in self.numberings:
            if numbering.start == start:
                numbering.refuse(n)

    def defer(self, start: int, n: int) -> None:
        """Enter a number that is refused for now, where its numbering is known or there is room for another one."""
        known = any(numbering.start == start for numbering in self.numberings)
        if known or len(self.numberings) < NUMBERINGS_MAX:
            numbering = self._of(start)
            if numbering is not None:
                numbering.defer(n)

    def holds(self, start: int, n: int) -> bool:
        """Whether a message is known to be stored."""
        return any(numbering.start == start and n in numbering for numbering in self.numberings)

    @property
    def upto(self) -> int:
        """The last number of the newest numbering, -1 where there is none."""
        newest = self.numberings[-1] if self.numberings else None
        if newest is not None and newest.spans and not (newest.refused or newest.deferred):
            return newest.spans[-1][1]
        report = newest.report() if newest is not None else None
        return report.n if report else -1

    def reports(self, entered: Mapping[int, Iterable[int]]) -> list[Stored]:
        """What may be removed of some numberings, and of the numbers just entered there."""
        known = (numbering for numbering in self.numberings if numbering.start in entered)
        return [report for numbering in known for report in numbering.reports(entered[numbering.start])]

    def copy(self) -> "StreamNumbers":
        """The same numbers, apart from these."""
        numberings = [numbering.copy() for numbering in self.numberings]
        return StreamNumbers(
            numberings=numberings,
            newest_ms=self.newest_ms,
            used=self.used.copy(),
            forgotten=self.forgotten,
            evicted=self.evicted.copy(),
        )

    def text(self) -> str:
        """As the store keeps it."""
        kept = [
            _KeptNumbering(
                start=one.start,
                spans=_packed(one.spans),
                floor=one.floor,
                refused=_packed(one.refused),
                sure=one.sure,
                deferred=_packed(one.deferred),
            )
            for one in self.numberings
        ]
        return msgspec.json.encode(
            _Kept(newest_ms=self.newest_ms, packed=kept, used=self.used, forgotten=self.forgotten, evicted=self.evicted)
        ).decode()

    @classmethod
    def read(cls, text: str) -> "StreamNumbers":
        """From what the store keeps, of earlier versions too: 0.4.0 had one numbering for a stream."""
        if text.startswith("["):
            newest_ms, spans = msgspec.json.decode(text, type=tuple[int, list[tuple[int, int, int]]])
            return cls(
                numberings=[Numbering(start=0, spans=[(first, last) for first, last, _ in spans])], newest_ms=newest_ms
            )
        if '"packed"' not in text:
            return cls._of_pairs(msgspec.json.decode(text, type=_KeptPairs))
        kept = msgspec.json.decode(text, type=_Kept)
        numberings = [
            Numbering(
                start=one.start,
                spans=_unpacked(one.spans),
                floor=one.floor,
                refused=_unpacked(one.refused),
                sure=one.sure,
                deferred=_unpacked(one.deferred),
            )
            for one in kept.packed
        ]
        return cls(
            numberings=numberings,
            newest_ms=kept.newest_ms,
            used=kept.used,
            forgotten=kept.forgotten,
            evicted=kept.evicted,
        )

    @classmethod
    def _of_pairs(cls, kept: "_KeptPairs") -> "StreamNumbers":
        if not kept.used and len(kept.numberings) == NUMBERINGS_MAX:  # of a time when the smallest made room
            kept.forgotten = kept.numberings[0][0] - 1
        numberings = [Numbering(start=start, spans=spans, floor=floor) for start, spans, floor in kept.numberings]
        return cls(numberings=numberings, newest_ms=kept.newest_ms, used=kept.used, forgotten=kept.forgotten)

    def _of(self, start: int) -> Numbering | None:
        """The numbering of a message, made if it is new; None for one that may have been forgotten."""
        for numbering in reversed(self.numberings):
            if numbering.start == start:
                return numbering
        if start <= self.forgotten or start in self.evicted:
            return None
        if len(self.numberings) == NUMBERINGS_MAX:
            self._evict(self.used.pop(0))
        made = Numbering(start=start)
        self.numberings.append(made)
        self.numberings.sort(key=lambda numbering: numbering.start)
        self.used.append(start)
        return made

    def _evict(self, idle: int) -> None:
        self.numberings = [numbering for numbering in self.numberings if numbering.start != idle]
        insort(self.evicted, idle)
        if len(self.evicted) > EVICTED_MAX and self._is_time(smallest := self.evicted.pop(0)):
            self.forgotten = max(self.forgotten, smallest)

    def _is_time(self, start: int) -> bool:
        """Whether a start can be when a numbering of this stream began."""
        return start <= self.newest_ms + AHEAD_MAX_MS


class _KeptNumbering(msgspec.Struct, array_like=True, kw_only=True):
    start: int
    spans: list[int]
    floor: int = 0
    refused: list[int] = []
    sure: int = 0
    deferred: list[int] = []


class _Kept(msgspec.Struct, kw_only=True):
    newest_ms: int
    packed: list[_KeptNumbering]
    used: list[int] = []
    forgotten: int = -1
    evicted: list[int] = []


class _KeptPairs(msgspec.Struct):
    newest_ms: int
    numberings: list[tuple[int, list[Span], int]]
    used: list[int] = []
    forgotten: int = -1


def joined(spans: Iterable[Span]) -> list[Span]:
    """Spans in order, those that follow each other as one."""
    out: list[Span] = []
    for first, last in sorted(spans):
        if out and out[-1][1] + 1 == first:
            out[-1] = (out[-1][0], last)
        else:
            out.append((first, last))
    return out


def _within(spans: list[Span], n: int) -> bool:
    i = bisect_right(spans, n, key=_first) - 1
    return i >= 0 and n <= spans[i][1]


def _put_in(spans: list[Span], n: int) -> None:
    i = bisect_right(spans, n, key=_first)
    spans.insert(i, (n, n))
    for left in (i, i - 1):
        if 0 <= left < len(spans) - 1 and spans[left][1] + 1 == spans[left + 1][0]:
            spans[left : left + 2] = [(spans[left][0], spans[left + 1][1])]


def _take_out(spans: list[Span], n: int) -> None:
    i = bisect_right(spans, n, key=_first) - 1
    first, last = spans[i]
    spans[i : i + 1] = [(a, b) for a, b in ((first, n - 1), (n + 1, last)) if a <= b]


def _packed(spans: list[Span]) -> list[int]:
    """Of each span how far it begins behind the end of the one before, and its last number after its first."""
    out: list[int] = []
    end = 0
    for first, last in spans:
        out += (first - end, last - first)
        end = last
    return out


def _unpacked(steps: list[int]) -> list[Span]:
    out: list[Span] = []
    end = 0
    for ahead, more in zip(steps[::2], steps[1::2], strict=True):
        out.append((end + ahead, end + ahead + more))
        end += ahead + more
    return out


def _first(span: Span) -> int:
    return span[0]
