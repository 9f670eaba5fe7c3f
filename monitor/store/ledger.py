"""Which messages of each stream are stored: every (stream, start, n) once, as the store has them."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.contract.messages import Stored
from monitor.contract.topics import Stream
from monitor.store.numbering import Place, StreamNumbers

Touched = dict[Stream, dict[int, list[int]]]  # numbers that came and are stored, by start, of numberings met
Reports = dict[tuple[Stream, int, int], Stored]  # by stream, start and first number


@dataclass(slots=True)
class LedgerDelta:
    """Numbers of the streams of one batch: what the ledger becomes once the batch is stored.

    The repeated ones are among them: their publishers need a report.
    """

    base: dict[Stream, StreamNumbers]
    streams: dict[Stream, StreamNumbers] = field(default_factory=dict)
    touched: Touched = field(default_factory=dict)

    def add(self, stream: Stream, start: int, n: int, t_ms: int) -> Place:
        """Enter a message unless it is stored, in this batch already, or older than what is remembered."""
        place = self._numbers(stream).add(start, n, t_ms)
        entered = self.touched.setdefault(stream, {}).setdefault(start, [])
        if place != "forgotten":
            entered.append(n)
        return place

    def refuse(self, stream: Stream, start: int, n: int) -> None:
        """Enter a number that is refused for good, so that it is no hole."""
        if self.knows(stream):
            self._numbers(stream).refuse(start, n)

    def defer(self, stream: Stream, start: int, n: int) -> None:
        """Enter a number that is refused for now, so that it is not forgotten for holes that come later."""
        self._numbers(stream).defer(start, n)

    def knows(self, stream: Stream) -> bool:
        """Whether something of a stream was entered."""
        return stream in self.streams or stream in self.base

    def reports(self) -> Reports:
        """What publishers may remove, of every numbering that was met in the batch."""
        return reports_of(self.streams, self.touched)

    def _numbers(self, stream: Stream) -> StreamNumbers:
        numbers = self.streams.get(stream)
        if numbers is None:
            known = self.base.get(stream)
            numbers = self.streams[stream] = known.copy() if known else StreamNumbers()
        return numbers


def reports_of(streams: Mapping[Stream, StreamNumbers], touched: Touched) -> Reports:
    """What publishers may remove, of the numberings that were met."""
    return {
        (stream, report.start, report.first): report
        for stream, entered in sorted(touched.items())
        if stream in streams
        for report in streams[stream].reports(entered)
    }


@dataclass(slots=True)
class Ledger:
    """Numbers of every stream, exactly as the store has them: a batch adds to them after its commit, nothing else."""

    streams: dict[Stream, StreamNumbers] = field(default_factory=dict)
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
