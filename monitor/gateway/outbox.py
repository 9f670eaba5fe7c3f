"""Messages sent but not yet confirmed as stored or refused: kept per stream, optionally on disk."""

import sqlite3
from collections import defaultdict, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from monitor.contract.messages import Stored


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxMessage:
    """A message in the outbox; `place` is its place in the order in which all were added."""

    place: int
    topic: str
    n: int
    payload: bytes
    start: int = 0


@dataclass(slots=True, kw_only=True)
class Outbox:
    """At most `most` messages a stream: the oldest makes room when nobody stores them (counted in `dropped`).

    `answered` is set once a monitor has reported anything; `next_n` by topic is one more than the newest number added.
    What a monitor cannot store for now is put aside: it is kept, but waits for nobody and nobody waits for it.
    """

    most: int = 2000
    dropped: int = 0
    answered: bool = False
    end: int = 0
    next_n: dict[str, int] = field(default_factory=dict)
    _kept: dict[int, OutboxMessage] = field(default_factory=dict)
    _streams: defaultdict[str, deque[OutboxMessage]] = field(default_factory=lambda: defaultdict(deque))
    _aside: dict[int, OutboxMessage] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self._kept)

    def add(self, topic: str, n: int, payload: bytes, start: int = 0) -> None:
        """Keep one message after all others."""
        self._put(OutboxMessage(place=self.end, topic=topic, n=n, payload=payload, start=start))
        self.next_n[topic] = max(self.next_n.get(topic, 0), n + 1)

    def stored(self, topic: str, report: Stored) -> None:
        """Forget what the monitor has stored of a stream, and nothing else: what is missing may still be sent."""
        self.answered = True
        covered = [k for k in self._streams[topic] if report.covers(k.start, k.n)]
        if any(k.place in self._aside for k in covered):  # what was in the way of the stream is mended
            self._aside = {place: k for place, k in self._aside.items() if k.topic != topic}
        self._forget_all(topic, covered)

    def refused(self, topic: str, start: int, n: int, final: bool = True) -> bool:
        """Forget a message that the monitor will never store, or put it aside; False where it is not here."""
        self.answered = True
        named = [k for k in self._streams[topic] if (k.start, k.n) == (start, n)]
        if final:
            return self._forget_all(topic, named)
        self._aside |= {k.place: k for k in named}
        return bool(named)

    def put_aside(self, kept: OutboxMessage) -> None:
        """Put a message aside that no report names."""
        if kept.place in self._kept:
            self._aside[kept.place] = kept

    def waits(self, kept: OutboxMessage) -> bool:
        """Whether a message is kept and not put aside."""
        return kept.place in self._kept and kept.place not in self._aside

    def probes(self) -> list[OutboxMessage]:
        """The oldest message of each stream that was put aside."""
        oldest: dict[str, OutboxMessage] = {}
        for place in sorted(self._aside):
            oldest.setdefault(self._aside[place].topic, self._aside[place])
        return list(oldest.values())

    def _forget_all(self, topic: str, gone: list[OutboxMessage]) -> bool:
        for kept in gone:
            self._forget(kept)
            self._streams[topic].remove(kept)
        return bool(gone)

    def after(self, place: int, count: int) -> list[OutboxMessage]:
        """The next messages after a place, in order, but for those put aside; -1 for the first."""
        if not self._kept:
            return []
        first = max(place + 1, next(iter(self._kept)))
        out: list[OutboxMessage] = []
        for i in range(first, self.end):
            if i in self._kept and i not in self._aside:
                out.append(self._kept[i])
                if len(out) == count:
                    break
        return out

    def until(self, place: int) -> Iterator[OutboxMessage]:
        """All kept messages up to a place, oldest first, but for those put aside."""
        for i, kept in self._kept.items():
            if i > place:
                return
            if i not in self._aside:
                yield kept

    def waiting(self, place: int) -> int:
        """How many messages up to a place are not known to be stored, but for those put aside."""
        return max(0, len(self._kept) - len(self._aside) - (self.end - 1 - place))

    @property
    def full(self) -> bool:
        """Whether some stream has no room left."""
        return any(len(stream) >= self.most for stream in self._streams.values())

    def keep(self) -> str:
        """Write down what has changed; returns why it cannot, in words, or nothing. Memory only: nothing."""
        return ""

    def _put(self, kept: OutboxMessage) -> None:
        self.end = kept.place + 1
        stream = self._streams[kept.topic]
        if len(stream) >= self.most:
            self._forget(stream.popleft())
            self.dropped += 1
        stream.append(kept)
        self._kept[kept.place] = kept

    def _forget(self, kept: OutboxMessage) -> None:
        del self._kept[kept.place]
        self._aside.pop(kept.place, None)


