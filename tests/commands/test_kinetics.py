"""Rheometer rows in, a recipe's table out, or a sentence."""

import tomllib

import numpy as np
import pytest

from monitor.__main__ import main
from monitor.physics.kinetics import Rate

LAW = Rate(95.0, 116.0, 95e3)


def test_the_table_that_is_printed_is_the_law_of_the_rows(tmp_path, capsys):
    T = np.array([105.0, 115.0, 125.0, 135.0])
    rows = "\n".join(f"{a},{b:.4f}" for a, b in zip(T, LAW.time_at_s(T), strict=True))
    (tmp_path / "rows.csv").write_text(f"# one compound\ntemperature_C,t90_s\n{rows}\n")
    assert main(["kinetics", str(tmp_path / "rows.csv")]) == 0
    t90 = tomllib.loads(capsys.readouterr().out)["cure"]["t90"]
    fitted = Rate(t90["time_s"], t90["reference_C"], t90["activation_energy_J_mol"])
    assert fitted.time_at_s(T) == pytest.approx(LAW.time_at_s(T), rel=1e-3)


def test_cure_curves_are_read_at_nine_tenths_of_their_rise(tmp_path, capsys):
    """F7: torque that first falls, then rises from 2 to 12 in a straight line that passes 11 at t90."""
    T = np.array([105.0, 115.0, 125.0])
    points = [
        (a, share * t90 / 0.9, 2 + 10 * share) for a, t90 in zip(T, LAW.time_at_s(T), strict=True) for share in (0, 1)
    ]
    rows = "\n".join(f"{a},{t + 1:.4f},{torque}" for a, t, torque in points)
    falls = "\n".join(f"{a},0,5" for a in T)
    (tmp_path / "curves.csv").write_text(f"temperature_C,time_s,torque\n{falls}\n{rows}\n")
    assert main(["kinetics", str(tmp_path / "curves.csv")]) == 0
    t90 = tomllib.loads(capsys.readouterr().out)["cure"]["t90"]
    fitted = Rate(t90["time_s"], t90["reference_C"], t90["activation_energy_J_mol"])
    assert fitted.time_at_s(T) == pytest.approx(LAW.time_at_s(T) + 1, rel=2e-2)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("T,t\n1,2\n", "no column temperature_C; it has T, t"),
        ("temperature_C,t\n1,2\n", "no column t90_s; it has temperature_C, t"),
        ("temperature_C,time_s,torque\n110,0,1\n120,0,1\n", "two or more rows with times that rise"),
        ("temperature_C,t90_s\n110,20\n110,21\n", "two temperatures"),
        ("temperature_C,t90_s\n110,20\n120,x\n", "take the bad rows out"),
    ],
)
def test_what_is_wrong_with_the_rows_is_reported(tmp_path, capsys, text, says):
    (tmp_path / "rows.csv").write_text(text)
    assert main(["kinetics", str(tmp_path / "rows.csv")]) == 2
    assert says in capsys.readouterr().err
