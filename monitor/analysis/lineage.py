"""A drum's family from the record: what was put on where, composed to spans of metres, as far as there are any."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

from monitor.analysis.ancestry import Family, Made, Span, orphaned, spans_of
from monitor.contract.config import Configuration, Recipe
from monitor.contract.reading import DrumRow, Record
from monitor.contract.record import Splice
from monitor.physics.winding import lay_factor, pitch_diameter_ratios


def taken(recipe: Recipe | None, pay_off: str) -> float:
    """Metres paid off at one place that go into a metre of product: the lay factor where cores are laid up, else 1.

    The centre of a core runs on a helix around the cable's, on the pitch circle of its own layer.
    """
    if recipe is None or recipe.laying_up is None:
        return 1.0
    up = recipe.laying_up
    return lay_factor(up.core_diameter_mm * pitch_diameter_ratios(up.cores)[up.layer_of(pay_off)], up.lay_mm)


@dataclass
class Lineage:
    """Families of drums, read from the record as they are asked for. `recipe_of` gives a drum's recipe.

    `drums` are those met so far, by name.
    """

    record: Record
    configuration: Configuration
    recipe_of: Callable[[DrumRow], Recipe | None]
    drums: dict[str, DrumRow] = field(default_factory=dict)
    _parents: dict[str, list[Span]] = field(default_factory=dict)
    _children: dict[str, list[Span]] = field(default_factory=dict)

    def family(self, drum: DrumRow, *, forward: bool = True) -> Family:
        """Everything that is in a drum and, with `forward`, everything that it is in."""
        self.drums[drum.drum] = drum
        spans = self._walk(drum.drum, self.parents, lambda s: s.parent)
        if forward:
            spans |= self._walk(drum.drum, self.children, lambda s: s.child)
        return Family(spans)

    def _walk(self, name: str, of: Callable[[str], list[Span]], to: Callable[[Span], str]) -> dict[Span, None]:
        found: dict[Span, None] = {}
        waiting, seen = [name], {name}
        while waiting:
            for span in of(waiting.pop()):
                found[span] = None
                if to(span) not in seen:
                    seen.add(to(span))
                    waiting.append(to(span))
        return found

    def parents(self, name: str) -> list[Span]:
        """Spans that went into a drum, along it."""
        if name not in self._parents:
            drum = self.drum(name)
            self._parents[name] = [s for s in self._on_line(drum) if s.child == name] if drum else []
        return self._parents[name]

    def children(self, name: str) -> list[Span]:
        """Spans that a drum went into, in the order in which they were made."""
        if name not in self._children:
            splices = self.record.splices_of(name)
            found: dict[Span, None] = {}
            for splice in splices:
                drum = self.drum(name)
                whole_m = self._length_m(drum) if drum else None
                most = next((m for m in (splice.left_m, whole_m) if m is not None), 0.0)
                reach = (splice.line_metre, splice.line_metre + most)
                found |= dict.fromkeys(s for s in self._spans(splice.line, *reach) if s.parent == name)
            self._children[name] = list(found)
        return self._children[name]

    def without_parent(self, drum: DrumRow) -> list[tuple[float, float, str]]:
        """Where on a drum what went in at a pay-off is not on record: (start, end, pay-off)."""
        line = self.configuration.lines.get(drum.line)
        positions = line.pay_off if line else []
        return orphaned(self.parents(drum.drum), positions, self._length_m(drum) or 0.0)

    # ---- inside ------------------------------------------------------------------------------------------

    def drum(self, name: str) -> DrumRow | None:
        """The drum of a name, None for one that was not wound here."""
        if name not in self.drums:
            named = self.record.drums_named(name)
            if not named:
                return None
            self.drums[name] = named[0]
        return self.drums[name]

    def _length_m(self, drum: DrumRow) -> float | None:
        return None if drum.end_m is None else drum.end_m - drum.start_m

    def _on_line(self, drum: DrumRow) -> list[Span]:
        return self._spans(drum.line, drum.start_m, float("inf") if drum.end_m is None else drum.end_m)

    def _spans(self, line: str, start_m: float, end_m: float) -> list[Span]:
        """Spans of a line over an interval of its metres, from where the first that reaches it was put on."""
        splices = self.record.splices(line, start_m, end_m)
        if not splices:
            return []
        first = min([start_m, *(s.line_metre for s in splices)])
        made = [self._made(d, {s.position for s in splices}) for d in self.record.drums_between(line, first, end_m)]
        return spans_of(splices, made, self._lengths(splices))

    def _made(self, drum: DrumRow, pay_offs: Collection[str]) -> Made:
        recipe, end_m = self.recipe_of(drum), float("inf") if drum.end_m is None else drum.end_m
        return Made(drum.drum, drum.start_m, end_m, {pay_off: taken(recipe, pay_off) for pay_off in pay_offs})

    def _lengths(self, splices: Sequence[Splice]) -> Mapping[str, float]:
        found = {}
        for splice in splices:
            drum = self.drum(splice.drum)
            length = self._length_m(drum) if drum else None
            if length is not None:
                found[splice.drum] = length
        return found
