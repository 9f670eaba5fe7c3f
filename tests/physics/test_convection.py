"""Film coefficients, held to a reference library and to figures from outside."""

import ht
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import convection as c


@given(st.floats(1.0, 1e6), st.floats(0.6, 50.0))
def test_churchill_bernstein_is_that_of_the_reference_library(reynolds, prandtl):
    """Package ht (MIT): Nu_external_cylinder, Churchill and Bernstein (1977)."""
    theirs = ht.conv_external.Nu_cylinder_Churchill_Bernstein(reynolds, prandtl)
    assert c.churchill_bernstein(reynolds, prandtl) == pytest.approx(theirs, rel=1e-12)


def test_radiation_as_a_film():
    """Derived: 473.15 in 298.15 K at 0.9: 12.311; 573.15 in 423.15 K: 25.806 W/m2K."""
    assert c.radiation_film_W_m2K(0.9, 200, 25) == pytest.approx(12.311, abs=1e-3)
    assert c.radiation_film_W_m2K(0.9, 300, 150) == pytest.approx(25.806, abs=1e-3)


def test_air_at_two_temperatures():
    """Incropera, table A.4 (from memory): 300 K nu 15.89e-6, k 26.3e-3, Pr 0.707; 600 K 52.69e-6, 46.9e-3, 0.685."""
    for T_K, nu, k, Pr in ((300, 15.89e-6, 26.3e-3, 0.707), (600, 52.69e-6, 46.9e-3, 0.685)):
        air = c.air(T_K - 273.15)
        assert air.viscosity_m2_s == pytest.approx(nu, rel=0.03)
        assert air.conductivity_W_mK == pytest.approx(k, rel=0.03)
        assert air.prandtl == pytest.approx(Pr, abs=0.03)


def test_films_of_a_core_in_an_oven_lie_where_estimates_put_them():
    """Along a thin moving wire 33-44 W/m2K (Kase and Matsuo's form), across it at 5 m/s 120-135 (Churchill and
    Bernstein), radiation at 0.9 24-32 at 300 degC: own estimates of the model's authors."""
    along = c.along_moving_wire(3.58e-3, 3.83, 200.0).film_W_m2K
    across = c.across_cylinder(3.58e-3, 5.0, 200.0).film_W_m2K
    assert 30 < along < 46
    assert 115 < across < 140
    assert 20 < c.radiation_film_W_m2K(0.9, 150.0, 300.0) < 32
    assert c.in_air(3.58e-3, 3.83, 300.0, 150.0).film_W_m2K > along


def test_out_of_its_range_an_estimate_says_so():
    assert c.across_cylinder(1e-3, 1e-4, 20.0).outside
    assert not c.across_cylinder(1e-3, 5.0, 20.0).outside
