"""Drums on the take-up: one is wound after another, and each change cuts the cable at the knife."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from monitor.contract import drum_names
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.messages import DrumChange
from monitor.contract.record import DrumSpan, FillingKey, Floats, Rejected
from monitor.core.alarms import AlarmEvent, Definition
from monitor.core.fillings import Fillings
from monitor.core.timed_alarm import TimedAlarm


@dataclass(slots=True)
class NameAlarm(TimedAlarm):
    """Alarm on a drum's name that is used again on its line; it returns by itself."""

    name: ClassVar[str] = drum_names.NAME_USED
    duration_s: ClassVar[float] = 60.0

    @classmethod
    def definitions(cls) -> dict[str, Definition]:
        """It is the same on every line."""
        return {cls.name: Definition(drum_names.PRIORITY, None, "")}


@dataclass(slots=True, kw_only=True)
class Drums:
    """The drum that is wound (`on`), and those that rows not yet given out may belong to (`spans`), the newest last.

    `fillings` are those on record, after which the line goes on.
    """

    line: Line
    fillings: Fillings = field(default_factory=Fillings)
    on: DrumSpan | None = None
    spans: list[DrumSpan] = field(default_factory=list)
    name_alarm: NameAlarm = field(default_factory=NameAlarm)

    def is_on(self, change: DrumChange) -> bool:
        """Whether a change names what is on the take-up already (R23)."""
        if self.on is None:
            return change.drum is None and not change.recipe
        return self.on.drum == change.drum

    def rejected(self, change: DrumChange, t_s: float, is_recipe_known: bool) -> Iterator[Rejected]:
        """Errors of a drum change; the drum is on the take-up in any case.

        A controller that was started again sends what it knows; a filling keeps the recipe that it began with.
        """
        topic = f"*/{self.line.line}/{self.line.take_up}/drum"
        if not self.is_on(change):
            if not is_recipe_known:
                why = f"drum {change.drum or 'none'}: no recipe {change.recipe!r} here; its metres are judged by none"
                yield Rejected(kind="unknown recipe", topic=topic, why=why, received_s=t_s, line=self.line.line)
        elif self.on is not None and change.recipe not in ("", self.on.recipe):
            why = (
                f"drum {self.on.drum} is on already with recipe {self.on.recipe}, which stays; got recipe "
                f"{change.recipe}: send drum null first, then the drum with its recipe"
            )
            yield Rejected(kind="drum is on", topic=topic, why=why, received_s=t_s, line=self.line.line)

    def change(
        self, change: DrumChange, recipe: Recipe | None, t_s: float, cut_m: float
    ) -> Iterator[DrumSpan | AlarmEvent]:
        """The knife is at the take-up: a drum ends, and another begins, with the cable that is there at `t_s`."""
        if self.on is not None:
            ended = replace(self.on, end_m=cut_m, end_s=t_s)
            self.spans[-1] = ended
            self.fillings.put(ended)
            yield ended
        self.on = None
        if change.drum is not None:
            self.on = DrumSpan(
                line=self.line.line, filling=self.fillings.number(change.drum, t_s), drum=change.drum,
                recipe=change.recipe, revision=recipe.revision if recipe else 0, start_m=cut_m, end_m=None,
                start_s=t_s, end_s=None, planned_length_m=change.planned_length_m,
            )  # fmt: skip
            self.spans.append(self.on)
            self.fillings.put(self.on)
            if self.fillings.used_before(self.on):
                yield from self.name_alarm.happen_again(t_s, cut_m)
            yield self.on

    def filling_at(self, line_metre: float | None, wound_m: float) -> FillingKey | None:
        """The filling that holds a line metre, with the knife at `wound_m`; the one being wound where there is none."""
        if line_metre is None:
            return self.on.key if self.on else None
        span = self.fillings.holding(line_metre, wound_m)
        return span.key if span else None

    def hold(
        self, metres: Floats, of: Callable[[DrumSpan], bool] = lambda _: True, around_m: float = 0.0
    ) -> NDArray[np.bool_]:
        """Whether each metre's middle, or what is `around_m` of it, lies on a drum of that kind."""
        found = np.zeros(len(metres), dtype=bool)
        for span in self.spans:
            if of(span):
                end = np.inf if span.end_m is None else span.end_m
                found |= (metres + 0.5 + around_m >= span.start_m) & (metres + 0.5 - around_m < end)
        return found

    def forget_before(self, line_metre: float) -> None:
        """Rows up to there have been given out."""
        self.spans = [s for s in self.spans if s.end_m is None or s.end_m > line_metre]
