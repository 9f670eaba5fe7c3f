"""Periods in positions of events, with the chance of a false alarm corrected for the search.

Harmonics are summed as in the H-test (de Jager, Raubenheimer and Swanepoel 1989): one mark a turn is sharp, a soft one
is not. Long cable is cut into stretches whose powers are added, so a part that wears is still found.
Metres may be seconds: every function takes any clock.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from monitor.contract.number_format import percent, significant
from monitor.contract.record import Floats
from monitor.statistics.distributions import chi_squared_above, chi_squared_quantile

HARMONICS = 8
CANDIDATES = 400 * HARMONICS  # of the highest scores, among which peaks are looked for
FEWEST = 6  # events; with fewer nothing is reported
FEWEST_TURNS = 4
COHERENT = 100_000  # resolution cells of the longest period's clock in one stretch
ALPHA = 0.01
MANY = 20_000  # events that a period is refined on, of more
SURE = 1e-5  # chance below which a longer period is accepted
EVEN = 0.25  # share of the shorter turn's power that a longer one's own harmonics must have
WIDE = 1.6  # powers of several harmonics fall slower than twice a log likelihood: measured on seeded cable


# ---- circular statistics -----------------------------------------------------------------------------------------


def mean_resultant(angles_rad: ArrayLike) -> tuple[float, float]:
    """Length of the mean direction's vector (0 to 1), and its angle [rad]."""
    z = np.exp(1j * np.asarray(angles_rad, dtype=np.float64)).mean()
    return float(np.abs(z)), float(np.angle(z) % (2 * np.pi))


def rayleigh_p(n: int, length: float) -> float:
    """Chance of a mean vector at least so long among n uniform angles (Mardia and Jupp 2000, series of Wilkie 1983)."""
    z = n * length**2
    more = 1.0
    if n < 50:
        more += (2 * z - z**2) / (4 * n) - (24 * z - 132 * z**2 + 76 * z**3 - 9 * z**4) / (288 * n**2)
    return min(1.0, max(0.0, math.exp(-z) * more))


def h_statistic(powers: Floats) -> Floats:
    """H of cumulative powers: `powers` (harmonics, m) are 2 n R_k^2; the largest of sum - 4k + 4."""
    k = np.arange(1, len(powers) + 1)[:, None]
    best: Floats = (np.cumsum(powers, axis=0) - 4 * k + 4).max(axis=0)
    return best


# ---- the search --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Periodogram:
    """A grid of frequencies with its statistic: `score` is -ln of the chance at one frequency, harmonics counted."""

    frequency: Floats
    score: Floats
    trials: float
    stretches: int

    @property
    def period(self) -> Floats:
        return 1.0 / self.frequency

    def false_alarm(self, score: float) -> float:
        """Chance that pure noise scores as high anywhere in the search."""
        return -math.expm1(-min(self.trials * math.exp(-score), 700.0)) if score > 0 else 1.0


