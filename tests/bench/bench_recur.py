"""What comes back: a million events, and ten million samples of a diameter beside astropy's Lomb-Scargle."""

import time

import numpy as np
from astropy.timeseries import LombScargle

from monitor.statistics.recurrence import Found, find
from monitor.statistics.waves import above_floor, lomb_scargle

EVENTS, SAMPLES = 1_000_000, 10_000_000
SPACING_M = 0.038  # 100 Hz at 230 m/min
PERIOD_M = 2.513


def main() -> None:
    """Print seconds and ratios."""
    rng = np.random.default_rng(1)
    length = 2_000_000.0
    turns = np.arange(0, length, PERIOD_M)
    mine = turns[rng.random(len(turns)) < 0.12]
    x = np.concatenate((mine, rng.uniform(0, length, EVENTS - len(mine))))
    begun = time.perf_counter()
    found, grid = find(x, 0.4, 20.0, 0.05)
    took = time.perf_counter() - begun
    assert isinstance(found, Found)
    assert grid is not None
    print(f"{EVENTS:,} events on {length / 1000:,.0f} km, {len(mine):,} of a part: {found.period:.5f} m "
          f"({found.low:.5f} to {found.high:.5f}) in {took:.1f} s, {len(grid.score):,} periods")  # fmt: skip
    y = np.sin(2 * np.pi * np.arange(SAMPLES) * SPACING_M / PERIOD_M) * 0.1 + rng.normal(0, 1, SAMPLES)
    y[rng.random(SAMPLES) < 0.1] = np.nan
    begun = time.perf_counter()
    p = lomb_scargle(y, SPACING_M, oversample=2)
    ours = time.perf_counter() - begun
    top = int(np.argmax(p.power))
    seen = np.isfinite(y)
    t, v = np.flatnonzero(seen) * SPACING_M, y[seen]
    begun = time.perf_counter()
    other = LombScargle(t, v).power(p.frequency, method="fast", assume_regular_frequency=True)
    theirs = time.perf_counter() - begun
    exact = LombScargle(t, v).power(p.frequency[top - 1 : top + 2], method="slow")
    print(f"{SAMPLES:,} samples, {len(p.frequency):,} frequencies: {ours:.1f} s; astropy's fast method {theirs:.1f} s, "
          f"{theirs / ours:.1f} times as long")  # fmt: skip
    print(f"at the peak ({1 / p.frequency[top]:.4f} m): ours {p.power[top]:.6e}, theirs {other[top]:.6e}, "
          f"their slow method {exact[1]:.6e}")  # fmt: skip
    print(f"it stands {above_floor(p)[top]:.0f} times above its floor")


if __name__ == "__main__":
    main()
