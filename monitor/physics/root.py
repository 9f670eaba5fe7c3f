"""Root of a continuous function of one number, between two ends at which its signs differ.

T. R. Chandrupatla, "A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear function without
using derivatives", Advances in Engineering Software 28 (1997) 145-149: inverse quadratic interpolation where the three
last points allow it, bisection elsewhere. Here rather than from scipy.optimize, whose import takes longer than all
else that a monitor needs to start.
"""

import math
import sys
from collections.abc import Callable

RELATIVE = 4 * sys.float_info.epsilon
STEPS = 200  # bisection alone needs 64 at the most for ends of usual size


def root(f: Callable[[float], float], low: float, high: float, tolerance: float) -> float | None:
    """A zero of `f` within `tolerance` (in units of its argument); None where the signs at the ends do not differ.

    Raises ArithmeticError where an end is no number, or nothing is found as of a function that is not continuous.
    """
    a, b = low, high
    f_a, f_b = f(a), f(b)
    if f_a == 0 or f_b == 0:
        return a if f_a == 0 else b
    if math.isnan(f_a) or math.isnan(f_b):
        raise ArithmeticError(f"expected numbers at the ends {low:g} and {high:g}, got {f_a:g} and {f_b:g}")
    if (f_a > 0) == (f_b > 0):
        return None
    share = 0.5  # of the way from a to b, where to look next
    for _ in range(STEPS):
        x = a + share * (b - a)
        f_x = f(x)
        if (f_x > 0) == (f_a > 0):
            c, f_c = a, f_a
        else:
            c, f_c, b, f_b = b, f_b, a, f_a
        a, f_a = x, f_x
        best, f_best = (a, f_a) if abs(f_a) < abs(f_b) else (b, f_b)
        least = (RELATIVE * abs(best) + 0.5 * tolerance) / abs(b - a)
        if f_best == 0 or least > 0.5:
            return best
        share = min(max(_next(a, b, c, f_a, f_b, f_c), least), 1 - least)
    raise ArithmeticError(
        f"expected a zero between {low:g} and {high:g}, got {f_best:g} at {best:g} after {STEPS} steps"
    )


def _next(a: float, b: float, c: float, f_a: float, f_b: float, f_c: float) -> float:
    """Share of the way from a to b: by inverse quadratic interpolation where it is safe, or the middle."""
    xi, phi = (a - b) / (c - b), (f_a - f_b) / (f_c - f_b)
    if not (phi**2 < xi and (1 - phi) ** 2 < 1 - xi):
        return 0.5
    return f_a / (f_b - f_a) * f_c / (f_b - f_c) + (c - a) / (b - a) * f_a / (f_c - f_a) * f_b / (f_c - f_b)