@dataclass(frozen=True, slots=True)
class Rival:
    """Another period above the noise, and its relation to the one found."""

    period: float
    false_alarm: float
    relation: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A period with its 95 % interval; `share` of the events keep it; `phase` is where in the turn they lie."""

    period: float
    low: float
    high: float
    phase: float
    share: float
    score: float
    false_alarm: float
    count: int
    turns: float
    harmonics: int
    rivals: tuple[Rival, ...]


@dataclass(frozen=True, slots=True)
class NoPeriod:
    """Why no period is named; `best` is the one that came nearest, if any was looked at."""

    why: str
    best: float | None = None
    false_alarm: float | None = None


def periodogram(positions: ArrayLike, least: float, most: float, resolution: float) -> Periodogram:
    """Scores over all periods from `least` to `most`, in the unit of the positions (n,).

    `resolution` is how exactly a position is known; harmonics finer than four of it are left out. ValueError for a
    range that is none.
    """
    x = np.sort(np.asarray(positions, dtype=np.float64))
    if not 0 < least < most or resolution <= 0:
        raise ValueError(f"expected 0 < least < most and a resolution > 0, got {least}, {most}, {resolution}")
    top = max(1 / (4 * resolution), 1 / least)
    stretch = max(COHERENT * resolution, 20 * most)
    count = max(1, math.ceil((x[-1] - x[0]) / stretch)) if len(x) else 1
    length = max((x[-1] - x[0]) / count, most) if len(x) else most
    step = 1 / (2 * HARMONICS * length)
    first, last = max(1, math.ceil(1 / most / step)), math.floor(1 / least / step)
    places = np.arange(first, last + 1)
    powers = np.zeros((HARMONICS, len(places)))
    used = 0
    for part in _parts(x, count):
        if len(part):
            used += 1
            powers += _powers(part - part[0], places, step, top)
    return Periodogram(places * step, _score(powers, max(used, 1)), (last - first + 1) / 4, max(used, 1))


def _parts(x: Floats, count: int) -> list[Floats]:
    if count == 1:
        return [x]
    edges = np.linspace(x[0], x[-1], count + 1)[1:-1]
    return np.split(x, np.searchsorted(x, edges))


def _powers(x: Floats, places: NDArray[np.int64], step: float, top: float) -> Floats:
    """2 n R_k^2 of each harmonic at each frequency, by one transform of the events in fine bins."""
    from scipy.fft import next_fast_len  # here, since most who import this module fold and search nothing

    size = next_fast_len(math.ceil(8 * top / step), real=True)
    bin_ = 1 / (step * size)
    at = x / bin_
    low = np.floor(at).astype(np.int64)
    part = at - low
    counts = np.bincount(low, 1 - part, minlength=size) + np.bincount(low + 1, part, minlength=size + 1)[:size]
    most = math.floor(top / step)
    found = np.abs(np.fft.rfft(counts)[: most + 1]) ** 2
    powers = np.zeros((HARMONICS, len(places)))
    for k in range(1, HARMONICS + 1):
        inside = places * k <= most
        powers[k - 1, inside] = found[places[inside] * k] * 2 / len(x)
    return powers


def _score(powers: Floats, stretches: int) -> Floats:
    """-ln of the chance: H for one stretch, the best of chi-squared sums over harmonics for many."""
    if stretches == 1:
        score: Floats = 0.4 * np.maximum(h_statistic(powers), 0.0)
        return score
    total = np.cumsum(powers, axis=0)
    best = np.zeros(powers.shape[1])
    for k in range(1, HARMONICS + 1):
        freedom = 2 * stretches * k
        normal = ((total[k - 1] / freedom) ** (1 / 3) - (1 - 2 / (9 * freedom))) / math.sqrt(2 / (9 * freedom))
        near = np.flatnonzero(normal > 3)
        best[near] = np.maximum(best[near], -log_tail(total[k - 1, near], freedom) - math.log(HARMONICS))
    return best


def log_tail(x: Floats, freedom: float) -> Floats:
    """ln of the chance that chi-squared with an even `freedom` exceeds x, far out in the tail too."""
    with np.errstate(divide="ignore"):
        found = np.log(chi_squared_above(np.asarray(x, dtype=np.float64), freedom))
    far = ~np.isfinite(found)
    h, d = x[far] / 2, freedom / 2
    found[far] = -h + (d - 1) * np.log(h) - gammaln(d) - np.log1p(-(d - 1) / h)
    return found


def find(
    positions: ArrayLike, least: float, most: float, resolution: float, alpha: float = ALPHA
) -> tuple[Found | NoPeriod, Periodogram | None]:
    """The longest period that explains the events (n,), or why none is named, and the periodogram.

    Folding cannot distinguish a period from its half or third: of those with equal scores the longest is reported.
    """
    x = np.sort(np.asarray(positions, dtype=np.float64))
    if len(x) < FEWEST:
        return NoPeriod(f"only {len(x)} events: at least {FEWEST} are needed"), None
    most = min(most, (x[-1] - x[0]) / FEWEST_TURNS)
    if most <= least:
        return NoPeriod("the events are too close together for the periods asked for"), None
    p = periodogram(x, least, most, resolution)
    peaks = _peaks(p)
    if not peaks:
        return NoPeriod("no period stands out"), p
    best = peaks[0]
    chance = p.false_alarm(float(p.score[best]))
    if chance > alpha:
        why = f"no significant period: the best has a false-alarm probability of 1 in {significant(1 / chance)}"
        return NoPeriod(why, float(p.period[best]), chance), p
    return _found(x, p, best, peaks, resolution, most), p


def _peaks(p: Periodogram, count: int = 12) -> list[int]:
    """Places of the highest scores that lie apart, highest first."""
    high = np.arange(len(p.score))
    if len(high) > CANDIDATES:
        high = np.argpartition(p.score, -CANDIDATES)[-CANDIDATES:]
    order = high[np.argsort(p.score[high])[::-1]]
    found: list[int] = []
    for i in order.tolist():
        if p.score[i] > 0 and all(abs(i - j) > 4 * HARMONICS for j in found):
            found.append(i)
            if len(found) == count:
                break
    return found


@dataclass(frozen=True, slots=True)
class _Fold:
    """Events in stretches, and how many harmonics of a frequency they can show."""

    parts: list[Floats]
    top: float
    step: float

    def harmonics(self, f: float) -> int:
        return max(1, min(2 * HARMONICS, int(self.top / f)))

    def powers(self, frequency: Floats, harmonics: int) -> Floats:
        """2 n R_k^2 (harmonics, m) summed over the stretches."""
        found = np.zeros((harmonics, len(frequency)))
        for x in self.parts:
            turn = np.exp(2j * np.pi * np.outer(frequency, x - x[0]))
            whole = np.ones_like(turn)
            for k in range(harmonics):
                whole *= turn
                found[k] += 2 / len(x) * np.abs(whole.sum(axis=1)) ** 2
        return found

    def refined(self, f: float) -> float:
        """The frequency nearby at which the harmonics have most power."""
        fine = f + np.linspace(-1.5 * self.step, 1.5 * self.step, 41)
        fine = fine[fine > 0]
        return float(fine[np.argmax(self.powers(fine, self.harmonics(f)).sum(axis=0))])

    def longer(self, f: float, q: int) -> bool:
        """Whether the period of `f` is accepted rather than a q-th of it.

        The harmonics that a q-th of the turn would not have must have power beyond chance, and not much less of it
        each than those it would have: faults in bursts have some at every long period.
        """
        n = self.harmonics(f)
        own, shared = [k for k in range(1, n + 1) if k % q], list(range(q, n + 1, q))
        if not shared or not own:
            return False
        power = self.powers(np.array([f]), n)[:, 0]
        mine, theirs = (np.array([power[k - 1] for k in ks]) for ks in (own, shared))
        chance = float(chi_squared_above(mine.sum(), 2 * len(own) * len(self.parts)))
        return chance < SURE and bool(mine.mean() > EVEN * theirs.mean())


def _settled(fold: _Fold, f: float, most: float) -> float:
    """The whole turn's frequency: a longer turn where its other harmonics have power, then as short as they allow."""
    f = fold.refined(f)
    for q in range(HARMONICS, 1, -1):
        longer = fold.refined(f / q) if q / f <= most else 0.0
        if longer and fold.longer(longer, q):
            f = longer
            break
    for q in (2, 3, 5, 7, 2, 3, 2):
        if fold.harmonics(f) >= q and not fold.longer(f, q):
            f = fold.refined(f * q)
    return f


