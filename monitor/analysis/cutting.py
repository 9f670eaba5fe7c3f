"""Optimal cutting of drums to reels, with bad metres and their margins removed.

A drum is unwound from its outer end; good pieces between bad ones are cut into stock lengths and orders. Each piece is
a knapsack, orders tie pieces together: an integer programme, solved by HiGHS through scipy.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.contract.number_format import exact
from monitor.contract.record import FillingKey

LIMIT_S = 20.0


@dataclass(frozen=True, slots=True)
class Good:
    """A good piece of a drum, in metres from its outer end: the order in which it is unwound."""

    drum: FillingKey
    start_m: float
    end_m: float

    @property
    def length_m(self) -> float:
        return self.end_m - self.start_m


@dataclass(frozen=True, slots=True)
class ReelLength:
    """An ordered length: `worth` each, at most `wanted` of them (None: any number); `order` names whose."""

    length_m: float
    worth: float
    wanted: int | None = None
    order: str = "stock"


@dataclass(frozen=True, slots=True)
class Cut:
    """One reel: from `start_m` to `end_m` from the drum's outer end."""

    drum: FillingKey
    start_m: float
    end_m: float
    order: str


@dataclass(frozen=True, slots=True)
class CuttingPlan:
    """Cuts in unwinding order, the rest, the value, and the bound on the gap to the optimum (0: proven optimal)."""

    cuts: tuple[Cut, ...]
    left: tuple[Good, ...]
    worth: float
    gap: float

    @property
    def cut_m(self) -> float:
        return sum(c.end_m - c.start_m for c in self.cuts)


def good_pieces(
    drum: FillingKey, length_m: float, bad: Sequence[tuple[float, float]], guard_m: float, least_m: float = 0.0
) -> list[Good]:
    """Pieces between bad intervals (from the outer end) widened by a guard on both sides; shorter ones are left out."""
    reach, found = 0.0, []
    for start, end in sorted(bad):
        if start - guard_m - reach > least_m:
            found.append(Good(drum, reach, start - guard_m))
        reach = max(reach, end + guard_m)
    if length_m - reach > least_m:
        found.append(Good(drum, reach, length_m))
    return found


def plan(
    pieces: Sequence[Good], lengths: Sequence[ReelLength], kerf_m: float = 0.0, limit_s: float = LIMIT_S
) -> CuttingPlan:
    """Cuts of greatest value; `kerf_m` is lost at each cut. Raises ValueError for an invalid length.

    Variables: how many of each length from each piece. The gap is HiGHS's own, of what was found to what could be.
    """
    if any(x.length_m <= 0 or x.worth < 0 for x in lengths):
        raise ValueError("a length must be greater than 0 and be worth 0 or more")
    pairs = [(i, j) for i, p in enumerate(pieces) for j, x in enumerate(lengths) if x.length_m <= p.length_m + 1e-9]
    if not pairs:
        return CuttingPlan((), tuple(pieces), 0.0, 0.0)
    most = [_most(pieces[i], lengths[j], kerf_m) for i, j in pairs]
    solved = _solved(pieces, lengths, pairs, most, kerf_m, limit_s)
    if solved.x is None:
        raise ValueError(f"no cuts were found within {exact(limit_s)} s: {solved.message}")
    counts = {pair: round(n) for pair, n in zip(pairs, solved.x, strict=True)}
    return _laid_out(pieces, lengths, counts, kerf_m, float(solved.mip_gap or 0.0))


def _solved(
    pieces: Sequence[Good], lengths: Sequence[ReelLength], pairs: Sequence[tuple[int, int]], most: Sequence[int],
    kerf_m: float, limit_s: float,
) -> Any:  # fmt: skip
    """How many of each pair of piece and length, as scipy's result: no piece cut beyond its end, no length beyond what
    is wanted of it.
    """
    from scipy.optimize import LinearConstraint, milp  # here, since importing it takes longer than starting a page
    from scipy.sparse import coo_matrix

    rows: list[int] = []
    columns: list[int] = []
    values: list[float] = []
    upper: list[float] = []
    for i, piece in enumerate(pieces):
        for k, (of, j) in enumerate(pairs):
            if of == i:
                rows.append(len(upper))
                columns.append(k)
                values.append(lengths[j].length_m + kerf_m)
        upper.append(piece.length_m + kerf_m + 1e-9)
    for j, length in enumerate(lengths):
        if length.wanted is not None:
            for k, (_, of) in enumerate(pairs):
                if of == j:
                    rows.append(len(upper))
                    columns.append(k)
                    values.append(1.0)
            upper.append(float(length.wanted))
    matrix = coo_matrix((values, (rows, columns)), shape=(len(upper), len(pairs))).tocsr()
    worth = np.array([lengths[j].worth for _, j in pairs])
    return milp(
        -worth, constraints=LinearConstraint(matrix, -np.inf, upper), integrality=np.ones(len(pairs)),
        bounds=(np.zeros(len(pairs)), np.array(most, dtype=float)), options={"time_limit": limit_s},
    )  # fmt: skip


def _most(piece: Good, length: ReelLength, kerf_m: float) -> int:
    fits = int((piece.length_m + kerf_m + 1e-9) / (length.length_m + kerf_m))
    return fits if length.wanted is None else min(fits, length.wanted)


def _laid_out(
    pieces: Sequence[Good], lengths: Sequence[ReelLength], counts: dict[tuple[int, int], int], kerf_m: float, gap: float
) -> CuttingPlan:
    """Longest first within a piece: what is left over is at its inner end, in one."""
    cuts, left, worth = [], [], 0.0
    for i, piece in enumerate(pieces):
        at = piece.start_m
        for j in sorted(range(len(lengths)), key=lambda j: -lengths[j].length_m):
            for _ in range(counts.get((i, j), 0)):
                cuts.append(Cut(piece.drum, at, at + lengths[j].length_m, lengths[j].order))
                at += lengths[j].length_m + kerf_m
                worth += lengths[j].worth
        if piece.end_m - at > 1e-6:
            left.append(Good(piece.drum, at, piece.end_m))
    return CuttingPlan(tuple(cuts), tuple(left), worth, gap)


def in_order(pieces: Sequence[Good], lengths: Sequence[ReelLength], kerf_m: float = 0.0) -> CuttingPlan:
    """Greedy plan for comparison: the longest ordered length that still fits, piece by piece."""
    left_wanted = {j: math.inf if x.wanted is None else x.wanted for j, x in enumerate(lengths)}
    counts: dict[tuple[int, int], int] = {}
    for i, piece in enumerate(pieces):
        room = piece.length_m
        for j in sorted(left_wanted, key=lambda j: -lengths[j].length_m):
            while left_wanted[j] > 0 and lengths[j].length_m <= room + 1e-9:
                counts[i, j] = counts.get((i, j), 0) + 1
                left_wanted[j] -= 1
                room -= lengths[j].length_m + kerf_m
    return _laid_out(pieces, lengths, counts, kerf_m, math.nan)
