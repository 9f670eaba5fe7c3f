"""A stream along the cable: samples in time become means at metres, by the line's own track."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from monitor.analysis.signal_along import along
from monitor.contract.reading import Trend
from monitor.contract.record import Floats
from monitor.contract.units import convert
from tests.core.script import configuration

LINE = configuration().lines["core-1"]
END_S = 100.0


def trend(step_s: float, of: Callable[[Floats], ArrayLike]) -> Trend:
    t = np.arange(0.0, END_S + step_s / 2, step_s)
    return Trend((t * 1e3).astype(np.int64), np.asarray(of(t), dtype=np.float64))


def run(
    speed_m_s: float,
    value: Callable[[Floats], ArrayLike],
    counter: Callable[[Floats], ArrayLike] | None = None,
    spacing_m: float = 5.0,
) -> tuple[Floats, Floats]:
    shown = convert(np.array([speed_m_s]), "m/s", LINE.speed_unit)[0]
    counted = counter or (lambda t: 1000.0 + speed_m_s * t)
    return along(LINE, trend(0.5, value), trend(1.0, counted), trend(0.5, lambda t: np.full(len(t), shown)), spacing_m)


def test_a_value_that_grows_with_the_metre_is_found_at_its_metre():
    at, mean = run(2.0, lambda t: 10.0 + 2.0 * t)  # 10 plus one for each metre
    assert at[:3] == pytest.approx([2.5, 7.5, 12.5])
    assert mean[:-1] == pytest.approx(10.0 + at[:-1] - 0.5)  # five samples of 1 m from the cell's beginning


def test_a_counter_that_is_set_to_zero_changes_no_place():
    steady = run(2.0, lambda t: t)
    reset = run(2.0, lambda t: t, lambda t: np.where(t < 50, 1000.0 + 2.0 * t, 2.0 * (t - 50)))
    assert reset[0] == pytest.approx(steady[0])
    assert reset[1] == pytest.approx(steady[1], abs=0.6)


@given(bad=st.sets(st.integers(0, 200), max_size=180))
def test_bad_samples_leave_holes_and_move_nothing(bad):
    def value(t: Floats) -> Floats:
        v = np.arange(len(t), dtype=np.float64)
        v[sorted(b for b in bad if b < len(v))] = np.nan
        return v

    at, mean = run(2.0, value)
    whole_at, _ = run(2.0, lambda t: np.arange(len(t), dtype=np.float64))
    assert len(at) <= len(whole_at)
    assert at == pytest.approx(whole_at[: len(at)])
    for metre, v in zip(at, mean, strict=True):
        # sample k was taken at metre k: the mean lies among those of its cell, or there is none
        cell = [k for k in range(201) if k not in bad and metre - 2.5 <= k < metre + 2.5]
        assert np.isnan(v) if not cell else v == pytest.approx(np.mean(cell))


@pytest.mark.parametrize("readings", [0, 1])
def test_with_too_little_of_a_counter_there_is_nothing(readings):
    none = Trend(np.arange(readings, dtype=np.int64), np.zeros(readings))
    at, mean = along(LINE, trend(1.0, lambda t: t), none, trend(1.0, lambda t: t), 1.0)
    assert (len(at), len(mean)) == (0, 0)


def test_with_no_good_sample_there_is_nothing():
    at, mean = run(2.0, lambda t: np.full(len(t), np.nan))
    assert (len(at), len(mean)) == (0, 0)
