"""Context of every page: record, configuration, clock, and the gateway for operator actions."""

from dataclasses import dataclass, field

from dashboard.gateway import ActionNumbers, Gateway
from dashboard.jobs import Bench
from dashboard.shared import NewestAnswers, Shared
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe, Window
from monitor.evidence.source import EvidenceSource

ANSWERS_MOST = 8
LINES_MOST = 1000


@dataclass(frozen=True, kw_only=True)
class Context(EvidenceSource):
    """What pages and callbacks need."""

    gateway: Gateway
    numbering: ActionNumbers
    bench: Bench | None = None
    shared: Shared = field(default_factory=Shared)
    ribbons: NewestAnswers = field(
        default_factory=lambda: NewestAnswers(LINES_MOST)
    )  # of `live`, by line, as last known
    answers: NewestAnswers = field(default_factory=lambda: NewestAnswers(ANSWERS_MOST))  # that a page may request again

    @property
    def zone(self) -> str:
        return self.configuration.works.time_zone


def window_of(recipe: Recipe | None, path: str) -> Window | None:
    """The window of a stream in a recipe."""
    return next((w for w in recipe.window if w.stream == path), None) if recipe else None


def shown_streams(line: Line) -> list[str]:
    """Streams worth a trend, in path order; the counter's reading only grows and is left out."""
    place = {s.name: s.middle_m for s in line.station}
    chosen = [s for s in line.stream if s.kind == "samples" and s.path != line.counter.stream]
    speed_first = sorted(chosen, key=lambda s: (s.path != line.counter.speed, place[s.station]))
    return [s.path for s in speed_first]
