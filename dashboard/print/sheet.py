"""The record of a drum as text and tables, the same for the page and for the PDF."""

from dataclasses import dataclass

from dashboard.text import format
from dashboard.text.format import exact, fixed, percent, significant
from monitor.contract.config import titles
from monitor.evidence.record_types import ReleaseRecord, SparkTest
from monitor.evidence.source import EvidenceSource

CAUTION = "For information only. Release is decided by an authorised person under the plant's procedures."


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetTable:
    """One table: caption, head, rows of text, which columns are numbers, and the text for no rows."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[int, ...] = ()
    empty: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """What is printed of a drum, in order."""

    title: str
    decided: str  # by the newest signature; empty where nobody has signed
    proposed: str
    held: bool
    facts: tuple[tuple[str, str], ...]
    tables: tuple[SheetTable, ...]
    statements: tuple[str, ...]
    caution: str = CAUTION


def sheet_of(source: EvidenceSource, r: ReleaseRecord) -> Sheet:
    """From the record (see `release_record.record`)."""
    held = r.proposed == "hold"
    against = f" Reasons to hold: {'; '.join(r.against)}." if held else ""
    test = r.integrity
    proposed = f"Proposed disposition (automatic): {r.proposed}.{against}"
    if test is not None:
        held = test.failed or bool(test.departures)
        proposed = f"Circuit integrity by {test.standard}: {test.said}."
    blocks = [_metres(r), _ancestry(source, r), _inherited(r), _seen(source, r), _sparks(r), _statistics(source, r)]
    blocks.insert(4, _people(r))
    return Sheet(
        title=f"Record of drum {r.drum}", decided=_decided(source, r), proposed=proposed, held=held,
        facts=_facts(source, r), tables=tuple(b for b in blocks if b is not None), statements=_statements(source, r),
    )  # fmt: skip


def _decided(source: EvidenceSource, r: ReleaseRecord) -> str:
    """The newest signed decision, and whether it departs from the proposal."""
    if not r.decisions:
        return ""
    newest = r.decisions[-1]
    when = format.local(newest.t_ms, source.configuration.works.time_zone, day=True)
    departs = r.proposed == "hold" and newest.decision == "release"
    return (
        f"Decision: {newest.decision}, signed by {newest.by or 'nobody named'}, {when}. "
        f"Reason: {newest.reason or 'none given'}."
        + (" It departs from the automatic proposal, which is hold." if departs else "")
    )


def _facts(source: EvidenceSource, r: ReleaseRecord) -> tuple[tuple[str, str], ...]:
    ended = (
        format.local(r.ended_ms, source.configuration.works.time_zone, day=True)
        if r.ended_ms
        else "winding in progress"
    )
    end = "" if r.end_line_metre is None else fixed(r.end_line_metre, 1)
    facts = [
        ("Plant", source.configuration.works.title), ("Line", r.line_title), ("Drum", _drum(r)),
        ("Recipe", r.revisions), ("Length", f"{format.metres(r.length_m)} m"),
        ("Wound", f"{format.local(r.begun_ms, source.configuration.works.time_zone, day=True)} to {ended}"),
        ("Line metre", f"{fixed(r.start_line_metre, 1)} to {end} m"),
        ("Audit trail", (r.journal_last_hash or "no entry")[:16]),
    ]  # fmt: skip
    ohm = r.resistance
    if ohm is not None:
        most = f", max. {exact(ohm.most)}" if ohm.most is not None else ""
        facts.append(("Resistance", f"{fixed(ohm.ohm_per_km_at_20_C, 3)} ohm/km at 20 \N{DEGREE SIGN}C{most}"))
    return tuple(facts)


def _drum(r: ReleaseRecord) -> str:
    place, count = r.filling_of_drum
    which = f", filling {place} of {count} of this drum" if count > 1 else ""
    return f"{r.drum} (number {r.filling} of its line{which})"


def _metres(r: ReleaseRecord) -> SheetTable:
    length = r.length_m
    rows = [(w, f"{fixed(m, 1)} m", percent(m / length, 2) if length else "") for w, m in r.metres.items()]
    return SheetTable(
        caption="Length by verdict, including inherited faults",
        head=("Verdict", "Length", "Share"),
        rows=tuple(rows),
        numeric=(1, 2),
    )


def _ancestry(source: EvidenceSource, r: ReleaseRecord) -> SheetTable | None:
    if not r.ancestry and not r.without_origin:
        return None
    rows = [(a.label, _line(source, a.line), fixed(a.start_m, 1), fixed(a.end_m, 1)) for a in r.ancestry]
    rows += [(f"not recorded ({o.pay_off}: {o.why})", "", fixed(o.start_m, 1), fixed(o.end_m, 1))
             for o in r.without_origin]  # fmt: skip
    return SheetTable(
        caption="Input drums", head=("Drum", "Line", "From (m)", "To (m)"), rows=tuple(rows), numeric=(2, 3)
    )


def _line(source: EvidenceSource, line: str | None) -> str:
    found = source.configuration.lines.get(line or "")
    return found.title if found else "not recorded in this system"


def _inherited(r: ReleaseRecord) -> SheetTable | None:
    if not r.inherited:
        return None
    rows = [
        (x.verdict, fixed(x.start_m, 1), fixed(x.end_m, 1),
         f"{x.label} at {fixed(x.of_start_m, 1)} to {fixed(x.of_end_m, 1)} m")
        for x in r.inherited
    ]  # fmt: skip
    return SheetTable(
        caption="Faults inherited from input drums",
        head=("Verdict", "From (m)", "To (m)", "From drum"),
        rows=tuple(rows),
        numeric=(1, 2),
    )


def _seen(source: EvidenceSource, r: ReleaseRecord) -> SheetTable:
    rows = []
    for e in r.evidence:
        line, short = source.configuration.lines[e.line], {p: s for p, s in e.seen_share.items() if s < 1.0}
        rows += [(e.label, titles.stream_title(line, path), percent(share, 2)) for path, share in short.items()]
        whole = len(e.seen_share) - len(short)
        if whole:
            rows.append((e.label, f"{'all' if not short else 'the other'} {whole} required streams", "100.00%"))
    caption = "Coverage: share of length with valid data from each required instrument"
    return SheetTable(
        caption=caption,
        head=("Drum", "Stream", "Coverage"),
        rows=tuple(rows),
        numeric=(2,),
        empty="No stream is required.",
    )


def _people(r: ReleaseRecord) -> SheetTable:
    rows = [
        (e.label, str(e.alarms.raised), str(e.alarms.not_answered), str(len(e.answers)),
         (e.journal_last_hash or "no entry")[:16])
        for e in r.evidence
    ]  # fmt: skip
    head = ("Drum", "Alarms during winding", "Unacknowledged", "Operator responses", "Audit trail")
    return SheetTable(caption="Alarms and responses during winding", head=head, rows=tuple(rows), numeric=(1, 2, 3))


def _sparks(r: ReleaseRecord) -> SheetTable | None:
    rows = []
    for e in r.evidence:
        for s in e.spark_tests:
            volts, held = s.voltage_kV, s.exposure_least_s
            rows.append(
                (e.label, s.title, str(s.faults), "" if s.per_km is None else significant(s.per_km),
                 f"{fixed(volts.least, 2)} to {fixed(volts.most, 2)}" if volts else "not recorded",
                 fixed(held * 1e3, 0) if held else "", _needed(s))
            )  # fmt: skip
    if not rows:
        return None
    head = ("Drum", "Spark test", "Faults", "Per km", "Voltage (kV)", "Min. exposure (ms)", "Required")
    return SheetTable(caption="Spark tests of these metres", head=head, rows=tuple(rows), numeric=(2, 3, 4, 5))


def _needed(s: SparkTest) -> str:
    """Time at voltage that the recipe's rule requires, and whether every metre had it."""
    if s.exposure_needed_s is None:
        return "no rule in recipe"
    met = {True: "met", False: "not met", None: "not known"}[s.exposure_suffices]
    return f"{fixed(s.exposure_needed_s * 1e3, 0)} ms by {s.exposure_rule}: {met}"


def _statistics(source: EvidenceSource, r: ReleaseRecord) -> SheetTable:
    rows = [
        (
            e.label,
            _title(source, e.line, name),
            *(significant(v, 4) for v in (found.least, found.mean, found.most, found.sigma)),
        )
        for e in r.evidence
        for name, found in e.statistics.items()
        if found
    ]
    head = ("Drum", "Quantity", "Min", "Mean", "Max", "Std dev")
    return SheetTable(caption="Measured values over its length", head=head, rows=tuple(rows), numeric=(2, 3, 4, 5))


def _title(source: EvidenceSource, line: str, name: str) -> str:
    if name.startswith(("cure/", "cooling/")):
        return name.replace("/", " ").replace("-", " ")
    return titles.stream_title(source.configuration.lines[line], name)


def _statements(source: EvidenceSource, r: ReleaseRecord) -> tuple[str, ...]:
    statements = [f"Circuit integrity, {t.standard}, specimen {t.drum}: {t.said}." for t in r.integrity_tests]
    statements += [
        f"{format.local(d.t_ms, source.configuration.works.time_zone, day=True)}: {d.decision}, signed by {d.by}"
        + (f": {d.reason}." if d.reason else ".")
        for d in r.decisions
    ]
    return tuple(statements)
