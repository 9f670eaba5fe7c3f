"""Why the release rule holds drums whose metres all conform: alarms, resistance, origin.

For many drums at once, as a shift has them, in few queries; the whole rule, with coverage, cure, exposure and fire
tests, is on the record of each drum.
"""

from collections.abc import Collection, Iterable, Sequence

from monitor.analysis.lineage import Lineage
from monitor.contract.number_format import fixed
from monitor.contract.reading import AlarmRow, DrumRow
from monitor.contract.record import FillingKey, Finding, FindingKind
from monitor.evidence.inherited import lineage_of, names_apart
from monitor.evidence.release_record import ANSWERED_WITHIN_MS, alarm_count, newest_resistance, of_resistance
from monitor.evidence.release_rule import unanswered
from monitor.evidence.source import EvidenceSource, length_m

MEASURED, CHANGES = 5000, 200_000  # the newest resistances, and changes of alarms in one read, that are looked at


def reasons_beside_metres(
    source: EvidenceSource, drums: Sequence[DrumRow], lineage: Lineage | None = None
) -> list[list[str]]:
    """Reasons against the release of each drum apart from its metres, in words."""
    lineage = lineage or lineage_of(source)
    lineage.gather(drums)
    inside = [_inside(source, lineage, drum) for drum in drums]
    waiting = _unacknowledged(source, [*drums, *(drum for of in inside for drum in of.values())])
    measured = source.record.findings_of_kind(FindingKind.RESISTANCE, MEASURED) if drums else []
    return [
        _origin(lineage, drum) + _resistance(lineage, drum, measured) + _alarms(drum, of, waiting)
        for drum, of in zip(drums, inside, strict=True)
    ]


def _inside(source: EvidenceSource, lineage: Lineage, drum: DrumRow) -> dict[str, DrumRow]:
    """The drums of which metres are in a drum, by what they are called beside each other."""
    family = lineage.family(drum, forward=False)
    called = names_apart(piece.drum for piece in family.back(drum.key, 0.0, length_m(source, drum)))
    return {label: of for key, label in called.items() if (of := lineage.drum(key)) is not None}


def _origin(lineage: Lineage, drum: DrumRow) -> list[str]:
    return [f"what went in at {at} for {fixed(b - a, 1)} m is not on record" for a, b, at in lineage.holes(drum)]


def _resistance(lineage: Lineage, drum: DrumRow, measured: Iterable[Finding]) -> list[str]:
    mine = [f for f in measured if f.line == drum.line and drum.start_m <= f.start_m < (drum.end_m or f.start_m + 1.0)]
    return of_resistance(newest_resistance(mine), lineage.recipe_of(drum))


def _alarms(drum: DrumRow, inside: dict[str, DrumRow], waiting: dict[FillingKey, int]) -> list[str]:
    """Of the drum itself and of what is in it."""
    counts = [(whose, waiting[of.key]) for whose, of in [("this drum", drum), *inside.items()]]
    return [unanswered(count, whose) for whose, count in counts if count]


def _unacknowledged(source: EvidenceSource, drums: Collection[DrumRow]) -> dict[FillingKey, int]:
    """Alarms of the winding of each drum that nobody has acknowledged; windings near each other are read at once."""
    ended = {drum.key: (drum.line, drum.start_ms, drum.end_ms or source.now_ms) for drum in drums}
    rows: dict[str, list[AlarmRow]] = {}
    for line, start_ms, end_ms in _spans(ended.values()):
        rows.setdefault(line, []).extend(source.record.alarm_changes(line, start_ms, end_ms, CHANGES))
    found = {}
    for key, (line, start_ms, end_ms) in ended.items():
        mine = [row for row in rows[line] if start_ms <= row.t_ms <= end_ms + ANSWERED_WITHIN_MS]
        changes, later = ([r for r in mine if (r.t_ms <= end_ms) is then] for then in (True, False))
        found[key] = alarm_count(changes, later).not_answered
    return found


def _spans(windings: Iterable[tuple[str, int, int]]) -> list[tuple[str, int, int]]:
    """Times of lines with the day after each, those that overlap as one."""
    joined: list[tuple[str, int, int]] = []
    for line, start_ms, end_ms in sorted((line, a, b + ANSWERED_WITHIN_MS) for line, a, b in windings):
        if joined and joined[-1][0] == line and start_ms <= joined[-1][2]:
            joined[-1] = line, joined[-1][1], max(joined[-1][2], end_ms)
        else:
            joined.append((line, start_ms, end_ms))
    return joined
