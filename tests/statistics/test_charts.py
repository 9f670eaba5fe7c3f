"""Control charts against handbooks: each number as printed, tolerance half its last digit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.statistics import charts
from monitor.statistics.charts import (
    c4,
    cusum,
    cusum_arl,
    d2,
    d3,
    ewma,
    ewma_arl,
    individuals,
    nelson,
    shewhart_arl,
    shewhart_miss,
    western_electric,
    xbar_r,
    xbar_s,
)

# Montgomery, Introduction to SQC: piston rings, first 25 samples (data as in R package qcc, data/pistonrings.txt)
PISTON_RINGS = """
74.030 74.002 74.019 73.992 74.008 73.995 73.992 74.001 74.011 74.004 73.988 74.024 74.021 74.005 74.002
74.002 73.996 73.993 74.015 74.009 73.992 74.007 74.015 73.989 74.014 74.009 73.994 73.997 73.985 73.993 73.995 74.006
73.994 74.000 74.005 73.985 74.003 73.993 74.015 73.988 74.008 73.995 74.009 74.005 74.004 73.998 74.000 73.990 74.007
73.995 73.994 73.998 73.994 73.995 73.990 74.004 74.000 74.007 74.000 73.996 73.983 74.002 73.998 73.997 74.012 74.006
73.967 73.994 74.000 73.984 74.012 74.014 73.998 73.999 74.007 74.000 73.984 74.005 73.998 73.996 73.994 74.012 73.986
74.005 74.007 74.006 74.010 74.018 74.003 74.000 73.984 74.002 74.003 74.005 73.997 74.000 74.010 74.013 74.020 74.003
73.988 74.001 74.009 74.005 73.996 74.004 73.999 73.990 74.006 74.009 74.010 73.989 73.990 74.009 74.014 74.015 74.008
73.993 74.000 74.010 73.982 73.984 73.995 74.017 74.013
"""
# NIST Dataplot, lib/data/CCXBAR.DAT: silicon wafer thickness, 20 days of 5 (public domain)
WAFERS = """
24.5 22.4 23.7 23.5 23.8 23.6 23.8 22.5 22.5 23.0 25.0 22.6 23.7 22.7 22.9 24.3 22.6 23.2 23.3 23.2 23.8 24.9
23.6 22.5 24.8 24.4 22.8 22.6 22.9 23.1 23.7 22.9 23.3 23.2 23.9 23.4 23.7 23.5 23.4 23.3 24.9 23.9 23.1 24.5 23.7 23.0
23.8 22.5 23.6 23.4 24.8 24.0 24.1 23.9 23.9 24.4 23.7 23.2 23.0 23.8 24.9 24.0 22.2 23.2 22.3 24.3 23.6 22.4 23.2 23.2
23.4 23.7 24.0 22.5 24.0 25.3 24.9 23.1 22.6 23.7 24.1 23.6 23.8 24.0 23.3 25.9 25.4 22.4 24.3 24.3 26.4 24.4 22.1 26.4
23.2 27.8 22.7 25.0 25.9 25.4
"""
# NIST/SEMATECH e-Handbook 6.3.2.4
NIST_EWMA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6,
    52.1,
]  # fmt: skip
# NIST/SEMATECH e-Handbook 6.3.2.3 (recalled; inputs and outputs agree with each other)
NIST_CUSUM = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325,
    327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
# Montgomery, Table 9.1
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62,
    10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip


def groups(text: str) -> np.ndarray:
    return np.array([float(x) for x in text.split()]).reshape(-1, 5)


@pytest.mark.parametrize(
    ("n", "A2", "A3", "d2_", "d3_", "c4_", "D3", "D4", "B3", "B4"),
    [
        (2, 1.8800, 2.6587, 1.1284, 0.8525, 0.7979, 0, 3.2665, 0, 3.2665),
        (3, 1.0233, 1.9544, 1.6926, 0.8884, 0.8862, 0, 2.5746, 0, 2.5682),
        (5, 0.5768, 1.4273, 2.3259, 0.8641, 0.9400, 0, 2.1145, 0, 2.0890),
        (7, 0.4193, 1.1819, 2.7044, 0.8332, 0.9594, 0.0757, 1.9243, 0.1177, 1.8823),
        (10, 0.3083, 0.9754, 3.0775, 0.7971, 0.9727, 0.2230, 1.7770, 0.2837, 1.7163),
    ],
)
def test_constants_of_astm_e2587_and_iso_7870_2(n, A2, A3, d2_, d3_, c4_, D3, D4, B3, B4):
    """Recomputed by their integrals; handbooks print three decimals and differ by one in the last."""
    assert d2(n) == pytest.approx(d2_, abs=5e-5)
    assert d3(n) == pytest.approx(d3_, abs=6e-5)
    assert c4(n) == pytest.approx(c4_, abs=5e-5)
    assert 3 / d2(n) / n**0.5 == pytest.approx(A2, abs=6e-5)
    assert 3 / c4(n) / n**0.5 == pytest.approx(A3, abs=6e-5)
    assert 1 + 3 * d3(n) / d2(n) == pytest.approx(D4, abs=1e-4)
    assert max(0, 1 - 3 * d3(n) / d2(n)) == pytest.approx(D3, abs=1e-4)
    spread = 3 * (1 - c4(n) ** 2) ** 0.5 / c4(n)
    assert 1 + spread == pytest.approx(B4, abs=1e-4)
    assert max(0, 1 - spread) == pytest.approx(B3, abs=1e-4)


def test_xbar_r_montgomery_piston_rings():
    pair = xbar_r(groups(PISTON_RINGS))
    assert pair.means.centre == pytest.approx(74.001176, abs=1e-6)
    assert pair.spreads.centre == pytest.approx(0.02276, abs=1e-5)
    assert pair.means.lower[0] == pytest.approx(73.988, abs=1e-3)
    assert pair.means.upper[0] == pytest.approx(74.014, abs=1e-3)
    assert pair.spreads.upper[0] == pytest.approx(0.04814, abs=2e-5)
    assert pair.spreads.lower[0] == 0
    assert pair.sigma == pytest.approx(0.009785, abs=1e-6)
    assert pair.means.out == pair.spreads.out == []


def test_xbar_s_montgomery_piston_rings():
    pair = xbar_s(groups(PISTON_RINGS))
    assert pair.spreads.centre == pytest.approx(0.00924, abs=5e-6)
    assert pair.means.lower[0] == pytest.approx(73.98799, abs=1e-5)
    assert pair.means.upper[0] == pytest.approx(74.01436, abs=1e-5)
    assert pair.spreads.upper[0] == pytest.approx(0.0193, abs=1e-5)


def test_xbar_r_nist_dataplot_wafer_thickness():
    pair = xbar_r(groups(WAFERS))
    assert pair.means.centre == pytest.approx(23.726, abs=5e-4)
    assert pair.spreads.centre == pytest.approx(2.05, abs=5e-3)
    assert pair.means.lower[0] == pytest.approx(22.5432, abs=1e-3)
    assert pair.means.upper[0] == pytest.approx(24.9089, abs=1e-3)
    assert pair.means.out == [19]
    assert pair.spreads.out == [19]


def test_ewma_nist_6_3_2_4():
    chart = ewma(NIST_EWMA, 50, 2.0539, 0.3, 3, growing=False)
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
               49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    assert chart.points == pytest.approx(printed, abs=0.0051)
    assert chart.upper[0] == pytest.approx(52.5884, abs=1e-3)
    assert chart.lower[0] == pytest.approx(47.4115, abs=1e-3)
    assert chart.out == []


def test_ewma_limits_grow_to_their_steady_size():
    """Recomputed for the inputs of NIST 6.3.2.4."""
    upper = ewma(NIST_EWMA, 50, 2.0539, 0.3, 3).upper
    assert upper[[0, 1, 2, 9]] == pytest.approx([51.8485, 52.2564, 52.4314, 52.5874], abs=5e-5)


def test_ewma_step_by_step_process_improvement_using_data():
    """kgdunn, Process Improvement using Data (CC BY-SA 4.0), EWMA charts."""
    points = ewma([200, 210, 190, 190, 190, 190], 200, 1, 0.3, 3).points
    assert points == pytest.approx([200, 203, 199.1, 196.37, 194.459, 193.1213], abs=5e-4)


def test_cusum_nist_6_3_2_3():
    sums = cusum(NIST_CUSUM, 325, 0.3175, 4.1959)
    assert sums.high[[4, 12, 13, 14, 19]] == pytest.approx([0.0325, 3.0075, 4.94, 7.4475, 19.035], abs=5e-3)
    assert sums.low[[1, 3, 7, 10]] == pytest.approx([0.0075, 0.3325, 0.715, 0.3125], abs=5e-3)
    assert sums.out[0] + 1 == 14


def test_cusum_montgomery_example_9_1():
    sums = cusum(MONTGOMERY, 10, 0.5, 5)
    printed = [
        0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0, 0, 0, 0.12, 0, 0, 0.34, 0.74, 0, 1.79, 2.79,
        2.89, 3.47, 3.35, 4.47, 5.28, 5.30,
    ]  # fmt: skip
    assert sums.high == pytest.approx(printed, abs=5.1e-3)
    assert sums.out[0] + 1 == 29
    assert sums.run_high[28] == 7
    assert 10 + 0.5 + sums.high[28] / sums.run_high[28] == pytest.approx(11.25, abs=5e-3)


def test_ewma_montgomery_example_9_2():
    chart = ewma(MONTGOMERY, 10, 1, 0.1, 2.7)
    assert chart.points[[0, 1, 27, 28, 29]] == pytest.approx([9.945, 9.7495, 10.5731, 10.6468, 10.6341], abs=5e-5)
    assert chart.lower[0] == pytest.approx(9.73, abs=5e-3)
    assert chart.upper[27] == pytest.approx(10.6186, abs=5e-4)
    assert [i + 1 for i in chart.out] == [29, 30]


def test_xbar_s_rubber_colour_process_improvement_using_data():
    """kgdunn, Shewhart charts: 20 subgroup means of 5, mean deviation 9.28, limits 226 and 252, one out."""
    means = np.array(
        [245, 239, 239, 241, 241, 241, 238, 238, 236, 248, 233, 236, 246, 253, 227, 231, 237, 228, 239, 240]
    )
    half = 3 * 9.28 / c4(5) / 5**0.5
    assert means.mean() == pytest.approx(238.8, abs=0.05)
    assert means.mean() - half == pytest.approx(225.6, abs=0.05)
    assert means.mean() + half == pytest.approx(252.0, abs=0.1)
    assert [int(m) for m in means if m > means.mean() + half] == [253]


@pytest.mark.parametrize(
    ("shift", "miss"), [(0.25, 0.9936), (0.5, 0.9772), (0.75, 0.9332), (1.0, 0.8413), (1.5, 0.5), (2.0, 0.1587)]
)
def test_type_two_error_process_improvement_using_data(shift, miss):
    assert shewhart_miss(shift, 4) == pytest.approx(miss, abs=5.1e-5)


def test_a_shewhart_chart_is_wrong_once_in_370():
    assert shewhart_arl(0) == pytest.approx(370.398, abs=5e-4)


@pytest.mark.parametrize(
    ("h", "lengths"),
    [(4, [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.19]), (5, [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 2.57])],
)
def test_average_run_length_of_cusum_lucas_montgomery(h, lengths):
    """Tables recalled, recomputed by Markov chain."""
    shifts = [0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0]
    assert [cusum_arl(s, 0.5, h) for s in shifts] == pytest.approx(lengths, rel=0.01)


@pytest.mark.parametrize(
    ("weight", "width", "lengths"),
    [
        (0.1, 2.814, [499, 31.3, 10.3, 4.4]),
        (0.2, 2.962, [500, 41.8, 10.5, 3.7]),
        (0.25, 2.998, [500, 48.3, 11.1, 3.6]),
        (0.4, 3.054, [500, 71.2, 14.3, 3.5]),
    ],
)
def test_average_run_length_of_ewma_lucas_saccucci(weight, width, lengths):
    """Tables recalled, recomputed by Markov chain; steady limits."""
    assert [ewma_arl(s, weight, width) for s in (0, 0.5, 1, 2)] == pytest.approx(lengths, rel=0.015)


def test_average_run_length_against_simulation():
    rng = np.random.default_rng(5)
    runs = []
    for _ in range(1500):
        x = rng.normal(1.0, 1, 200)
        runs.append(cusum(x, 0, 0.5, 4).out[0] + 1)
    assert np.mean(runs) == pytest.approx(cusum_arl(1.0, 0.5, 4), rel=0.05)


# ---- run rules: minimal triggers follow from the definitions (Nelson 1984; Western Electric 1956) ------------------

TRIGGERS = {
    2: [0.1] * 9,
    3: [-2, -1.2, -0.4, 0.4, 1.2, 2],
    4: [0.5, -0.5] * 7,
    5: [2.1, 0, 2.1],
    6: [1.1, 1.1, 0, 1.1, 1.1],
    7: ([0.5, 0.5, -0.5, -0.5] * 4)[:15],
    8: [1.1, -1.1] * 4,
}


@pytest.mark.parametrize("rule", TRIGGERS)
def test_nelson_minimal_triggers_fire_their_rule_alone_and_at_the_last_point(rule):
    z = TRIGGERS[rule]
    fired = {r: places for r, places in nelson(z).items() if places}
    assert fired == {rule: [len(z) - 1]}


def test_nelson_rule_1_and_equality():
    assert nelson([3.01, 0])[1] == [0]
    assert nelson([3.0, -3.0])[1] == []


@pytest.mark.parametrize(("rule", "z"), [(2, [2.1, 0, 2.1]), (3, [1.1, 1.1, 0, 1.1, 1.1]), (4, [0.1] * 8)])
def test_western_electric_minimal_triggers(rule, z):
    assert western_electric(z)[rule] == [len(z) - 1]
    assert western_electric(z[:-1])[rule] == []


def test_all_four_western_electric_rules_signal_every_92_points_champ_woodall():
    """In-control average run length 91.75 (Champ and Woodall, Technometrics 29, 1987; recalled)."""
    rng = np.random.default_rng(3)
    first = []
    for _ in range(3000):
        fired = [places[0] for places in western_electric(rng.normal(size=700)).values() if places]
        first.append(min(fired, default=700) + 1)
    assert np.mean(first) == pytest.approx(91.75, rel=0.06)


@given(st.lists(st.floats(-5, 5), min_size=2, max_size=60))
def test_rules_know_no_side(z):
    assert nelson(z) == nelson([-x for x in z])


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=40), st.floats(0.01, 1))
def test_ewma_stays_between_what_it_has_seen(values, weight):
    points = ewma(values, values[0], 1, weight, 3).points
    assert (points >= min(values) - 1e-9).all()
    assert (points <= max(values) + 1e-9).all()


def test_individuals_have_the_sigma_of_their_moving_range():
    pair = individuals([10, 12, 11, 13])
    assert pair.sigma == pytest.approx((2 + 1 + 2) / 3 / 1.1284, rel=1e-4)
    assert pair.spreads.upper[0] == pytest.approx(3.2665 * 5 / 3, rel=1e-4)


@pytest.mark.parametrize("values", [[[1.0, 2.0]], [[1.0], [2.0]], [1.0, 2.0]])
def test_subgroups_of_another_shape_are_refused(values):
    with pytest.raises(ValueError, match="subgroups"):
        xbar_r(values)


def test_ewma_wants_a_weight():
    with pytest.raises(ValueError, match="weight"):
        charts.ewma([1.0], 0, 1, 0, 3)
