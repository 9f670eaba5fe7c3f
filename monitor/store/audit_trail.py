"""The audit trail: who did what, when, why, before and after; each entry hashed with the one before it on its line.

The chain shows that an entry was changed, taken out or put in between. That entries were cut off at the end it cannot
show by itself: write the last hash down elsewhere (`everymetre verify` prints it) and give it with `--expect`.
"""

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from sqlalchemy import Connection, insert, select

from monitor.contract.record import WITHDRAWN, AlarmChange, Finding, FindingKind, Output, Proposal, Revision
from monitor.store.schema import JOURNAL

ACTS = {
    FindingKind.MARK: "mark metres: {check}",
    FindingKind.WORK: "note work at {station}",
    FindingKind.HANDOVER: "hand over",
    FindingKind.RESISTANCE: "note resistance",
    FindingKind.DECISION: "sign record: {check}",
}
MARKS = {"mark": "mark metres", WITHDRAWN: "withdraw mark"}  # others by their name
BEGINNING = "0" * 64
FIELDS = ("line", "seq", "t_ms", "who", "action", "target", "reason", "before", "after")
ONCE = ("line", "t_ms", "who", "action", "target")


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalEntry:
    """An action of a person, before it has its place in the chain."""

    line: str
    t_ms: int
    who: str
    action: str
    target: str
    reason: str
    before: str
    after: str


def entries_of(outputs: Iterable[Output]) -> Iterator[JournalEntry]:
    """What people did, as far as an engine's outputs show it."""
    for o in outputs:
        if isinstance(o, AlarmChange) and o.by:
            yield JournalEntry(
                line=o.line, t_ms=round(o.t_s * 1e3), who=o.by, action=o.event, target=o.alarm, reason=o.reason,
                before=o.before.value, after=o.after.value
            )  # fmt: skip
        elif isinstance(o, Proposal | Revision):
            yield _of_limits(o)
        elif isinstance(o, Finding) and o.kind in ACTS:
            why = "; ".join(text for text in (o.reason, o.text) if text)
            span = f"{o.start_m:.1f} to {o.end_m:.1f} m" if o.end_m is not None else f"{o.start_m:.1f} m"
            act = MARKS.get(o.check) if o.kind is FindingKind.MARK else None
            act = act or ACTS[o.kind].format(station=o.stream.split("/")[0], check=o.check)
            yield JournalEntry(
                line=o.line,
                t_ms=round(o.start_s * 1e3),
                who=o.by,
                action=act[:40],
                target=span,
                reason=why,
                before="",
                after=o.verdict.word,
            )


def _of_limits(o: Proposal | Revision) -> JournalEntry:
    """A step of a change of limits: a proposal or what became of it, or the revision that came into force."""
    if isinstance(o, Revision):
        target = f"recipe {o.recipe} revision {o.revision}"
        digest = hashlib.sha256(o.text.encode()).hexdigest()
        who = o.approved_by or o.by
        reason = o.reason or f"from metre {o.line_metre:.1f}"
        return JournalEntry(
            line=o.line,
            t_ms=round(o.t_s * 1e3),
            who=who,
            action="take into force",
            target=target,
            reason=reason,
            before=o.by,
            after=digest,
        )
    limits = msgspec.json.encode(dict(o.changes)).decode()
    target = f"proposal {o.proposal} for {o.recipe} revision {o.base}"
    if o.decided_s is None:
        return JournalEntry(
            line=o.line,
            t_ms=round(o.t_s * 1e3),
            who=o.by,
            action="propose",
            target=target,
            reason=o.reason,
            before="",
            after=limits,
        )
    return JournalEntry(
        line=o.line,
        t_ms=round(o.decided_s * 1e3),
        who=o.decided_by,
        action=o.state,
        target=target,
        reason=o.decided_reason,
        before="proposed",
        after=o.state,
    )


def seal(before: str, row: dict[str, Any]) -> str:
    """Hash of an entry that follows an entry with the hash `before`."""
    hashed = msgspec.json.encode([before, *(row[name] for name in FIELDS)])
    return hashlib.sha256(hashed).hexdigest()


def append(connection: Connection, entries: Iterable[JournalEntry]) -> int:
    """Append what is not there yet, in the writer's own transaction; returns how many."""
    j, count = JOURNAL.c, 0
    for entry in entries:
        values = {name: getattr(entry, name) for name in FIELDS if name != "seq"}
        there = select(j.seq).where(*(j[name] == values[name] for name in ONCE))
        if connection.execute(there).first() is not None:
            continue
        last = select(j.seq, j.hash).where(j.line == entry.line).order_by(j.seq.desc()).limit(1)
        found = connection.execute(last).first()
        seq, before = (found.seq + 1, found.hash) if found else (1, BEGINNING)
        row = values | {"seq": seq}
        connection.execute(insert(JOURNAL).values(**row, hash=seal(before, row)))
        count += 1
    return count


@dataclass(frozen=True, slots=True)
class ChainState:
    """A line's chain: how many entries, its last hash, and what is wrong with it in words, or nothing."""

    line: str
    entries: int
    last: str
    wrong: str = ""


def verify(rows: Sequence[Any]) -> list[ChainState]:
    """Verify the chain of each line; `rows` by line and seq."""
    chains: dict[str, list[Any]] = {}
    for row in rows:
        chains.setdefault(row.line, []).append(row)
    return [_follow(line, chain) for line, chain in chains.items()]


def _follow(line: str, chain: list[Any]) -> ChainState:
    before = BEGINNING
    for place, row in enumerate(chain, 1):
        if row.seq != place:
            return ChainState(line, len(chain), before, f"entry {place} is missing: the next is {row.seq}")
        if row.hash != seal(before, {name: getattr(row, name) for name in FIELDS}):
            return ChainState(line, len(chain), before, f"entry {place} is not what was written, or does not follow")
        before = row.hash
    return ChainState(line, len(chain), before)
