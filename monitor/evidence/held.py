"""Why the release rule holds drums whose metres are all conforming: alarms, resistance, origin, fire tests.

For many drums at once, as a shift has them; the whole rule, with coverage and exposures, is on each drum's record.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.analysis.lineage import Lineage
from monitor.contract.reading import DrumRow
from monitor.contract.record import FillingKey
from monitor.evidence.inherited import lineage_of, names_apart
from monitor.evidence.release_record import alarms_of, newest_resistance, of_origin, of_resistance, of_tests
from monitor.evidence.release_rule import unanswered
from monitor.evidence.source import EvidenceSource, length_m
from monitor.evidence.specimens import Tested, flames_of, tested


def reasons_beside_metres(source: EvidenceSource, drums: Sequence[DrumRow]) -> list[list[str]]:
    """What stands against the release of each drum apart from its metres, in words."""
    lineage = lineage_of(source)
    lineage.gather(drums)
    known = _KnownReasons(source=source, lineage=lineage)
    return [known.reasons(drum) for drum in drums]


@dataclass(slots=True, kw_only=True)
class _KnownReasons:
    """What drums have in common is read once."""

    source: EvidenceSource
    lineage: Lineage
    _unanswered: dict[FillingKey, int] = field(default_factory=dict)
    _tests: dict[FillingKey, Tested | None] = field(default_factory=dict)

    def reasons(self, drum: DrumRow) -> list[str]:
        recipe = self.lineage.recipe_of(drum)
        found = of_origin(self.lineage.without_parent(drum))
        if recipe is not None and recipe.conductor is not None:
            findings = self.source.record.findings(drum.line, drum.start_m, drum.start_m + length_m(self.source, drum))
            found += of_resistance(newest_resistance(findings), recipe)
        if recipe is None or recipe.integrity is None:
            found += of_tests(flames_of(self.source, drum, self.lineage, self._test))
        return found + self._alarms(drum)

    def _alarms(self, drum: DrumRow) -> list[str]:
        """Of the drum itself and of what is in it."""
        family = self.lineage.family(drum, forward=False)
        called = names_apart(piece.drum for piece in family.back(drum.key, 0.0, length_m(self.source, drum)))
        earlier = [(label, of) for key, label in called.items() if (of := self.lineage.drum(key)) is not None]
        counts = [(whose, self._waiting(of)) for whose, of in [("this drum", drum), *earlier]]
        return [unanswered(count, whose) for whose, count in counts if count]

    def _waiting(self, drum: DrumRow) -> int:
        if drum.key not in self._unanswered:
            of_works = drum.line in self.source.configuration.lines
            self._unanswered[drum.key] = alarms_of(self.source, drum)[0].not_answered if of_works else 0
        return self._unanswered[drum.key]

    def _test(self, drum: DrumRow) -> Tested | None:
        if drum.key not in self._tests:
            self._tests[drum.key] = tested(self.source, drum)
        return self._tests[drum.key]
