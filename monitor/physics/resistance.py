"""Conductor resistance: the largest that IEC 60228 allows, and its correction to 20 degC."""

# Largest d.c. resistance at 20 degC, ohm/km, by cross-section in mm2: class 1 and 2 plain, class 5 plain.
# IEC 60228 as printed in the tables of two suppliers.
MOST_CLASS_2 = {
    0.5: 36.0,
    0.75: 24.5,
    1.0: 18.1,
    1.5: 12.1,
    2.5: 7.41,
    4.0: 4.61,
    6.0: 3.08,
    10.0: 1.83,
    16.0: 1.15,
    25.0: 0.727,
}
MOST_CLASS_5 = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
    25.0: 0.780,
}


def most_ohm_per_km(section_mm2: float, conductor_class: int) -> float:
    """Largest resistance at 20 degC. ValueError for a section or class that is not listed here."""
    tables = {1: MOST_CLASS_2, 2: MOST_CLASS_2, 5: MOST_CLASS_5}
    if conductor_class not in tables or section_mm2 not in tables[conductor_class]:
        raise ValueError(f"no figure for class {conductor_class}, {section_mm2:g} mm2: give the standard's own")
    return tables[conductor_class][section_mm2]


def annex_B_factor(at_C: float) -> float:
    """Factor to 20 degC for copper by IEC 60228 annex B: 254.5/(234.5 + t), exact.

    Many tables print the rounded 250/(230 + t), which is not annex B.
    """
    return 254.5 / (234.5 + at_C)


def to_20_C(ohm: float, at_C: float) -> float:
    """Resistance of copper measured at a temperature, corrected to 20 degC."""
    return ohm * annex_B_factor(at_C)
