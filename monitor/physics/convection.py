"""Film coefficients from correlations, each with its source and its range; outside the range the estimate says so.

They are a first guess: the index moves by a factor of about 1.6 for 15 % of the oven's coefficient while the surface
moves by some 11 K, so calibrate on one measured surface temperature.
"""

from dataclasses import dataclass

import numpy as np

STEFAN_BOLTZMANN_W_m2K4 = 5.670374419e-8  # CODATA 2018
ZERO_C_K = 273.15
ALONG = "along a moving wire, Kase and Matsuo 1965, Re 0.5 to 50"
ACROSS = "across a cylinder, Churchill and Bernstein 1977, Re Pr above 0.2, Re below 1e7"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A film coefficient [W/m2K]; `outside` says in words which range the correlation left, empty when inside."""

    film_W_m2K: float
    reynolds: float
    outside: str
    source: str


@dataclass(frozen=True, slots=True)
class Air:
    """Dry air at 1 atm: kinematic viscosity [m2/s], conductivity [W/mK], Prandtl number [1]."""

    viscosity_m2_s: float
    conductivity_W_mK: float
    prandtl: float


def air(T_C: float) -> Air:
    """Properties of air at T [degC], -50..800, by Sutherland's law and the ideal gas (F. M. White, Viscous Fluid Flow).

    Heat capacity by a straight line between 1006 J/kgK at 300 K and 1099 at 800 K (values from memory), within 1 %.
    """
    if not -50 <= T_C <= 800:
        raise ValueError(f"expected air between -50 and 800 degC, got {T_C}")
    T = T_C + ZERO_C_K
    viscosity = 1.716e-5 * (T / 273.15) ** 1.5 * (273.15 + 110.4) / (T + 110.4)
    conductivity = 0.0241 * (T / 273.15) ** 1.5 * (273.15 + 194.0) / (T + 194.0)
    density = 101325.0 / (287.05 * T)
    heat = 1006.0 + max(T - 300.0, 0.0) * (1099.0 - 1006.0) / 500.0
    return Air(viscosity / density, conductivity, viscosity * heat / conductivity)


def along_moving_wire(diameter_m: float, speed_m_s: float, film_C: float, cross_m_s: float = 0.0) -> Estimate:
    """A thin wire that moves along itself through air, with a cross wind: Nu = 0.42 Re^(1/3) (1 + (8 vy/v)^2)^(1/6).

    S. Kase, T. Matsuo, J. Polymer Science A 3 (1965) 2541 (from memory), from heated wires of 0.2 mm and melt spinning:
    Re 0.5..50 on the diameter, vy below v. `film_C` is the mean of surface and air.
    """
    if diameter_m <= 0 or speed_m_s <= 0 or cross_m_s < 0:
        raise ValueError(f"expected diameter > 0, speed > 0, cross >= 0, got {diameter_m}, {speed_m_s}, {cross_m_s}")
    gas = air(film_C)
    Re = speed_m_s * diameter_m / gas.viscosity_m2_s
    Nu = 0.42 * Re ** (1 / 3) * (1 + (8 * cross_m_s / speed_m_s) ** 2) ** (1 / 6)
    out = [] if 0.5 <= Re <= 50 else [f"Re {Re:.0f} is outside 0.5..50"]
    out += [f"cross wind {cross_m_s:g} m/s exceeds the speed"] if cross_m_s > speed_m_s else []
    return Estimate(Nu * gas.conductivity_W_mK / diameter_m, Re, "; ".join(out), ALONG)


def across_cylinder(diameter_m: float, wind_m_s: float, film_C: float) -> Estimate:
    """Air across a cylinder. S. W. Churchill, M. Bernstein, J. Heat Transfer 99 (1977) 300; Re Pr > 0.2, Re < 1e7.

    Nu = 0.3 + 0.62 Re^(1/2) Pr^(1/3) / (1 + (0.4/Pr)^(2/3))^(1/4) * (1 + (Re/282000)^(5/8))^(4/5).
    """
    if diameter_m <= 0 or wind_m_s < 0:
        raise ValueError(f"expected diameter > 0 m and wind >= 0 m/s, got {diameter_m} and {wind_m_s}")
    gas = air(film_C)
    Re = wind_m_s * diameter_m / gas.viscosity_m2_s
    out = [] if Re * gas.prandtl >= 0.2 else [f"Re Pr {Re * gas.prandtl:.2g} is below 0.2"]
    out += [f"Re {Re:.0f} exceeds 1e7"] if Re > 1e7 else []
    return Estimate(
        churchill_bernstein(Re, gas.prandtl) * gas.conductivity_W_mK / diameter_m, Re, "; ".join(out), ACROSS
    )


def churchill_bernstein(reynolds: float, prandtl: float) -> float:
    """Nusselt number [1] of a cylinder in cross flow; see `across_cylinder`."""
    laminar = 0.62 * reynolds**0.5 * prandtl ** (1 / 3) / (1 + (0.4 / prandtl) ** (2 / 3)) ** 0.25
    return float(0.3 + laminar * (1 + (reynolds / 282000.0) ** 0.625) ** 0.8)


def radiation_film_W_m2K(emissivity: float, surface_C: float, around_C: float) -> float:
    """Radiation as a film coefficient, eps sigma (Ts + Ta)(Ts^2 + Ta^2): exact at these two temperatures only."""
    Ts, Ta = surface_C + ZERO_C_K, around_C + ZERO_C_K
    return float(emissivity * STEFAN_BOLTZMANN_W_m2K4 * (Ts + Ta) * (Ts * Ts + Ta * Ta))


def in_air(
    diameter_m: float, speed_m_s: float, air_C: float, surface_C: float, cross_m_s: float = 0.0, emissivity: float = 0.9
) -> Estimate:
    """Film coefficient of a moving cable in hot or cool air: along the wire or across it, the larger, plus radiation.

    Walls are taken at the temperature of the air.
    """
    mean_C = (air_C + surface_C) / 2
    along = along_moving_wire(diameter_m, speed_m_s, mean_C, cross_m_s)
    across = across_cylinder(diameter_m, cross_m_s, mean_C)
    best = max(along, across, key=lambda e: e.film_W_m2K) if cross_m_s > 0 else along
    radiated = radiation_film_W_m2K(emissivity, surface_C, air_C)
    return Estimate(float(np.round(best.film_W_m2K + radiated, 6)), best.reynolds, best.outside, best.source)
