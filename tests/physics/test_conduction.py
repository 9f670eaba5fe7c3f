"""Heat through the wall, held to eigenvalues, worked examples and laws from outside."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from monitor.physics.conduction import Wall
from tests.physics.reference import volumes

# Infinite cylinder, first root of zeta J1 = Bi J0 (Incropera, Fundamentals of Heat and Mass Transfer, table 5.1, from
# memory, equal to the roots to 4 decimals).
CYLINDER = {
    0.01: 0.1412, 0.02: 0.1995, 0.05: 0.3143, 0.1: 0.4417, 0.15: 0.5376, 0.2: 0.6170, 0.3: 0.7465, 0.4: 0.8516,
    0.5: 0.9408, 0.6: 1.0184, 0.8: 1.1490, 1.0: 1.2558, 2.0: 1.5994, 3.0: 1.7887, 4.0: 1.9081, 5.0: 1.9898,
    10.0: 2.1795, 20.0: 2.2880, 50.0: 2.3572, 100.0: 2.3809,
}  # fmt: skip
PINHOLE = 1e-4  # inner radius over outer: the wall has a core; as it shrinks the wall becomes a solid cylinder


def cylinder(nodes: int = 24) -> Wall:
    """A solid cylinder of unit radius, diffusivity and conductivity, but for a pinhole without heat."""
    return Wall.of(PINHOLE, 1.0, 1.0, 1.0, 0.0, nodes)


@pytest.mark.parametrize(("biot", "zeta"), CYLINDER.items())
def test_slowest_rate_of_a_cylinder_is_the_square_of_its_first_eigenvalue(biot, zeta):
    assert np.sqrt(cylinder().film(biot).rate_1_s.min()) == pytest.approx(zeta, abs=2e-4)


def test_steel_shaft_of_cengel():
    """Y. A. Cengel, Heat Transfer, shaft of 20 cm cooling from 600 degC in 200 degC: by the package pychemengg 0.1a11
    Bi 0.536913, eigenvalues 0.97061535, 3.96852663, 7.09156020, and 578.83999 degC in the middle after 420 s (the one
    term of the book's chart is not good that early); 364.13 after 2700 s (book 364 by one term)."""
    R, k, heat, h = 0.1, 14.9, 7900 * 477.0, 80.0
    wall = Wall.of(PINHOLE * R, R, k, heat, 0.0, 24)
    film = wall.film(h)
    assert h * R / k == pytest.approx(0.536913, abs=1e-6)
    zeta = np.sqrt(np.sort(film.rate_1_s)[:3] * heat / k) * R
    assert zeta == pytest.approx([0.97061535, 3.96852663, 7.09156020], rel=1e-5)
    start = np.full(24, 600.0)
    for t_s, expected_C in ((420.0, 578.83999), (2700.0, 364.13)):
        now = film.step(start, np.array(200.0), np.array(0.0), np.array(t_s))
        assert now[0] == pytest.approx(expected_C, abs=0.02)


def test_a_thin_wall_of_high_conductivity_is_a_lumped_body():
    wall = Wall.of(0.9e-3, 1.0e-3, 200.0, 2.4e6, 9.0)
    heat = wall.total_J_mK.sum()
    slow = wall.film(50.0).rate_1_s.min()
    assert slow == pytest.approx(50.0 * 2 * np.pi * 1e-3 / heat, rel=1e-3)


def test_steady_flow_through_the_wall_has_the_resistance_of_the_book():
    """A heat source at the inner face: the drop across the wall is q ln(b/a) / (2 pi k)."""
    wall = Wall.of(0.9e-3, 1.8e-3, 0.25, 1.5e6, 8.7)
    film = wall.film(85.0)
    source = np.zeros(len(wall.radius_m))
    source[0] = 3.0  # W/m
    K = film.from_modes @ np.diag(1 / film.rate_1_s) @ film.from_modes.T
    T = K @ source
    assert T[0] - T[-1] == pytest.approx(3.0 * np.log(2) / (2 * np.pi * 0.25), rel=1e-9)


walls = st.builds(
    Wall.of,
    inner_m=st.floats(0.3e-3, 3e-3),
    outer_m=st.floats(3.2e-3, 6e-3),
    conductivity_W_mK=st.floats(0.1, 2.0),
    heat_J_m3K=st.floats(1e6, 3e6),
    core_J_mK=st.floats(0, 60),
    nodes=st.integers(6, 16),
)


@given(walls, st.floats(0, 200), st.floats(0.01, 30))
def test_without_a_film_no_heat_is_lost(wall, core_C, t_s):
    start = wall.start_C(core_C, 30.0)
    later = wall.film(0.0).step(start, np.array(0.0), np.array(0.0), np.array(t_s))
    assert later @ wall.total_J_mK == pytest.approx(float(start @ wall.total_J_mK), rel=1e-9)


@given(walls, st.floats(1, 2000), st.floats(0.01, 30), st.floats(0.1, 0.9), st.floats(-20, 20))
def test_two_steps_are_one_step(wall, film_W_m2K, t_s, share, slope):
    film, start = wall.film(film_W_m2K), wall.start_C(20.0, 30.0)
    whole = film.step(start, np.array(300.0), np.array(slope), np.array(t_s))
    first = film.step(start, np.array(300.0), np.array(slope), np.array(share * t_s))
    both = film.step(first, np.array(300.0 + slope * share * t_s), np.array(slope), np.array((1 - share) * t_s))
    assert both == pytest.approx(whole, abs=1e-7)


@given(walls, st.floats(1, 2000), st.floats(100, 600))
def test_in_the_end_the_wall_is_as_warm_as_its_medium(wall, film_W_m2K, medium_C):
    later = wall.film(film_W_m2K).step(wall.start_C(20.0, 30.0), np.array(medium_C), np.array(0.0), np.array(1e6))
    assert later == pytest.approx(medium_C, abs=1e-6)


def test_against_another_method_and_another_solver():
    """Finite volumes by a stiff solver of SciPy, 400 nodes, the same wall in a medium that warms up."""
    fine = volumes(0.89e-3, 1.79e-3, 0.25, 1180 * 1300.0, 8.67, 400)
    loss = np.zeros(400)
    loss[-1] = 2 * np.pi * 1.79e-3 * 85.0
    total = fine.total_J_mK

    def change(t: float, T: np.ndarray) -> np.ndarray:
        return (-fine.conductance_W_mK @ T - loss * (T - 200 - 10 * t)) / total

    other = solve_ivp(change, (0, 3), fine.start_C(30.0, 30.0), "BDF", rtol=1e-9, atol=1e-9).y[:, -1]
    ours = Wall.of(0.89e-3, 1.79e-3, 0.25, 1180 * 1300.0, 8.67).film(85.0)
    T = ours.step(np.full(12, 30.0), np.array(200.0), np.array(10.0), np.array(3.0))
    assert T[[0, -1]] == pytest.approx(other[[0, -1]], abs=2e-3)


@pytest.mark.parametrize(
    "bad", [(1.0, 1.0, 1.0, 1.0, 0.0), (1.0, 2.0, 0.0, 1.0, 0.0), (1.0, 2.0, 1.0, 1.0, -1.0), (0.0, 1.0, 1.0, 1.0, 0.0)]
)
def test_the_impossible_is_refused_with_what_was_expected(bad):
    with pytest.raises(ValueError, match="expected"):
        Wall.of(*bad)


def test_sheath_in_a_trough_is_no_lumped_body():
    """A sheath cools through its outer face only (adiabatic inside): at Bi about 5 the lumped rate is off by far."""
    wall = Wall.of(4e-3, 5.5e-3, 0.4, 1500 * 1500.0, 0.0)
    film = 1500.0
    biot = film * 1.5e-3 / 0.4
    lumped = film * 2 * 5.5e-3 / (1500 * 1500.0 * (5.5e-3**2 - 4e-3**2))  # h A / (rho c V)
    assert biot > 5
    assert wall.film(film).rate_1_s.min() < 0.5 * lumped
