"""Cure kinetics of a compound: the Arrhenius time, and the meaning of its index.

The model is an index only: the integral of dt / t90(T), 1 meaning "as far as 90 % on the rheometer". Real silicones
are not of first order (measured: t90/t50 is 1.6 for an addition cure and 4.6 for a peroxide cure, first order says
3.32; J. Jalkanen, Thermochimica Acta 703 (2021) 178982), so away from 1 an index is no conversion. Self-heating and
the memory of scorch are left out.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

R_J_molK = 8.314462618
ZERO_C_K = 273.15


@dataclass(frozen=True, slots=True)
class Rate:
    """A time that shortens with temperature: time(T) = time_s exp(Ea/R (1/T - 1/T_ref)), T in kelvin."""

    time_s: float
    reference_C: float
    activation_J_mol: float

    def rate_1_s(self, T_C: Floats) -> Floats:
        """1 / time [1/s] at temperatures [degC], any shape."""
        E = self.activation_J_mol / R_J_molK
        ceiling = E / (self.reference_C + ZERO_C_K) - np.log(self.time_s)
        return np.asarray(np.exp(ceiling - E / (np.asarray(T_C) + ZERO_C_K)))

    def time_at_s(self, T_C: Floats) -> Floats:
        """The time [s] at temperatures [degC], any shape."""
        return np.asarray(1.0 / self.rate_1_s(T_C))