def _found(x: Floats, p: Periodogram, place: int, peaks: list[int], resolution: float, most: float) -> Found:
    step = float(p.frequency[1] - p.frequency[0])
    few = x if len(x) <= MANY else np.sort(np.random.default_rng(1).choice(x, MANY, replace=False))
    parts = [part for part in _parts(few, p.stretches) if len(part)]
    fold = _Fold(parts, 1 / (4 * resolution), step)
    f = _settled(fold, float(p.frequency[place]), most)
    used = fold.harmonics(f)
    fine = f + np.linspace(-2 * step, 2 * step, 401)
    z = fold.powers(fine, used).sum(axis=0)
    at = int(np.argmax(z))
    inside = fine[z >= z[at] - WIDE * chi_squared_quantile(0.95, 1)]
    f, half = float(fine[at]), max(float(inside[-1] - inside[0]) / 2, step / 100)
    turn = np.exp(2j * np.pi * f * (x - x[0]))
    share = float(np.abs(turn.mean())) if p.stretches == 1 else float(np.sqrt(max(z[at] / used / 2 / len(few), 0.0)))
    phase = float((np.angle(turn.mean()) / (2 * np.pi) + f * x[0]) % 1.0)
    rivals = tuple(
        Rival(float(p.period[i]), p.false_alarm(float(p.score[i])), _relation(float(p.frequency[i]), f, step))
        for i in peaks
        if abs(p.frequency[i] - f) > 3 * step and p.false_alarm(float(p.score[i])) < 0.05
    )
    score = float(p.score[place])
    return Found(
        period=1 / f,
        low=1 / (f + half),
        high=1 / (f - half),
        phase=phase,
        share=share,
        score=score,
        false_alarm=p.false_alarm(score),
        count=len(x),
        turns=float(x[-1] - x[0]) * f,
        harmonics=used,
        rivals=rivals[:6],
    )


FRACTIONS = {2: "its half", 3: "its third", 4: "its quarter"}


