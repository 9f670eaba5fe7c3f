"""Source of evidence: a record, the configuration it was made by, and the time; drums and their lengths in it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from monitor.analysis.in_force import recipes_in_force
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import DrumRow, NowRow, Record


@dataclass(frozen=True)
class EvidenceSource:
    """A record with its configuration; `clock` gives UTC seconds."""

    record: Record
    configuration: Configuration
    clock: Callable[[], float]
    kept: dict[tuple[int, str, int], list[Any]] = field(default_factory=dict, kw_only=True)  # of `inherited`

    @property
    def now_ms(self) -> int:
        return round(self.clock() * 1e3)

    def line_now(self, line: str) -> NowRow | None:
        """The newest row of a line, None before it ever sent data."""
        return next((row for row in self.record.lines_now() if row.line == line), None)

    def recipes(self, line: str) -> dict[str, Recipe]:
        """Recipes in force on a line by name."""
        came = [(row.t_ms, row.recipe) for row in self.record.came_into_force(line)]
        return recipes_in_force(self.configuration.recipes_for(line), self.record.recipes_of_files(), came)

    def recipe_now(self, line: str) -> Recipe | None:
        """The recipe that a line runs by; with no drum on the take-up the only one it has, if it has one only."""
        now = self.line_now(line)
        found = self.recipe(line, now.recipe if now else None)
        have = list(self.recipes(line).values())
        return found or (have[0] if len(have) == 1 else None)

    def recipe(self, line: str, name: str | None, revision: int | None = None) -> Recipe | None:
        """A recipe of a line, as it is in force, or as a revision had it where that is on record."""
        if revision is not None:
            for row in self.record.came_into_force(line):
                if (row.recipe.recipe, row.recipe.revision) == (name, revision):
                    return row.recipe
            for known in (*self.record.recipes_of_files(), *self.configuration.recipes.values()):
                if (known.recipe, known.revision) == (name, revision):
                    return known
        return self.recipes(line).get(name or "")


def drum_meant(source: EvidenceSource, line: str, *, filling: int | None = None, name: str = "") -> DrumRow | None:
    """The drum that is meant by its filling, or by its name: then the newest of a line with it."""
    return source.record.drum_named(line, name) if filling is None else source.record.drum(line, filling)


def named_alike(source: EvidenceSource, drum: DrumRow) -> list[DrumRow]:
    """Fillings with a drum's name, on any line, oldest first."""
    return list(source.record.drums_named(drum.drum))[::-1]


def length_m(source: EvidenceSource, drum: DrumRow) -> float:
    """Length of a drum; of one being wound, what is on it now."""
    if drum.end_m is not None:
        return drum.end_m - drum.start_m
    return wound_m(source, drum, source.line_now(drum.line))


def wound_m(source: EvidenceSource, drum: DrumRow, now: NowRow | None) -> float:
    """Length of a drum; of one being wound, what is on it as its line is now."""
    if drum.end_m is not None:
        return drum.end_m - drum.start_m
    line = source.configuration.lines[drum.line]
    if now is None or now.filling != drum.filling:
        return 0.0
    return max(now.line_metre + line.counter_m - line.take_up_m - drum.start_m, 0.0)
