"""The fillings of a line: one drum from one drum change to the next, numbered in the order in which they begin.

A drum's name is only a label: steel drums come back. Everything that must find one filling goes by its number.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from monitor.contract.record import DrumSpan

KEPT = 1000  # newest fillings that an engine remembers: it is within these that a name is known to have been used


@dataclass(slots=True)
class Fillings:
    """The newest fillings of one line, oldest first, and the number that was given last (0: none yet).

    What is kept is bounded and depends on the order of drum changes only, so that neither the cut of the arrivals nor
    a restart shows: an engine that starts without a snapshot gets the newest fillings of the record (`of`).
    """

    newest: int = 0
    kept: list[DrumSpan] = field(default_factory=list)

    @classmethod
    def of(cls, stored: Iterable[DrumSpan]) -> "Fillings":
        """Go on after what is on record of a line, in any order."""
        known = sorted(stored, key=lambda span: span.filling)
        return cls(known[-1].filling if known else 0, known[-KEPT:])

    def copy(self) -> "Fillings":
        """The same, going on by itself."""
        return Fillings(self.newest, list(self.kept))

    def number(self, drum: str, start_s: float) -> int:
        """The number of the filling that begins with a drum change; one that is known keeps the number it has."""
        start_ms = round(start_s * 1e3)
        for span in reversed(self.kept):
            if span.drum == drum and round(span.start_s * 1e3) == start_ms:
                return span.filling
        self.newest += 1
        return self.newest

    def put(self, span: DrumSpan) -> None:
        """A filling begins, or what is known of it has changed."""
        for i in range(len(self.kept) - 1, -1, -1):
            if self.kept[i].filling == span.filling:
                self.kept[i] = span
                return
        self.kept.append(span)
        del self.kept[:-KEPT]

    def used_before(self, span: DrumSpan) -> bool:
        """Whether an earlier filling has the same name."""
        return any(earlier.drum == span.drum for earlier in self.kept if earlier.filling < span.filling)

    def holding(self, line_metre: float, wound_m: float) -> DrumSpan | None:
        """The filling that holds a line metre; None for cable on no drum, such as that beyond the knife at `wound_m`.

        NaN for either is no place.
        """
        if not line_metre <= wound_m:
            return None
        for span in reversed(self.kept):
            if span.start_m <= line_metre:
                return span if span.end_m is None or line_metre < span.end_m else None
        return None
