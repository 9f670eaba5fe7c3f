"""Times of messages: blocks that are too long, events that are delayed, time without samples.

Stamps are of the publisher's clock and arrivals of ours. The shortest delay ever seen is taken as the difference.
"""

from dataclasses import dataclass, field
from math import inf

import numpy as np

from monitor.contract import rules
from monitor.core.arrival import Block, Message

AT_ONCE_S = 5.0  # R8: by so much longer than the quickest message an event may be under way
SAMPLED_LEAST = 4  # R15: so many messages an outage must have brought before their absence is evidence

Judgement = tuple[str, bool, str]  # rule, whether it is kept, evidence


@dataclass(slots=True, kw_only=True)
class Timing:
    """Stamps and delays of the messages of one line, each when it came first."""

    stamps_s: list[float] = field(default_factory=list)
    longest: tuple[float, str] = (0.0, "")  # duration of a block, s, and whose it is
    calm_since_s: float | None = None  # since when nothing is disturbed
    news: list[tuple[float, float, str]] = field(default_factory=list)  # events: stamp since then, delay, name
    quickest_s: float = inf
    began_s: float | None = None
    outages_s: list[tuple[float, float]] = field(default_factory=list)
    _away_s: float | None = None

    def add(self, message: Message, now_s: float) -> None:
        """A message that came for the first time."""
        name = f"{message.stream.path} n={message.n}"
        self.began_s = now_s if self.began_s is None else self.began_s
        self.stamps_s.append(message.end_s)
        self.quickest_s = min(self.quickest_s, now_s - message.end_s)
        self.longest = max(self.longest, (message.end_s - message.t_s, name))
        if self.calm_since_s is not None and _is_news(message):
            self.news.append((message.t_s - self.calm_since_s, now_s - message.end_s, name))

    def away(self, now_s: float) -> None:
        """The broker is dead from now on."""
        self._away_s = now_s

    def back(self, now_s: float) -> None:
        """The publisher is connected again."""
        if self._away_s is not None:
            self.outages_s.append((self._away_s, now_s))
            self._away_s = None

    def judged(self) -> list[Judgement]:
        """What the whole trial shows of R8 and R15."""
        return [*self._blocks(), *self._sampling()]

    def _blocks(self) -> list[Judgement]:
        span_s, name = self.longest
        long = f"{name}: expected a block of at most {rules.BLOCK_MAX_S:.0f} s, got {span_s:.1f} s"
        found = [("R8", span_s <= rules.BLOCK_MAX_S, long)] if self.stamps_s else []
        delays = [(delay_s, name) for since_s, delay_s, name in self.news if since_s + self.quickest_s >= 0.0]
        if delays:
            delay_s, name = max(delays)
            delay_s -= self.quickest_s
            late = f"{name}: expected at once, came {delay_s:.1f} s later than the quickest message"
            found.append(("R8", delay_s <= AT_ONCE_S, late))
        return found

    def _sampling(self) -> list[Judgement]:
        if self.began_s is None or not self.outages_s:
            return []
        stamps_s, first_s = np.array(self.stamps_s) + self.quickest_s, self.outages_s[0][0]
        before = int(np.count_nonzero((stamps_s >= self.began_s) & (stamps_s < first_s)))
        rate_per_s = before / (first_s - self.began_s)
        found = []
        for start_s, end_s in self.outages_s:
            later = int(np.count_nonzero(stamps_s > end_s))
            if min(later, rate_per_s * (end_s - start_s)) >= SAMPLED_LEAST:
                count = int(np.count_nonzero((stamps_s > start_s) & (stamps_s < end_s)))
                none = f"nothing was sampled in the {end_s - start_s:.1f} s while the broker was away"
                found.append(("R15", count > 0, none))
        return found


def _is_news(message: Message) -> bool:
    """An event or a change: no block of samples that had to be gathered first."""
    return not isinstance(message.body, Block) or (len(message.body.v) == 1 and float(message.body.v[0]) == 1.0)
