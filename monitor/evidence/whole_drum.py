"""One drum in drum metres: its findings, inherited faults, runs and rows, read once for every page."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.number_format import fixed
from monitor.contract.reading import DrumRow
from monitor.contract.record import WITHDRAWN, Finding, FindingKind, Floats, Verdict
from monitor.evidence.inherited import InheritedFault, as_runs, inherited_faults
from monitor.evidence.source import EvidenceSource, length_m, named_alike
from monitor.evidence.specimens import Tested, tested
from monitor.evidence.verdict_runs import Run, laid_over, runs

# Of a whole drum: they are shown on its record unless they are worse than conforming.
OF_THE_WHOLE = (FindingKind.RESISTANCE, FindingKind.DECISION, FindingKind.HANDOVER)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrumFinding:
    """A finding on a drum, in m from its start and cut at its ends; one that is still open reaches its end.

    `outer_start_m` to `outer_end_m` are the same metres from the outer end, as the next process unwinds them.
    """

    finding: Finding
    start_m: float
    end_m: float
    outer_start_m: float
    outer_end_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeDrum:
    """All that the record has of one drum; every metre of it counts from the drum's own start.

    `recipe` is the revision that it was judged by, None where that is no longer known; `revisions` says all of them.
    `named_alike` are the fillings of this name, oldest first, itself among them. `findings` are those of its own
    line, in wound order, and `inherited` what lies in it of earlier drums; `runs` holds both, the graver verdict on
    top. `columns` are rows of whole metres at `metre_m` (k,),
    NaN where there are no data. `test` is None but for a specimen.
    """

    row: DrumRow
    line: Line
    recipe: Recipe | None
    revisions: str
    named_alike: tuple[DrumRow, ...]
    length_m: float
    findings: tuple[DrumFinding, ...]
    inherited: tuple[InheritedFault, ...]
    runs: tuple[Run, ...]
    metre_m: Floats
    columns: Mapping[str, Floats]
    test: Tested | None

    def of_metres(self) -> list[DrumFinding]:
        """What was found of its metres, inherited findings last; not those of the drum as a whole."""
        own = [f for f in self.findings if f.finding.kind not in OF_THE_WHOLE or f.finding.verdict > Verdict.CONFORMING]
        return [*own, *(_as_finding(self.row, x, self.length_m) for x in self.inherited)]

    def marks(self) -> list[DrumFinding]:
        """Marks of people on its metres that are not withdrawn."""
        return [f for f in self.findings if f.finding.kind is FindingKind.MARK and f.finding.check != WITHDRAWN]


def whole_drum(source: EvidenceSource, row: DrumRow) -> WholeDrum:
    """Everything of one drum, each question asked of the record once."""
    length = length_m(source, row)
    end = row.start_m + length
    inherited = inherited_faults(source, row.line, row.filling)
    first, verdicts = source.record.verdicts(row.line, row.start_m, end)
    columns = source.record.rows(row.line, row.start_m, end)
    return WholeDrum(
        row=row,
        line=source.configuration.lines[row.line],
        recipe=source.recipe(row.line, row.recipe, row.revision),
        revisions=_revisions(source, row, length),
        named_alike=tuple(named_alike(source, row)),
        length_m=length,
        findings=tuple(on_drum(source.record.findings(row.line, row.start_m, end), row.start_m, length)),
        inherited=tuple(inherited),
        runs=tuple(laid_over(runs(first, verdicts, row.start_m, end), as_runs(inherited))),
        metre_m=columns["line_metre"] - row.start_m,
        columns=columns,
        test=tested(source, row),
    )


def on_drum(findings: Iterable[Finding], start_line_metre: float, length_m: float) -> list[DrumFinding]:
    """Findings in line metres as those of a drum of `length_m` that began at a line metre."""
    found = []
    for f in findings:
        start = max(f.start_m - start_line_metre, 0.0)
        end = length_m if f.end_m is None else f.end_m - start_line_metre
        found.append(_placed(f, start, max(min(end, length_m), start), length_m))
    return found


def _placed(finding: Finding, start_m: float, end_m: float, length_m: float) -> DrumFinding:
    return DrumFinding(
        finding=finding, start_m=start_m, end_m=end_m, outer_start_m=length_m - end_m, outer_end_m=length_m - start_m
    )


def _revisions(source: EvidenceSource, row: DrumRow, length: float) -> str:
    """By which revisions a drum was judged, and from which drum metre on."""
    came = [
        (r.line_metre - row.start_m, r.recipe.revision)
        for r in reversed(source.record.came_into_force(row.line))
        if r.recipe.recipe == row.recipe and row.start_m < r.line_metre < row.start_m + length
    ]
    revisions = [f"revision {revision} from {fixed(at, 1)} m on" for at, revision in came]
    return ", ".join([f"{row.recipe}, revision {row.revision}", *revisions])


def _as_finding(row: DrumRow, x: InheritedFault, length_m: float) -> DrumFinding:
    """What a drum inherits, as a finding on it."""
    found = Finding(
        line=row.line,
        key=f"inherited@{x.of.line}/{x.of.filling}/{x.of_start_m:.1f}",
        kind=FindingKind.INHERITED,
        stream=x.of.drum,
        check="inherited",
        verdict=x.verdict,
        start_m=row.start_m + x.start_m,
        end_m=row.start_m + x.end_m,
        start_s=x.of.start_ms / 1e3,
        end_s=None,
        extreme=None,
        limit=None,
        unit="m",
        text=f"of {x.of.drum}, its metre {fixed(x.of_start_m, 1)} to {fixed(x.of_end_m, 1)}",
    )
    return _placed(found, x.start_m, x.end_m, length_m)
