"""Conductor resistance against IEC 60228 as printed."""

import pytest

from monitor.physics.resistance import MOST_CLASS_2, MOST_CLASS_5, annex_B_factor, most_ohm_per_km, to_20_C


def test_iec_60228_largest_resistances():
    """IEC 60228, as printed in two suppliers' tables, seen."""
    assert [most_ohm_per_km(a, 2) for a in (1.5, 2.5, 4.0, 16.0)] == [12.1, 7.41, 4.61, 1.15]
    assert [most_ohm_per_km(a, 5) for a in (1.5, 2.5, 4.0, 16.0)] == [13.3, 7.98, 4.95, 1.21]
    with pytest.raises(ValueError, match="no figure"):
        most_ohm_per_km(3.0, 2)


@pytest.mark.parametrize(("conductor_class", "least", "most"), [(1, 17.9, 18.6), (2, 17.9, 18.6), (5, 19.0, 20.0)])
def test_resistance_times_section_is_that_of_copper_for_every_section(conductor_class, least, most):
    """Copper has 17.241 ohm mm2/km; the standard allows some per cent more, finer wires more than solid ones."""
    table = MOST_CLASS_5 if conductor_class == 5 else MOST_CLASS_2
    assert list(table) == [0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0]
    for section in table:
        assert least < most_ohm_per_km(section, conductor_class) * section < most


@pytest.mark.parametrize("conductor_class", [3, 6])
def test_a_class_without_a_table_is_refused_by_its_number(conductor_class):
    with pytest.raises(ValueError, match=f"class {conductor_class}"):
        most_ohm_per_km(1.5, conductor_class)


@pytest.mark.parametrize(("t", "factor"), [(5, 1.063), (25, 0.981), (40, 0.927), (60, 0.864), (90, 0.784)])
def test_iec_60228_annex_b_is_the_exact_factor(t, factor):
    """C21. 254.5/(234.5 + t) of IEC 60228:2004, seen in a national adoption; also 1/(1 + 0.00393 (t - 20))."""
    assert annex_B_factor(t) == pytest.approx(factor, abs=5e-4)
    assert annex_B_factor(t) == pytest.approx(1 / (1 + 0.00393 * (t - 20)), rel=5e-5)
    assert to_20_C(8.7205, 65) == pytest.approx(7.41, abs=5e-4)  # and back: 7.41 at 20 is 8.7205 at 65


@pytest.mark.parametrize(
    ("t", "factor"), [(5, 1.064), (10, 1.042), (40, 0.926), (65, 0.847), (80, 0.806), (100, 0.758)]
)
def test_the_rounded_temperature_table_is_not_annex_b(t, factor):
    """C21. As printed in a supplier's table, seen: every value is 250/(230 + t), up to 0.4 % from annex B."""
    assert 250 / (230 + t) == pytest.approx(factor, abs=5e-4)
    assert annex_B_factor(t) != pytest.approx(factor, abs=5e-4)
    assert annex_B_factor(t) == pytest.approx(factor, rel=5e-3)
