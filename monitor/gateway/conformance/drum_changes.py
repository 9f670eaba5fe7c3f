"""Drum and pay-off changes of a publisher under trial: what R23 does not allow, as far as the messages show it."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from monitor.contract.messages import DrumChange, PayoffChange
from monitor.core.arrival import Message


@dataclass(slots=True)
class DrumChanges:
    """The drum that is on, and the newest one of each pay-off with its stamp."""

    on: DrumChange | None = None
    paid_off: dict[str, PayoffChange] = field(default_factory=dict)

    def take(self, message: Message) -> Iterator[tuple[bool, str]]:
        """Whether a message that came for the first time keeps the rule, with evidence."""
        body, name = message.body, f"{message.stream.path} n={message.n}"
        if isinstance(body, DrumChange):
            on, self.on = self.on, body
            same = on is not None and body.drum is not None and on.drum == body.drum
            other = same and on is not None and body.recipe not in ("", on.recipe)
            yield not other, f"{name}: drum {body.drum} is on already; got another recipe without null between"
        elif isinstance(body, PayoffChange):
            before = self.paid_off.get(message.stream.station)
            self.paid_off[message.stream.station] = body
            again = before is not None and (before.drum, before.t) == (body.drum, body.t)
            yield not again, f"{name}: the pay-off change to {body.drum} was sent before, under another number"
