"""Which messages of each stream are stored: every (stream, n) once, and how far a publisher may forget."""

from bisect import bisect_right
from dataclasses import dataclass, field

import msgspec

from monitor.contract.topics import Stream

HOLE_LASTS_MS = 60_000  # a hole this much older than the stream's newest stamp will not be filled any more


@dataclass(slots=True)
class Spans:
    """Numbers stored of one stream, as spans [first, last, UTC ms of the first], apart from each other and rising.

    A number that is there already under a stamp newer than all is no repetition: its publisher counts anew.
    """

    spans: list[tuple[int, int, int]] = field(default_factory=list)
    newest_ms: int = -(2**62)

    def __contains__(self, n: int) -> bool:
        i = bisect_right(self.spans, n, key=lambda span: span[0]) - 1
        return i >= 0 and n <= self.spans[i][1]

    @property
    def upto(self) -> int:
        """End of the first span; everything from its beginning to here is stored or given up."""
        return self.spans[0][1]

    def add(self, n: int, t_ms: int) -> bool:
        """Note a number and its message's stamp; False where it was there already."""
        if t_ms > self.newest_ms:
            if n in self:
                self.spans = []
            self.newest_ms = t_ms
        if self.spans and self.spans[-1][1] + 1 == n:  # nearly always
            first, _, begun = self.spans[-1]
            self.spans[-1] = (first, n, begun)
        elif n in self:
            return False
        else:
            self._insert(n, t_ms)
        self._give_up(t_ms - HOLE_LASTS_MS)
        return True

    def _insert(self, n: int, t_ms: int) -> None:
        i = bisect_right(self.spans, n, key=lambda span: span[0])
        self.spans.insert(i, (n, n, t_ms))
        for left in (i, i - 1):
            if 0 <= left < len(self.spans) - 1 and self.spans[left][1] + 1 == self.spans[left + 1][0]:
                first, _, begun = self.spans[left]
                self.spans[left : left + 2] = [(first, self.spans[left + 1][1], begun)]

    def _give_up(self, before_ms: int) -> None:
        while len(self.spans) > 1 and self.spans[1][2] < before_ms:
            first, _, begun = self.spans[0]
            self.spans[0:2] = [(first, self.spans[1][1], begun)]

    def copy(self) -> "Spans":
        """The same numbers, apart from these."""
        return Spans(self.spans.copy(), self.newest_ms)

    def text(self) -> str:
        """As the store keeps it."""
        return msgspec.json.encode((self.newest_ms, self.spans)).decode()

    @classmethod
    def read(cls, text: str) -> "Spans":
        """From what the store keeps."""
        newest_ms, spans = msgspec.json.decode(text, type=tuple[int, list[tuple[int, int, int]]])
        return cls(spans, newest_ms)


@dataclass(slots=True)
class LedgerDelta:
    """Spans of the streams of one batch, its own numbers included: what the ledger becomes once the batch is stored.

    The repeated ones are among them: their publishers want an answer.
    """

    base: dict[Stream, Spans]
    streams: dict[Stream, Spans] = field(default_factory=dict)

    def add(self, stream: Stream, n: int, t_ms: int) -> bool:
        """Note a message; False for one that is in the ledger or in this batch already."""
        spans = self.streams.get(stream)
        if spans is None:
            known = self.base.get(stream)
            spans = self.streams[stream] = known.copy() if known else Spans()
        return spans.add(n, t_ms)


@dataclass(slots=True)
class Ledger:
    """Spans of every stream, exactly as the store has them: a batch adds to them after its commit, nothing else does.

    A message given up as never coming counts as stored: it is told as a gap instead.
    """

    streams: dict[Stream, Spans] = field(default_factory=dict)
    opened: LedgerDelta | None = None

    def open_delta(self) -> LedgerDelta:
        """Begin a batch. RuntimeError while another is neither merged nor dropped: it would not see its numbers."""
        if self.opened is not None:
            raise RuntimeError("expected the batch before to be committed or dropped first, got another one")
        self.opened = LedgerDelta(self.streams)
        return self.opened

    def drop(self, delta: LedgerDelta) -> None:
        """Forget a batch that will not be committed. RuntimeError for a batch that is not the open one."""
        self._close(delta)

    def merge(self, delta: LedgerDelta) -> None:
        """Take over what a batch added, after its commit. RuntimeError for a batch that is not the open one."""
        self._close(delta)
        self.streams.update(delta.streams)

    def _close(self, delta: LedgerDelta) -> None:
        if delta is not self.opened:
            raise RuntimeError("expected the open batch, got one that was merged or dropped before")
        self.opened = None
