"""Quantiles and tails of the normal and the chi-squared distribution.

By the functions of scipy.special that scipy.stats uses itself: importing scipy.stats takes longer than starting a page.
"""

from typing import overload

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, gammaincinv, ndtr, ndtri

Floats = NDArray[np.float64]


@overload
def normal_below(x: float) -> float: ...
@overload
def normal_below(x: Floats) -> Floats: ...
def normal_below(x: float | Floats) -> float | Floats:
    """Probability that a standard normal value is below x."""
    return ndtr(x)  # type: ignore[no-any-return]


def normal_quantile(p: float) -> float:
    """The value that a standard normal one is below with probability p."""
    return float(ndtri(p))


def chi_squared_quantile(p: float, freedom: float) -> float:
    """The value that chi-squared with `freedom` degrees of freedom is below with probability p."""
    return 2.0 * float(gammaincinv(freedom / 2, p))


@overload
def chi_squared_above(x: float, freedom: float) -> float: ...
@overload
def chi_squared_above(x: Floats, freedom: float) -> Floats: ...
def chi_squared_above(x: float | Floats, freedom: float) -> float | Floats:
    """Probability that chi-squared with `freedom` degrees of freedom exceeds x."""
    return chdtrc(freedom, x)  # type: ignore[no-any-return]