def _relation(f: float, found: float, step: float) -> str:
    """Relation of a frequency to the one found: a part of its turn, a multiple, or a fraction of small numbers."""
    for b in range(1, HARMONICS + 1):
        for a in range(1, HARMONICS + 1):
            if math.gcd(a, b) == 1 and abs(f * a - b * found) < (a + b) * step:
                whole = FRACTIONS.get(b, f"1/{b} of it") if a == 1 else f"{a} times it"
                return whole if a == 1 or b == 1 else f"{a}/{b} of it"
    return "another"


# ---- phase along the cable ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drift:
    """Phase of successive stretches (k,) in turns, unwound; `period_change` over all of them, relative."""

    at: Floats
    phase: Floats
    period_change: float
    straight: bool


def drift(positions: ArrayLike, period: float, stretches: int = 8) -> Drift | None:
    """How the phase moves along the cable; None with fewer than five events in most stretches."""
    x = np.sort(np.asarray(positions, dtype=np.float64))
    parts = [part for part in _parts(x, stretches) if len(part) >= 5]
    if len(parts) < max(3, stretches // 2):
        return None
    at = np.array([part.mean() for part in parts])
    z = np.array([np.exp(2j * np.pi * part / period).mean() for part in parts])
    phase = np.unwrap(np.angle(z)) / (2 * np.pi)
    bend = np.polyfit(at - at[0], phase, 2)
    residual = phase - np.polyval(np.polyfit(at - at[0], phase, 1), at - at[0])
    # phase = x/P - turns(x), so its second derivative is the growth of the period over P^2
    change = 2 * bend[0] * (x[-1] - x[0]) * period
    return Drift(at, phase, float(change), bool(np.abs(residual).max() < 0.1))


# ---- which clock -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Clock:
    """The clock of the events: `metres`, `seconds`, or `undetermined`, and a sentence why."""

    word: str
    why: str


def which_clock(
    metres: Found | NoPeriod, seconds: Found | NoPeriod, x_m: ArrayLike, t_s: ArrayLike, speed_spread: float
) -> Clock:
    """From what was found on either clock for the same events (n,), and the speed's deviation over its mean.

    Both periods are judged by as many harmonics over the same stretches of events. Evidence is in log chances: a
    difference of 7 is a factor of a thousand.
    """
    if isinstance(metres, NoPeriod) and isinstance(seconds, NoPeriod):
        return Clock("undetermined", "no period in distance or in time")
    known = [f for f in (metres, seconds) if isinstance(f, Found)]
    harmonics = min(f.harmonics for f in known)
    a, b = (_evidence(x, f, harmonics) for x, f in ((x_m, metres), (t_s, seconds)))
    if abs(a - b) < 7.0:
        little = (
            f"the speed changed by {percent(speed_spread, 1)} only"
            if speed_spread < 0.05
            else "the speed changes do not separate them"
        )
        return Clock("undetermined", f"distance and time fit equally well; {little}")
    word, other = ("metres", "seconds") if a > b else ("seconds", "metres")
    return Clock(word, f"{word} fit {significant(math.exp(min(abs(a - b), 60)))} times better than {other}")


def _evidence(positions: ArrayLike, found: Found | NoPeriod, harmonics: int) -> float:
    period = found.period if isinstance(found, Found) else found.best
    if period is None:
        return 0.0
    x = np.sort(np.asarray(positions, dtype=np.float64))[:MANY]
    parts = [part for part in np.array_split(x, max(1, len(x) // 500)) if len(part)]
    fold = _Fold(parts, math.inf, 1 / (8 * harmonics * max(float(x[-1] - x[0]), period)))
    fine = 1 / period + np.linspace(-2 * fold.step, 2 * fold.step, 81)
    return float(fold.powers(fine[fine > 0], harmonics).sum(axis=0).max()) / 2


@dataclass(frozen=True, slots=True)
class ByShift:
    """Events and length by shift name, and the chance that one rate made them all (chi-squared)."""

    names: tuple[str, ...]
    counts: tuple[int, ...]
    lengths: tuple[float, ...]
    chance: float


def by_shift(names: Sequence[str], counts: Sequence[int], lengths: Sequence[float]) -> ByShift:
    """Whether events are more frequent in one shift than in others, per length produced."""
    n, length = np.asarray(counts, dtype=float), np.asarray(lengths, dtype=float)
    expected = n.sum() * length / length.sum()
    good = expected > 0
    statistic = float(((n - expected)[good] ** 2 / expected[good]).sum())
    chance = float(chi_squared_above(statistic, max(int(good.sum()) - 1, 1))) if good.sum() > 1 else 1.0
    return ByShift(tuple(names), tuple(int(x) for x in counts), tuple(float(x) for x in lengths), chance)
