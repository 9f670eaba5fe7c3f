"""The engine: evaluates the messages of some lines, without any input or output. Live, replay and rehearsal run it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from monitor.contract.config.configuration import Configuration
from monitor.contract.record import Output
from monitor.core.arrival import LineArrival, Tick
from monitor.core.pipeline import Pipeline


@dataclass(slots=True)
class Engine:
    """Each line has a pipeline of its own: one may be replaced or removed while the others go on."""

    pipelines: dict[str, Pipeline]

    @classmethod
    def of(cls, configuration: Configuration, lines: Iterable[str] | None = None) -> "Engine":
        """These lines, or all, with nothing received yet."""
        names = configuration.lines if lines is None else lines
        return cls(
            {name: Pipeline(line=configuration.lines[name], recipes=configuration.recipes_for(name)) for name in names}
        )

    def feed(self, arrivals: Mapping[str, Sequence[LineArrival]]) -> list[Output]:
        """Messages by line, each in order of arrival; returns what they add to the record."""
        return [output for line, of_line in arrivals.items() for output in self.pipelines[line].feed(of_line)]

    def tick(self, now_s: float) -> list[Output]:
        """The wall clock reads `now_s`."""
        return self.feed({line: [Tick(now_s)] for line in self.pipelines})

    def silent(self, now_s: float) -> list[str]:
        """Lines that are to be reported as silent at `now_s`, and have not been yet: they wait for a tick."""
        return [line for line, pipeline in self.pipelines.items() if pipeline.silence.is_due(now_s)]
