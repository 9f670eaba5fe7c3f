"""How fast a compound cures, held to worked examples, definitions and measured curves."""

import numpy as np
import pytest

from monitor.physics.kinetics import Rate

# J. Jalkanen, Thermochimica Acta 703 (2021) 178982, data doi 10.17632/pndj7x373y.1, sheet pred_vs_exp: two silicones
# at 100 degC, time [s] at conversion, read off the kinetic predictions.
PERCENT = np.array([10, 25, 50, 75, 90, 95]) / 100
ADDITION_S = np.array([19.0, 30.3, 44.7, 59.9, 73.4, 82.8])
PEROXIDE_S = np.array([12.6, 36.4, 90.6, 205.9, 419.2, 609.2])


def test_dicumyl_peroxide_half_lives():
    """A 9.24e15 /s, Ea 152.67 kJ/mol (from memory): 112 degC 10.56 h, 132 degC 1.004 h, 154 degC 350 s."""
    half = Rate(np.log(2) / (9.24e15 * np.exp(-152670 / 8.314462618 / 405.15)), 132.0, 152670.0)
    assert half.time_at_s(np.array(112.0)) / 3600 == pytest.approx(10.56, rel=0.01)
    assert half.time_at_s(np.array(132.0)) / 3600 == pytest.approx(1.004, rel=0.01)
    assert half.time_at_s(np.array(154.0)) == pytest.approx(350, rel=0.01)


def test_measured_silicones_are_not_of_first_order():
    """t90/t50 is log(10)/log(2) = 3.3219 for first order; measured 1.64 (addition) and 4.63 (peroxide): an index is a
    count towards t90 and no conversion."""
    ratios = [s[4] / s[2] for s in (ADDITION_S, PEROXIDE_S)]
    assert ratios == pytest.approx([1.64, 4.63], abs=0.01)
    assert abs(ratios[0] - 3.3219) > 1
    assert abs(ratios[1] - 3.3219) > 1
