"""Findings as values, out of the rows of their table."""

from math import ceil, floor, inf, isfinite, nextafter
from typing import Any

from sqlalchemy import Connection, or_, select, text

from monitor.contract.record import Finding, FindingKind, Verdict
from monitor.store.schema import (
    FINDING,
    LONG_FINDING,
    LONG_FINDING_M,
)

# SQLite may take the index of all findings as well, and SQLAlchemy does not render its hints.
LONG_BY_INDEX = text(
    f"SELECT * FROM finding INDEXED BY finding_long WHERE line = :line AND start_m < :end_m AND {LONG_FINDING} "
    "AND (end_m IS NULL OR end_m > :start_m)"
)


def read_findings(c: Connection, line: str, start_m: float, end_m: float) -> list[Finding]:
    """Findings that touch an interval; one still open reaches to the end of all cable."""
    f = FINDING.c
    of_line = select(FINDING).where(f.line == line, f.start_m < end_m)
    short = of_line.where(
        f.start_m > start_m - LONG_FINDING_M, f.end_m > start_m, f.end_m - f.start_m <= LONG_FINDING_M
    )
    if c.dialect.name == "sqlite":
        long = c.execute(LONG_BY_INDEX, {"line": line, "start_m": start_m, "end_m": end_m})
    else:
        long = c.execute(of_line.where(LONG_FINDING, or_(f.end_m.is_(None), f.end_m > start_m)))
    found = [*c.execute(short), *long]
    return [finding_of(r) for r in sorted(found, key=lambda r: (r.start_m, r.key))]


def findings_on_metres(c: Connection, line: str, start_m: float, end_m: float) -> list[Finding]:
    """Findings that touch any whole metre of which an interval has a part: what is laid over the verdicts of metres.

    A metre that two drums share has one verdict, on whichever of them the finding is.
    """
    return read_findings(c, line, nextafter(floor(start_m), -inf), ceil(end_m) if isfinite(end_m) else end_m)


def finding_of(r: Any) -> Finding:
    """A row of the table of findings."""
    return Finding(
        line=r.line,
        key=r.key,
        kind=FindingKind(r.kind),
        stream=r.stream,
        check=r.check_name,
        verdict=Verdict(r.verdict),
        start_m=r.start_m,
        end_m=r.end_m,
        start_s=r.start_ms / 1e3,
        end_s=None if r.end_ms is None else r.end_ms / 1e3,
        extreme=r.extreme,
        limit=r.limit_value,
        unit=r.unit,
        text=r.text,
        by=r.by_whom,
        reason=r.reason,
    )
