"""What was said and is not yet known to be stored: kept for each stream until the monitor says so."""

from collections import defaultdict, deque
from collections.abc import Iterator
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Kept:
    """A message in the outbox; `place` is its place in the order in which all were added."""

    place: int
    topic: str
    n: int
    payload: bytes


@dataclass(slots=True)
class Outbox:
    """At most `most` messages a stream: the oldest makes room when nobody stores them (counted in `dropped`)."""

    most: int = 2000
    dropped: int = 0
    heard: bool = False
    end: int = 0
    _kept: dict[int, Kept] = field(default_factory=dict)
    _streams: defaultdict[str, deque[Kept]] = field(default_factory=lambda: defaultdict(deque))

    def __len__(self) -> int:
        return len(self._kept)

    def add(self, topic: str, n: int, payload: bytes) -> None:
        """Keep one message after all others."""
        kept = Kept(self.end, topic, n, payload)
        self.end += 1
        stream = self._streams[topic]
        if len(stream) >= self.most:
            del self._kept[stream.popleft().place]
            self.dropped += 1
        stream.append(kept)
        self._kept[kept.place] = kept

    def trim(self, topic: str, n: int) -> None:
        """The monitor has stored every message of the stream up to `n`."""
        self.heard = True
        stream = self._streams[topic]
        for kept in [k for k in stream if k.n <= n]:
            del self._kept[kept.place]
            stream.remove(kept)

    def after(self, place: int, count: int) -> list[Kept]:
        """The next messages after a place, in order; -1 for the first."""
        if not self._kept:
            return []
        first = max(place + 1, next(iter(self._kept)))
        out: list[Kept] = []
        for i in range(first, self.end):
            if i in self._kept:
                out.append(self._kept[i])
                if len(out) == count:
                    break
        return out

    def until(self, place: int) -> Iterator[Kept]:
        """All kept messages up to a place, oldest first."""
        for i, kept in self._kept.items():
            if i > place:
                return
            yield kept

    @property
    def full(self) -> bool:
        """Whether some stream has no room left."""
        return any(len(stream) >= self.most for stream in self._streams.values())
