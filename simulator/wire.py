"""Network fault model: delay, duplication, reordering and optional loss."""

from dataclasses import dataclass, field

import numpy as np

from monitor.contract.record import Floats
from simulator.scenario import Wire

DRAWS = 5


@dataclass(slots=True)
class StreamWire:
    """The way of one stream's messages. It takes the same number of draws for each, however they come together."""

    wire: Wire
    rng: np.random.Generator
    _newest_s: float = field(default=-np.inf)

    def carry(self, ready_s: Floats) -> list[list[float]]:
        """Times at which each message arrives, given when it was ready (rising): none if lost, two if repeated."""
        w = self.wire
        draw = self.rng.random((len(ready_s), DRAWS))
        delay = np.minimum(-w.delay_mean_s * np.log1p(-draw[:, 0]), w.delay_most_s)
        sent = np.maximum.accumulate(np.maximum(ready_s + delay, self._newest_s))
        if len(sent):
            self._newest_s = float(sent[-1])
        late = np.where(draw[:, 1] < w.reordered_share, w.reordered_by_s * draw[:, 4], 0.0)
        sent = sent + late
        again = draw[:, 2] < w.repeated_share
        lost = draw[:, 3] < w.lost_share
        second = sent + w.repeated_after_s * draw[:, 4]
        if not (again.any() or lost.any()):
            return [[s] for s in sent.tolist()]
        return [
            [] if gone else [s, s2] if twice else [s]
            for s, s2, twice, gone in zip(sent.tolist(), second.tolist(), again.tolist(), lost.tolist(), strict=True)
        ]
