"""When metres of cable passed positions along the path of their line."""

from dataclasses import dataclass

import numpy as np

from monitor.contract.config.line import Zone
from monitor.contract.record import Floats
from monitor.core.track import Track


@dataclass(frozen=True, slots=True)
class Passages:
    """When the middles of some whole metres were at each path position of interest, UTC s."""

    metres: Floats
    at: dict[float, Floats]

    @classmethod
    def of(cls, track: Track, counter_m: float, positions_m: Floats, metres: Floats) -> "Passages":
        """Look all positions up at once."""
        times = track.when((metres + 0.5 - counter_m) + positions_m[:, np.newaxis])
        return cls(metres, dict(zip(positions_m.tolist(), times, strict=True)))

    def before(self, t_s: float) -> "Passages":
        """Those of them that were before a time; NaN for the others."""
        if t_s == np.inf:
            return self
        return Passages(self.metres, {p: np.where(at < t_s, at, np.nan) for p, at in self.at.items()})

    def dwell_s(self, zones: list[Zone]) -> Floats:
        """Time spent in all of these passes together; NaN where an entry was not witnessed."""
        return np.asarray(sum(self.at[z.end_m] - self.at[z.start_m] for z in zones))


def edges_m(zones: list[Zone]) -> Floats:
    """Path positions of both ends of each of these zones."""
    return np.array(sorted({edge for z in zones for edge in (z.start_m, z.end_m)}))
