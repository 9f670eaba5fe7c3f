"""Which messages of each stream are stored: every (stream, start, n) once, as the store has them."""

from dataclasses import dataclass, field

from monitor.contract.messages import Stored
from monitor.contract.topics import Stream
from monitor.store.numbering import Place, StreamNumbers


@dataclass(slots=True)
class LedgerDelta:
    """Numbers of the streams of one batch: what the ledger becomes once the batch is stored.

    The repeated ones are among them: their publishers want an answer.
    """

    base: dict[Stream, StreamNumbers]
    streams: dict[Stream, StreamNumbers] = field(default_factory=dict)
    touched: dict[Stream, set[int]] = field(default_factory=dict)  # numberings by their start

    def add(self, stream: Stream, start: int, n: int, t_ms: int) -> Place:
        """Enter a message unless it is stored, in this batch already, or older than what is remembered."""
        numbers = self.streams.get(stream)
        if numbers is None:
            known = self.base.get(stream)
            numbers = self.streams[stream] = known.copy() if known else StreamNumbers()
            self.touched[stream] = set()
        self.touched[stream].add(start)
        return numbers.add(start, n, t_ms)

    def reports(self) -> dict[tuple[Stream, int], Stored]:
        """What publishers may forget, by stream and start, of every numbering that was met in the batch."""
        found = {stream: self.streams[stream].reports(starts) for stream, starts in sorted(self.touched.items())}
        return {(stream, report.start): report for stream, reports in found.items() for report in reports}


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
