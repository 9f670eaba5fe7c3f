"""All lines of a works without any input or output: arrivals in, record out."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.contract.config.configuration import Configuration
from monitor.contract.record import Output, Rejected
from monitor.core.arrival import Arrival, Message
from monitor.core.decode import Decoder
from monitor.core.pipeline import Pipeline


@dataclass(slots=True)
class Engine:
    """Decoder and one pipeline a line."""

    configuration: Configuration
    decoder: Decoder = field(init=False)
    pipelines: dict[str, Pipeline] = field(init=False)

    def __post_init__(self) -> None:
        c = self.configuration
        self.decoder = Decoder(c.works.works, c.lines, c.works.wire)
        self.pipelines = {name: Pipeline(line, c.recipes_for(name)) for name, line in c.lines.items()}

    def feed(self, arrivals: Sequence[Arrival]) -> list[Output]:
        """Arrivals in the order they came, of any line."""
        out: list[Output] = []
        by_line: dict[str, list[Message]] = {}
        for arrival in arrivals:
            decoded = self.decoder.decode(arrival)
            if isinstance(decoded, Rejected):
                out.append(decoded)
            else:
                by_line.setdefault(decoded.stream.line, []).append(decoded)
        for line, messages in by_line.items():
            out += self.pipelines[line].feed(messages)
        return out

    def tick(self, now_s: float) -> list[Output]:
        """The wall clock says `now_s`."""
        return [output for pipeline in self.pipelines.values() for output in pipeline.tick(now_s)]
