"""Instruments: each tells its own truth with its own troubles, and pages or blocks change nothing of it."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.config.line import StreamSettings
from simulator.gauges import CounterWheel, Gauge
from simulator.scenario import CounterTrouble, InstrumentTrouble
from tests.simulator.made import made, run_of

STREAM = "cold-gauge/diameter-x"


def gauge(*troubles: InstrumentTrouble, interval_s: float = 0.1, sigma: float = 0.0, **more: Any) -> Gauge:
    settings = StreamSettings(station="cold-gauge", quantity="diameter-x", unit="mm", interval_s=interval_s)
    return Gauge(
        settings=settings,
        truth=lambda t: 3.0 + 0.01 * t,
        sigma=sigma,
        decimals=3,
        troubles=troubles,
        repeat_s=None,
        rng=np.random.default_rng(1),
        **more,
    )


def trouble(kind: str, **more: float) -> InstrumentTrouble:
    return InstrumentTrouble.model_validate({"stream": STREAM, "kind": kind, "at_s": 10.0, "for_s": 5.0, **more})


def samples(one: Gauge, until_s: float = 30.0) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Stamps in s, values and qualities of all that is sent."""
    t: list[float] = []
    v: list[float] = []
    q: list[str] = []
    for draft in one.drafts(one.take(round(until_s * 1e3)), 0):
        body: dict[str, Any] = dict(draft.body)
        values = body["v"] if isinstance(body["v"], list) else [body["v"]]
        t += [(body["t"] + k * body.get("dt", 0)) / 1e3 for k in range(len(values))]
        v += values
        q += [body.get("q", "good")] * len(values)
    return np.array(t), np.array(v), q


@given(cuts=st.lists(st.integers(0, 30_000), max_size=6), sigma=st.sampled_from([0.0, 0.01]))
def test_how_time_is_cut_does_not_show(cuts, sigma):
    script = (trouble("stick"), trouble("drift", by_per_min=1.0))
    whole = gauge(*script, sigma=sigma).take(30_000)
    one = gauge(*script, sigma=sigma)
    parts = [one.take(ms) for ms in [*sorted(cuts), 30_000]]
    assert np.array_equal(np.concatenate([p.measured for p in parts]), whole.measured)
    assert np.array_equal(np.concatenate([p.t_s for p in parts]), whole.t_s)


def test_samples_lie_on_their_grid_to_its_resolution():
    t, v, q = samples(gauge())
    assert np.diff(t) == pytest.approx(0.1)
    assert v == pytest.approx(3.0 + 0.01 * t, abs=5e-4)
    assert set(q) == {"good"}


def test_a_stuck_gauge_keeps_its_value_and_comes_back():
    t, v, _ = samples(gauge(trouble("stick")))
    held = (t >= 10) & (t < 15)
    assert np.unique(v[held]).tolist() == [3.1]
    assert v[~held] == pytest.approx(3.0 + 0.01 * t[~held], abs=5e-4)


def test_a_drifting_gauge_is_off_by_its_rate():
    t, v, _ = samples(gauge(trouble("drift", by_per_min=0.6)))
    on = (t >= 10) & (t < 15)
    assert (v - 3.0 - 0.01 * t)[on] == pytest.approx(0.01 * (t[on] - 10), abs=6e-4)


@pytest.mark.parametrize("interval_s", [0.1, 0.5])
def test_a_drop_out_sends_nothing_and_bad_values_are_marked(interval_s):
    t, _, _ = samples(gauge(trouble("drop-out"), interval_s=interval_s))
    assert not ((t >= 10) & (t < 15)).any()
    assert len(t) == round(25 / interval_s)
    t, _, q = samples(gauge(trouble("bad"), interval_s=interval_s))
    assert [s for s, word in zip(t, q, strict=True) if word == "bad"] == [s for s in t if 10 <= s < 15]


def test_a_still_gauge_has_no_noise_at_zero():
    settings = StreamSettings(station="line", quantity="speed", unit="m/min", interval_s=1.0)
    one = Gauge(
        settings=settings,
        truth=np.zeros_like,
        sigma=1.0,
        decimals=3,
        troubles=(),
        repeat_s=None,
        rng=np.random.default_rng(1),
        still=True,
    )
    assert not one.take(60_000).measured.any()


def wheel(*troubles: CounterTrouble, wraps_at_m: float | None = None) -> tuple[CounterWheel, np.ndarray, np.ndarray]:
    run, _ = run_of(made(), 1.0)
    t = np.arange(0.0, 60.0, 1.0)
    return CounterWheel(run.travel, troubles, None, wraps_at_m), t, run.travel.metres(t)


def test_a_counter_without_troubles_shows_the_metres():
    counter, t, metres = wheel()
    assert np.array_equal(counter.reading_m(t), metres)


def test_its_troubles_are_what_they_are_called():
    reset, t, metres = wheel(CounterTrouble(kind="reset", at_s=20.0))
    assert reset.reading_m(t)[20:] == pytest.approx(metres[20:] - metres[20])
    jump, *_ = wheel(CounterTrouble(kind="jump", at_s=20.0, by_m=7.0))
    assert jump.reading_m(t) - metres == pytest.approx(np.where(t >= 20, 7.0, 0.0))
    slip, *_ = wheel(CounterTrouble(kind="slip", at_s=20.0, for_s=10.0, percent=5.0))
    lost = metres - slip.reading_m(t)
    assert lost[:21] == pytest.approx(0.0)
    assert lost[30:] == pytest.approx(0.05 * (metres[30] - metres[20]))
    wrap, *_ = wheel(wraps_at_m=1050.0)
    assert wrap.reading_m(t) == pytest.approx(metres % 1050.0)