TABLES = """
create table if not exists kept (place integer primary key, topic text, n integer, payload blob, start integer);
create table if not exists next (topic text primary key, n integer);
create table if not exists heard (yes integer primary key);
"""
KEPT = "select place, topic, n, payload, start from kept order by place"


@dataclass(slots=True, kw_only=True)
class DiskOutbox(Outbox):
    """An outbox that outlives its process, for the next one; `keep` writes it down.

    With a full disk it goes on from memory, still bounded, and what could not be written is written when it can.
    """

    path: Path = Path()
    _fresh: dict[int, OutboxMessage] = field(default_factory=dict)
    _gone: list[int] = field(default_factory=list)
    _used: bool = False  # numbers were used since the last `keep`, even if their messages are stored by now
    _file: sqlite3.Connection | None = None

    @classmethod
    def at(cls, path: Path, most: int = 2000) -> "DiskOutbox":
        """The outbox of a file, with what was left in it. Raises sqlite3.Error where the file is no outbox."""
        path.parent.mkdir(parents=True, exist_ok=True)
        box = cls(most=most, path=path)
        box._file = file = sqlite3.connect(path, timeout=5.0)
        file.execute("pragma journal_mode=wal")
        file.executescript(TABLES)
        if "start" not in {row[1] for row in file.execute("pragma table_info(kept)")}:  # left by version 0.4.0
            file.execute("alter table kept add column start integer default 0")
        for place, topic, n, payload, start in file.execute(KEPT):
            box._put(OutboxMessage(place=place, topic=topic, n=n, payload=payload, start=start))
        box.next_n = dict(file.execute("select topic, n from next"))
        box.answered = file.execute("select 1 from heard").fetchone() is not None
        return box

    def add(self, topic: str, n: int, payload: bytes, start: int = 0) -> None:
        """Keep one message after all others."""
        place = self.end
        Outbox.add(self, topic, n, payload, start)
        self._used = True
        self._fresh[place] = self._kept[place]

    def keep(self) -> str:
        """Write down what has changed; returns the reason in words where it cannot, else nothing."""
        if self._file is None or not (self._fresh or self._gone or self._used):
            return ""
        fresh = [(k.place, k.topic, k.n, k.payload, k.start) for k in self._fresh.values()]
        try:
            with self._file as file:
                file.executemany(
                    "insert or replace into kept (place, topic, n, payload, start) values (?, ?, ?, ?, ?)", fresh
                )
                file.executemany("delete from kept where place = ?", [(place,) for place in self._gone])
                file.executemany("insert or replace into next values (?, ?)", list(self.next_n.items()))
                if self.answered:
                    file.execute("insert or ignore into heard values (1)")
        except sqlite3.Error as error:
            return f"{self.path}: {error}"
        self._fresh.clear()
        self._gone.clear()
        self._used = False
        return ""

    def _forget(self, kept: OutboxMessage) -> None:
        Outbox._forget(self, kept)
        if self._fresh.pop(kept.place, None) is None:
            self._gone.append(kept.place)
