"""Which drums are listed: by a part of the name, line, recipe, and whether a decision is signed."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Select, and_, exists, false, or_, select

from monitor.contract.reading import DrumRow, DrumSearch
from monitor.contract.record import FindingKind
from monitor.store.schema import DRUM, FINDING

d, f = DRUM.c, FINDING.c
IS_DECISION = f.kind == FindingKind.DECISION.value


def narrowed(drums: Select[Any], search: DrumSearch) -> Select[Any]:
    """Of a select of drums those that are searched for, newest first.

    By name, drums are read until a page is full: a part of a name has no index.
    """
    if search.name:
        drums = drums.where(d.drum.icontains(search.name, autoescape=True))
    if search.line:
        drums = drums.where(d.line == search.line)
    if search.recipe:
        drums = drums.where(d.recipe == search.recipe)
    if search.undecided:
        decided = exists().where(f.line == d.line, f.start_m >= d.start_m, f.start_m < d.end_m, IS_DECISION)
        drums = drums.where(d.end_m.is_not(None), ~decided)
    return drums.order_by(d.start_ms.desc()).limit(search.limit).offset(search.offset)


def decisions(drums: Sequence[DrumRow]) -> Select[Any]:
    """Signed decisions of finished drums, oldest first."""
    ended = [drum for drum in drums if drum.end_m is not None]
    of = (and_(f.line == x.line, f.start_m >= x.start_m, f.start_m < x.end_m) for x in ended)
    return select(FINDING).where(IS_DECISION, or_(false(), *of)).order_by(f.start_ms)
