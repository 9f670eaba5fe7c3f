"""Rows of metres: values of each whole line metre at every station and in every zone, and whether it was verified."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.record import DrumSpan, Floats, MetreRows, Verdict
from monitor.core.cure.plan import COLUMNS, COOLING, columns_of, zones_on_path
from monitor.core.cure.stage import CureStage
from monitor.core.drums import Drums
from monitor.core.passages import Passages, edges_m
from monitor.core.stream import StreamFlow
from monitor.core.track import Track

STOOD_S = 10.0
ROWS_TOGETHER = 4  # rows are emitted in multiples of this, which saves work and changes no row


@dataclass(slots=True)
class Rows:
    """Emits each whole metre once, when no message in time can still change its row.

    `next_m` is the first metre of which no row was given out, `without_recipe` the times (UTC s) at which no recipe was
    in force: a metre that was at a required instrument then is not verified.
    """

    line: Line
    next_m: int | None = None
    without_recipe: list[tuple[float, float]] = field(default_factory=lambda: [(-np.inf, np.inf)])

    def judge_by(self, before: Recipe | None, after: Recipe | None, t_s: float) -> None:
        """Another recipe is in force from `t_s` on, or none."""
        if after is None and before is not None:
            self.without_recipe.append((t_s, np.inf))
        elif after is not None and before is None:
            self.without_recipe[-1] = (self.without_recipe[-1][0], t_s)

    def give(
        self, end_s: float, track: Track, flows: Mapping[str, StreamFlow], curing: CureStage, drums: Drums,
        recipes: Mapping[str, Recipe],
    ) -> list[MetreRows]:  # fmt: skip
        """Rows of metres that passed the last place on the path long enough before `end_s`, if there are any yet.

        That place is the take-up; on a bench it is an instrument behind it.
        """
        count = self._count(end_s - curing.delay_s, track, self._beyond_m(flows))
        return self._rows(count, np.inf, track, flows, curing, drums, recipes)

    def give_drum(
        self, end_s: float, cut_m: float, track: Track, flows: Mapping[str, StreamFlow], curing: CureStage,
        drums: Drums, recipes: Mapping[str, Recipe],
    ) -> list[MetreRows]:  # fmt: skip
        """Rows up to where a drum ends at `end_s`, on a bench: the specimen is taken off and meets nothing more."""
        if not self._beyond_m(flows):
            return []
        return self._rows(int(np.floor(cut_m)) - self._begin(track), end_s, track, flows, curing, drums, recipes)

    def _rows(
        self, count: int, upto_s: float, track: Track, flows: Mapping[str, StreamFlow], curing: CureStage,
        drums: Drums, recipes: Mapping[str, Recipe],
    ) -> list[MetreRows]:  # fmt: skip
        """The next rows, from values before `upto_s`."""
        if count <= 0 or self.next_m is None:
            return []
        metres = np.arange(self.next_m, self.next_m + count, dtype=np.float64)
        columns, seen = self._columns(metres, upto_s, track, flows)
        seen &= drums.hold(metres, _with(recipes), 0.5)
        marched = self._marched(recipes)
        if marched:
            columns |= curing.take_columns(self.next_m, count, marched)
            for kind in (COLUMNS, COOLING):
                if kind[0] in columns:
                    seen &= ~np.isnan(columns[kind[0]]) | ~drums.hold(metres, _with(recipes, kind))
        verdict = np.where(seen, np.int8(Verdict.CONFORMING), np.int8(Verdict.UNVERIFIED)).astype(np.int8)
        rows = MetreRows(self.line.line, self.next_m, verdict, columns)
        self.next_m += count
        drums.forget_before(self.next_m)
        return [rows]

    def _count(self, ripe_s: float, track: Track, beyond_m: float) -> int:
        """How many metres had passed by `ripe_s`."""
        offset = self.line.counter_m - self.line.take_up_m - beyond_m
        ripe_m = float(track.at(ripe_s)) + offset
        last = int(np.floor(ripe_m))
        if float(track.at(ripe_s - STOOD_S)) + offset < ripe_m:  # a stopped line gives all that it has
            last = last // ROWS_TOGETHER * ROWS_TOGETHER
        return last - self._begin(track)

    def _begin(self, track: Track) -> int:
        """The next metre: at first the first whole one behind the take-up when the track began."""
        if self.next_m is None:
            self.next_m = int(np.ceil(float(track.L_m[0]) + self.line.counter_m - self.line.take_up_m))
        return self.next_m

    def _beyond_m(self, flows: Mapping[str, StreamFlow]) -> float:
        """How far behind the take-up the last instrument is that rows have a column of; 0 where none is."""
        take_up_m = self.line.take_up_m
        return max([0.0, *(flow.middle_m - take_up_m for flow in flows.values() if flow.cells is not None)])

    def _columns(
        self, metres: Floats, upto_s: float, track: Track, flows: Mapping[str, StreamFlow]
    ) -> tuple[dict[str, Floats], NDArray[np.bool_]]:
        columns: dict[str, Floats] = {}
        seen = np.ones(len(metres), dtype=bool)
        passed = Passages.of(track, self.line.counter_m, self._positions_m(flows), metres).before(upto_s)
        for path, flow in flows.items():
            if flow.settings.required and (flow.cells is not None or flow.heat is not None):
                seen &= self._judged(flow, passed)
            if flow.cells is not None:
                passed_s = passed.at[flow.middle_m]
                mean, least, most = flow.cells.take(int(metres[0]), len(metres), passed_s)
                columns |= {path: mean, f"{path}/min": least, f"{path}/max": most}
            elif flow.heat is not None:
                columns[path] = flow.heat.mean_over([z for z in self.line.zone if z.temperature == path], passed)
            if flow.settings.required and path in columns:
                seen &= ~np.isnan(columns[path])
        for name in dict.fromkeys(z.name for z in self.line.zone):
            columns[f"dwell/{name}"] = passed.dwell_s([z for z in self.line.zone if z.name == name])
        return columns, seen

    def _judged(self, flow: StreamFlow, passed: Passages) -> NDArray[np.bool_]:
        """Whether a recipe was in force all the while each metre was at an instrument or in its zone."""
        if flow.heat is None:
            spans = [(passed.at[flow.middle_m],) * 2]
        else:
            zones = [z for z in self.line.zone if z.temperature == flow.settings.path]
            spans = [(passed.at[z.start_m], passed.at[z.end_m]) for z in zones]
        judged = np.ones(len(passed.metres), dtype=bool)
        for entered_s, left_s in spans:
            for begin_s, end_s in self.without_recipe:
                judged &= ~((entered_s < end_s) & (left_s >= begin_s))
        return judged

    def _positions_m(self, flows: Mapping[str, StreamFlow]) -> Floats:
        """Path positions whose passage a row needs."""
        gauges = {flow.middle_m for flow in flows.values() if flow.cells is not None}
        return np.array(sorted(gauges | set(edges_m(self.line.zone).tolist())))

    def _marched(self, recipes: Mapping[str, Recipe]) -> tuple[str, ...]:
        """Columns that these recipes have worked out by marching cable through the zones."""
        if not zones_on_path(self.line):
            return ()
        return tuple(dict.fromkeys(name for r in recipes.values() for name in columns_of(r)))

    @property
    def needed_from_L_m(self) -> float:
        """The counter's length from which on rows still to be given out need the track."""
        assert self.next_m is not None
        positions_m, take_up_m = [s.position_m for s in self.line.station], self.line.take_up_m
        oldest_m = self.next_m - 2 - self.line.counter_m + min(0.0, *positions_m)
        return oldest_m - (max(take_up_m, *positions_m) - take_up_m)

    def forget_before(self, t_s: float) -> None:
        """No row needs what was in force before."""
        self.without_recipe = [span for span in self.without_recipe if span[1] >= t_s]


def _with(recipes: Mapping[str, Recipe], columns: tuple[str, ...] | None = None) -> Callable[[DrumSpan], bool]:
    """Whether a drum has a recipe that is known, and one that has these columns worked out."""

    def holds(span: DrumSpan) -> bool:
        recipe = recipes.get(span.recipe) if span.revision else None
        return recipe is not None and (columns is None or columns_of(recipe) == columns)

    return holds
