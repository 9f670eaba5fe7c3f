"""The release record of a drum as one value: for the page, the api and the PDF."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict

import numpy as np

from monitor.analysis.lineage import Orphan
from monitor.contract.config import titles
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.drum_names import NAME_USED
from monitor.contract.number_format import exact, fixed, significant
from monitor.contract.reading import AlarmRow, DrumRow
from monitor.contract.record import FillingKey, Finding, FindingKind, Floats, Verdict
from monitor.evidence.drum_facts import required_exposure, spark_exposure_s
from monitor.evidence.inherited import InheritedFault, RelatedMetres, lineage_of, names_apart, related_metres
from monitor.evidence.record_types import (
    AlarmAnswer,
    AlarmCount,
    Decision,
    DrumEvidence,
    FindingOnDrum,
    InheritedMetres,
    IntegrityTest,
    RelatedDrum,
    ReleaseRecord,
    Resistance,
    SparkTest,
    Statistics,
    WithoutOrigin,
)
from monitor.evidence.release_rule import Proposed, coverage, propose, unanswered
from monitor.evidence.source import EvidenceSource
from monitor.evidence.specimens import Tested, flames_of
from monitor.evidence.verdict_runs import lengths_m
from monitor.evidence.whole_drum import WholeDrum
from monitor.statistics.counts import rate_per_km

INNER = "cure/index-inner"
MOST, ANSWERED_WITHIN_MS = 5000, 86_400_000
ON_PAPER = ("mm", "degC", "%")


def record(source: EvidenceSource, drum: WholeDrum) -> ReleaseRecord:
    """The record of a drum or reel, its ancestry and their evidence with it."""
    row, recipe, lineage = drum.row, drum.recipe, lineage_of(source)
    family = related_metres(lineage, row, 0.0, drum.length_m)
    called = names_apart(k.key for k in family)
    evidence = [e for k in family if k.generation <= 0 and (e := _evidence(source, drum, k, called)) is not None]
    metres = {v.word: m for v, m in lengths_m(drum.runs).items()}
    tests = [] if recipe and recipe.integrity else flames_of(source, row, lineage)
    orphans = lineage.without_parent(row)
    findings = [f.finding for f in drum.findings]
    resistance = newest_resistance(findings)
    others = [*of_origin(orphans), *of_resistance(resistance, recipe), *of_tests(tests), *_exposures(evidence)]
    proposed = _proposed(source, drum, metres, evidence, others)
    return ReleaseRecord(
        drum=row.drum, filling=row.filling, filling_of_drum=_place(drum), line=row.line,
        line_title=drum.line.title, recipe=row.recipe, revision=row.revision,
        revisions=drum.revisions, length_m=drum.length_m, begun_ms=row.start_ms, ended_ms=row.end_ms,
        start_line_metre=row.start_m, end_line_metre=row.end_m, metres=metres, evidence=evidence,
        findings=[_finding(f, row) for f in findings if f.verdict > Verdict.CONFORMING],
        inherited=[_inherited(x, called) for x in drum.inherited],
        ancestry=[_kin(k, called) for k in family if k.generation < 0],
        went_into=[_kin(k, called) for k in family if k.generation > 0],
        without_origin=[WithoutOrigin(**asdict(orphan)) for orphan in orphans],
        integrity=_test(drum.test) if drum.test else None, integrity_tests=[_test(t) for t in tests],
        resistance=resistance, decisions=_decisions(findings),
        journal_last_hash=source.record.journal_hash(row.line),
        proposed=proposed.word, against=list(proposed.reasons),
    )  # fmt: skip


def _proposed(
    source: EvidenceSource,
    drum: WholeDrum,
    metres: Mapping[str, float],
    evidence: Sequence[DrumEvidence],
    others: list[str],
) -> Proposed:
    """By the release rule, over the drum itself and all that is in it."""
    seen: dict[str, float] = {}
    for e in evidence:
        for path, share in e.seen_share.items():
            of = f"{e.label}'s {titles.inside(titles.stream_title(source.configuration.lines[e.line], path))}"
            seen[of] = min(share, seen.get(of, 1.0))
    own = next(e for e in evidence if (e.line, e.filling) == (drum.row.line, drum.row.filling))
    before = [unanswered(n, e.label) for e in evidence if e is not own and (n := e.alarms.not_answered)]
    cured = all(e.cure_known for e in evidence)
    waiting = own.alarms.not_answered
    return propose(drum.row.end_m is not None, drum.length_m, metres, seen, waiting, cured, [*others, *before])


def _place(drum: WholeDrum) -> tuple[int, int]:
    """Which filling of how many of this name, by the time of their beginning."""
    named = [d.key for d in drum.named_alike]
    return (named.index(drum.row.key) + 1, len(named)) if drum.row.key in named else (1, 1)


# ---- evidence ----------------------------------------------------------------------------------------------------


def _evidence(
    source: EvidenceSource, whole: WholeDrum, of: RelatedMetres, called: Mapping[FillingKey, str]
) -> DrumEvidence | None:
    """Data of the metres of one drum that are in the whole one; None for one not wound here."""
    if of.drum is None or of.drum.line not in source.configuration.lines:
        return None
    drum, line = of.drum, source.configuration.lines[of.drum.line]
    recipe = source.recipe(drum.line, drum.recipe, drum.revision)
    rows, findings = _of_metres(source, whole, of, drum)
    required = [s.path for s in line.stream if s.required and s.kind == "samples" and s.path in rows]
    inner = rows.get(INNER)
    alarms, answers = alarms_of(source, drum)
    cured = not (recipe and recipe.cure) or (inner is not None and len(inner) > 0 and bool(np.isfinite(inner).all()))
    return DrumEvidence(
        drum=drum.drum, filling=drum.filling, label=called[of.key], line=drum.line,
        line_title=line.title, recipe=drum.recipe, revision=drum.revision,
        start_m=of.start_m, end_m=of.end_m, begun_ms=drum.start_ms,
        seen_share=coverage(rows, required), cure_known=cured,
        statistics={n: _statistics(v) for n, v in rows.items() if n in _shown(line, recipe)},
        spark_tests=_sparks(line, recipe, rows, findings, of.end_m - of.start_m),
        alarms=alarms, answers=answers, journal_last_hash=source.record.journal_hash(drum.line),
    )  # fmt: skip


def _of_metres(
    source: EvidenceSource, whole: WholeDrum, of: RelatedMetres, drum: DrumRow
) -> tuple[Mapping[str, Floats], list[Finding]]:
    """Rows and findings of the metres of a drum that are in the whole one; its own are known already."""
    if of.key == whole.row.key:
        return whole.columns, [f.finding for f in whole.findings]
    start, end = drum.start_m + of.start_m, drum.start_m + of.end_m
    return source.record.rows(drum.line, start, end), list(source.record.findings(drum.line, start, end))


def _sparks(
    line: Line, recipe: Recipe | None, rows: Mapping[str, Floats], findings: Sequence[Finding], length: float
) -> list[SparkTest]:
    """Each spark tester of a line: faults it found, its voltage, and the shortest exposure."""
    found = []
    for check in recipe.event_check if recipe else []:
        station, quantity = check.stream.split("/")
        if quantity != "spark-fault":
            continue
        faults = sum(f.kind is FindingKind.FAULT and f.stream == check.stream for f in findings)
        voltage = rows.get(f"{station}/voltage")
        least_s, required = spark_exposure_s(rows, line, station), required_exposure(check, line)
        found.append(
            SparkTest(station=station, title=titles.station_title(line, station), faults=faults,
             per_km=rate_per_km(faults, length)[0] if length > 0 else None,
             voltage_kV=_statistics(voltage) if voltage is not None else None,
             exposure_least_s=least_s,
             exposure_rule=required.rule if required else None,
             exposure_needed_s=required.needed_s if required else None,
             exposure_suffices=least_s >= required.needed_s if required and least_s is not None else None)
        )  # fmt: skip
    return found


def _exposures(evidence: Sequence[DrumEvidence]) -> list[str]:
    """Spark tests with a shorter exposure than the rule of the recipe requires."""
    return [
        f"{e.label}: {s.title} held a metre for {fixed((s.exposure_least_s or 0.0) * 1e3, 0)} ms, "
        f"{s.exposure_rule} asks for {fixed((s.exposure_needed_s or 0.0) * 1e3, 0)} ms"
        for e in evidence
        for s in e.spark_tests
        if s.exposure_suffices is False
    ]


def _shown(line: Line, recipe: Recipe | None) -> set[str]:
    """Columns worth a line on paper: those that the recipe judges, and the results of the cure computation."""
    judged = {w.stream for w in recipe.window if line.streams[w.stream].unit in ON_PAPER} if recipe else set()
    return judged | {INNER, "cure/surface-peak", "cure/degradation", "cooling/inside"}


def _statistics(v: Floats) -> Statistics | None:
    good = v[np.isfinite(v)]
    if not len(good):
        return None
    return Statistics(
        least=float(good.min()), mean=float(good.mean()), most=float(good.max()), sigma=float(good.std())
    )  # fmt: skip


# ---- what else is on the record ------------------------------------------------------------------------------------


def alarms_of(source: EvidenceSource, drum: DrumRow) -> tuple[AlarmCount, list[AlarmAnswer]]:
    """Of the time in which a drum was wound: how many alarms, how many unacknowledged; and the responses."""
    until = drum.end_ms or source.now_ms
    changes = source.record.alarm_changes(drum.line, drum.start_ms, until, MOST)
    later = source.record.alarm_changes(drum.line, until + 1, until + ANSWERED_WITHIN_MS, MOST)
    answers = [
        AlarmAnswer(alarm=c.alarm, event=c.event, by=c.by, reason=c.reason, t_ms=c.t_ms) for c in changes if c.by
    ]
    return alarm_count(changes, later), answers


def alarm_count(changes: Sequence[AlarmRow], later: Sequence[AlarmRow]) -> AlarmCount:
    """How many alarms there were, and how many are not acknowledged, by their changes then and in the day after."""
    # A name that is used again concerns no cable, and holds no drum.
    raised = {(c.alarm, c.occurrence_ms) for c in changes if c.event == "raised" and c.alarm != NAME_USED}
    # Each activation needs its own acknowledgement: one that became active again since is not acknowledged by it.
    waiting = len(raised - {(c.alarm, c.occurrence_ms) for c in (*changes, *later) if c.by})
    return AlarmCount(raised=len(raised), not_answered=waiting)


def _finding(f: Finding, drum: DrumRow) -> FindingOnDrum:
    return FindingOnDrum(
        kind=f.kind, stream=f.stream, check=f.check, verdict=f.verdict.word,
        start_m=f.start_m - drum.start_m, end_m=None if f.end_m is None else f.end_m - drum.start_m,
    )  # fmt: skip


def _inherited(x: InheritedFault, called: Mapping[FillingKey, str]) -> InheritedMetres:
    return InheritedMetres(
        start_m=x.start_m, end_m=x.end_m, verdict=x.verdict.word, drum=x.of.drum, line=x.of.line,
        filling=x.of.filling, label=called.get(x.of.key, x.of.drum), of_start_m=x.of_start_m, of_end_m=x.of_end_m,
    )  # fmt: skip


def _kin(k: RelatedMetres, called: Mapping[FillingKey, str]) -> RelatedDrum:
    return RelatedDrum(
        drum=k.name, filling=k.drum.filling if k.drum else None, label=called[k.key],
        line=k.drum.line if k.drum else None, generation=k.generation,
        start_m=k.start_m, end_m=k.end_m,
    )  # fmt: skip


def _test(t: Tested) -> IntegrityTest:
    return IntegrityTest(
        drum=t.drum.drum, filling=t.drum.filling, line=t.drum.line, standard=t.test.standard,
        ignition_ms=t.ignition_ms,
        ended_ms=t.ended_ms, said=t.words, failed=t.failed,
        held_s=t.outcome.held_s if t.outcome else None, class_min=t.outcome.class_min if t.outcome else None,
        departures=list(t.outcome.departures) if t.outcome else [],
    )  # fmt: skip


def newest_resistance(findings: Sequence[Finding]) -> Resistance | None:
    """The newest measurement on record."""
    measured = [(f.extreme, f) for f in findings if f.kind is FindingKind.RESISTANCE and f.extreme is not None]
    if not measured:
        return None
    ohm_per_km, newest = max(measured, key=lambda m: m[1].start_s)
    return Resistance(
        ohm_per_km_at_20_C=ohm_per_km, most=newest.limit, by=newest.by,
        reason=newest.reason, measured=newest.text,
        t_ms=round(newest.start_s * 1e3), verdict=newest.verdict.word,
    )  # fmt: skip


def _decisions(findings: list[Finding]) -> list[Decision]:
    """Who decided what of the drum, oldest first."""
    signed = sorted((f for f in findings if f.kind is FindingKind.DECISION), key=lambda f: f.start_s)
    return [Decision(decision=f.check, by=f.by, reason=f.reason, t_ms=round(f.start_s * 1e3)) for f in signed]


def of_origin(orphans: Sequence[Orphan]) -> list[str]:
    """Reasons to hold: cable that came from nowhere on record."""
    return [
        f"what went in at {o.pay_off} for {fixed(o.end_m - o.start_m, 1)} m is not on record: {o.why}" for o in orphans
    ]


def of_resistance(resistance: Resistance | None, recipe: Recipe | None) -> list[str]:
    """Reasons to hold: the conductor's resistance is missing, or above what the recipe allows."""
    conductor = recipe.conductor if recipe else None
    if resistance is None:
        return ["the conductor's resistance was not measured"] if conductor and conductor.required else []
    if resistance.verdict != Verdict.CONFORMING.word:
        measured = significant(resistance.ohm_per_km_at_20_C)
        return [f"the conductor has {measured} ohm/km, allowed {exact(resistance.most)}"]
    return []


def of_tests(tests: Sequence[Tested]) -> list[str]:
    """Reasons to hold: fire tests that failed."""
    return [f"circuit integrity of {t.drum.drum}: {t.words}" for t in tests if t.failed]
