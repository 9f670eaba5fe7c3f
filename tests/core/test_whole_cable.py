"""Laying-up and sheathing by the same engine: drums put on, lay and overlap worked out, a wall that cools."""

import itertools
from collections.abc import Callable
from functools import cache, partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.config.line import Derived
from monitor.contract.config.recipe import Tape
from monitor.contract.record import AlarmChange, DrumSpan, Finding, Rejected, Splice, Verdict
from monitor.core.arrival import Arrival
from monitor.core.decode import Decoder
from monitor.core.derived_streams import by_speed_m_per_min, derived
from simulator import heat
from tests.core.script import T0, Script, configuration, decoded, pipeline, through_snapshot
from tests.core.test_pipeline import closed, of, raised, record

LAY_M = 1000.0  # counter at the start
INSIDE = "cooling/inside"


def laying_up(
    seconds: int,
    bow: Callable[[float], float] = lambda _: 312.5,
    speed: Callable[[float], float] = lambda _: 50.0,
    before: Callable[[Script, int], object] = lambda _story, _s: None,
) -> Script:
    """Laying-up line 1 with everything that it says."""
    rng, script, L = np.random.default_rng(3), Script("lay-1"), LAY_M
    script.send("line/state", T0, state="running")
    script.send("take-up/drum", T0, drum="L1-0001", recipe="laid-2x2g5", planned_length_m=600)
    for s in range(seconds):
        t = T0 + s
        v = np.array([speed(s + i / 10) for i in range(11)]) / 60
        run = np.concatenate(([0], np.cumsum(0.5 * (v[1:] + v[:-1]) * 0.1)))
        script.send_samples("metre-counter/length", t, L + run[:10], 0.1)
        script.send_samples("metre-counter/speed", t, v[:10] * 60, 0.1)
        turning = min(speed(s) / 50.0, 1.0)
        script.send_samples("bow/speed", t, [bow(s) * turning, bow(s + 0.5) * turning], 0.5)
        script.send_samples("tape-head/speed", t, np.array([2484.0, 2484.0]) * turning, 0.5)
        for side in "ab":
            script.send_samples(f"spark-{side}/voltage", t, 6.1 + rng.normal(0, 0.01, 2), 0.5)
            script.send_samples(f"pay-off-{side}/tension", t, 31 + rng.normal(0, 0.5, 2), 0.5)
        script.send_samples("take-up/tension", t, [200.0], 1.0)
        before(script, s)
        L += run[10]
    return script


def sheathing(seconds: int, trough_C: float = 20.0, speed: Callable[[float], float] = lambda _: 120.0) -> Script:
    """Sheathing line 1."""
    rng, script, L = np.random.default_rng(4), Script("sheath-1"), 5000.0
    script.send("line/state", T0, state="running")
    script.send("take-up/drum", T0, drum="S1-0001", recipe="cable-2x2g5")
    for s in range(seconds):
        t = T0 + s
        v = np.array([speed(s + i / 10) for i in range(11)]) / 60
        run = np.concatenate(([0], np.cumsum(0.5 * (v[1:] + v[:-1]) * 0.1)))
        script.send_samples("metre-counter/length", t, L + run[:10], 0.1)
        script.send_samples("metre-counter/speed", t, v[:10] * 60, 0.1)
        for path, value in (
            ("barrel/temperature", 152.0), ("head/temperature", 165.0), ("head/pressure", 220.0),
            ("head/screw-speed", 60.0), ("trough-1/temperature", 45.0), ("trough-2/temperature", trough_C),
            ("air-wipe/pressure", 4.0), ("take-up/tension", 200.0),
        ):  # fmt: skip
            script.send_samples(path, t, [value], 1.0)
        script.send_samples("spark-electrode/voltage", t, [9.0, 9.0], 0.5)
        for axis in "xy":
            script.send_samples(f"gauge/diameter-{axis}", t, 10.06 + rng.normal(0, 0.01, 50), 0.02)
        L += run[10]
    return script


# ---- drums put on ------------------------------------------------------------------------------------------------


def put_on(script: Script, s: int) -> None:
    if s == 0:
        script.send("pay-off-a/payoff", T0, drum="C1-0001", left_m=700.0)
        script.send("pay-off-b/payoff", T0, drum="C2-0001")
    if s == 40:
        script.send("pay-off-a/payoff", T0 + 40, drum="C1-0007", left_m=700.0)
    if s == 50:
        script.send_samples("tape-head/tape-break", T0 + 50, 1)


def test_a_drum_put_on_goes_in_at_the_line_metre_of_its_pay_off():
    first, other, second = of(Splice, pipeline("lay-1").feed(decoded(laying_up(90, before=put_on).sorted())))
    assert {first.drum, other.drum} == {"C1-0001", "C2-0001"}
    assert {first.left_m, other.left_m} == {700.0, None}
    assert (second.position, second.drum) == ("pay-off-a", "C1-0007")
    assert second.line_metre == pytest.approx(LAY_M + 40 * 50 / 60 + 5.0 - -8.0, abs=0.01)
    assert second.t_s == T0 + 40


def test_a_drum_taken_off_with_none_put_on_ends_and_what_follows_is_on_none():
    def take_off(script: Script, s: int) -> None:
        if s == 60:
            script.send("take-up/drum", T0 + 60, drum=None)

    out = pipeline("lay-1").feed(decoded(laying_up(120, before=take_off).sorted()))
    begun, ended = of(DrumSpan, out)
    assert (begun.drum, begun.end_m) == (ended.drum, None)
    assert ended.end_m == pytest.approx(LAY_M + 50 + 5.0 - 9.0, abs=0.01)
    _, rows = record(out)
    metres = rows["first"][0] + np.arange(len(rows["verdict"]))
    assert (rows["verdict"][metres > ended.end_m] == Verdict.UNVERIFIED).all()


@pytest.mark.parametrize(
    ("topic", "kind"),
    [("tarn/lay-1/bow/payoff", "unknown stream"), ("tarn/core-1/pay-off/payoff", "unknown stream"),
     ("tarn/lay-1/bow/lay-length", "derived stream")],
)  # fmt: skip
def test_what_is_no_pay_off_takes_no_drum_and_what_is_worked_out_is_not_published(topic, kind):
    c = configuration()
    payload = b'{"n":0,"t":1764000000000,"drum":"C1-0001","v":80}'
    refused = Decoder.of(c).decode(Arrival(topic, payload, T0))
    assert isinstance(refused, Rejected)
    assert refused.kind == kind


# ---- lay and overlap ---------------------------------------------------------------------------------------------


def test_lay_and_overlap_of_a_steady_line():
    """50 m/min at 312.5 rpm, two twists a turn: 80 mm. A tape of 20 mm on 7.16 mm at a pitch of 20.13 mm: 25 %."""
    _, rows = record(pipeline("lay-1").feed(decoded(laying_up(120).sorted())))
    lay, overlap = rows["bow/lay-length"], rows["tape-head/overlap"]
    seen = rows["verdict"] == Verdict.CONFORMING
    assert seen.sum() > 60
    assert lay[seen] == pytest.approx(80.0, abs=1e-3)
    assert overlap[seen] == pytest.approx(25.0, abs=0.01)


def test_a_bow_that_slows_makes_a_long_lay_and_is_reported():
    out = pipeline("lay-1").feed(decoded(laying_up(120, bow=lambda s: 312.5 if s < 60 else 280.0).sorted()))
    assert raised(out) == ["bow/lay-length/HI", "bow/lay-length/HIHI"]
    worst = closed(out)[next(k for k in closed(out) if "HIHI" in k)]
    assert worst.extreme == pytest.approx(1000 * 50 / (2 * 280), abs=1e-3)
    assert worst.verdict is Verdict.NONCONFORMING


def test_nothing_is_worked_out_of_what_stands():
    rule = Derived(rule="lay length", of="bow/speed", twists_per_turn=1)
    assert derived(rule, None, np.array([500.0, 0.0, 500.0]), np.array([30.0, 30.0, 0.0])) == pytest.approx(
        [60.0, np.nan, np.nan], nan_ok=True
    )
    overlap = Derived(rule="tape overlap", of="tape-head/speed", tape="t")
    assert np.isnan(derived(overlap, None, np.array([500.0]), np.array([30.0]))).all()


def test_tape_overlap_by_turns_is_the_handbook_geometry():
    """D 10, w 25, q 0.25: pitch 23.36836 mm (identity of the helix); 30 m/min at that pitch are 1283.79 rpm."""
    overlap = Derived(rule="tape overlap", of="tape-head/speed", tape="t")
    tape = Tape(name="t", width_mm=25.0, on_diameter_mm=10.0)
    found = derived(overlap, tape, np.array([30_000 / 23.36836]), np.array([30.0]))
    assert found == pytest.approx([25.0], abs=1e-4)


@given(st.lists(st.floats(0, 300), min_size=4, max_size=40))
def test_speed_over_the_second_before_is_the_mean(speeds):
    t_s = np.arange(len(speeds), dtype=np.float64) * 0.5
    found = by_speed_m_per_min(t_s, np.array(speeds), t_s[2:])
    want = [0.25 * a + 0.5 * b + 0.25 * c for a, b, c in zip(speeds, speeds[1:], speeds[2:], strict=False)]
    assert found == pytest.approx(want, abs=1e-9)


# ---- the law, for these lines too ----------------------------------------------------------------------------------


@cache
def scripts() -> dict[str, tuple]:
    def speed(s: float) -> float:
        return 50.0 if s < 45 or s >= 75 else max(0.0, 50 - (s - 45) * 10) if s < 60 else min(50.0, (s - 60) * 5)

    laid = laying_up(110, bow=lambda s: 312.5 if s < 80 else 290.0, speed=speed, before=put_on)
    return {
        "lay-1": tuple(decoded(laid.sorted())),
        "sheath-1": tuple(decoded(sheathing(90, 70.0, lambda s: 120.0 if s < 50 else 60.0).sorted())),
    }


@settings(max_examples=8, deadline=None)
@given(st.sampled_from(["lay-1", "sheath-1"]), st.lists(st.integers(0, 1600), max_size=30))
def test_no_cut_of_the_arrivals_shows(line, cuts):
    messages = scripts()[line]
    want, rows = record(pipeline(line).feed(messages))
    engine, out = pipeline(line), []
    for a, b in itertools.pairwise([0, *sorted(min(c, len(messages)) for c in cuts), len(messages)]):
        out += engine.feed(messages[a:b])
        engine = through_snapshot(engine)
    got, columns = record(out)
    assert got == want
    assert all(np.array_equal(columns[name], rows[name], equal_nan=True) for name in rows)


def test_the_scripts_hold_what_they_should():
    laid = pipeline("lay-1").feed(scripts()["lay-1"])
    assert {f.check for f in of(Finding, laid)} >= {"tape-break", "HI"}
    assert of(Splice, laid)
    sheathed = pipeline("sheath-1").feed(scripts()["sheath-1"])
    assert "cooling/inside/too-warm" in {c.alarm for c in of(AlarmChange, sheathed)}


# ---- cooling -------------------------------------------------------------------------------------------------------


def by_another_solver(trough_C: float, m_per_min: float) -> float:
    """Temperature inside the sheath at the capstan, by the simulator's own solver: collocation, other code."""
    c = configuration()
    line, recipe = c.lines["sheath-1"], c.recipes["cable-2x2g5"]
    m, g = recipe.material, recipe.geometry
    assert m is not None
    wall = heat.HeatedWall(
        core_radius_m=g.inside_mm / 2e3,
        outer_radius_m=g.outer_diameter_mm / 2e3,
        core_rho=1.0,
        core_cp=1.0,
        wall_rho=m.compound_density_kg_m3,
        wall_cp=m.compound_heat_J_kgK,
        wall_k=m.compound_conductivity_W_mK,
    )
    zones = {"trough-1": 45.0, "trough-2": trough_C}
    pieces, edges, at = [], [0.0], 0.0
    for z in line.zone:
        pieces += [(line.open_air.film_coefficient_W_m2K, line.open_air.temperature_C, z.start_m - at)]
        pieces += [(z.film_coefficient_W_m2K, zones[z.name], z.end_m - z.start_m)]
        at = z.end_m
    pieces += [(line.open_air.film_coefficient_W_m2K, line.open_air.temperature_C, 39.0 - at)]
    for _, _, length in pieces:
        edges.append(edges[-1] + length / (m_per_min / 60))
    path = [heat.PathPiece(film, partial(np.full_like, fill_value=C)) for film, C, _ in pieces]
    never = configuration().recipes["core-2g5"].cure
    assert never is not None
    out = heat.solve(wall, path, np.array([edges]), (165.0, 165.0), never.t90, never.degradation, 0.02)
    return float(out.inner_C[0])


@pytest.mark.parametrize(("trough_C", "m_per_min"), [(20.0, 120.0), (70.0, 120.0), (20.0, 60.0)])
def test_a_wall_cools_as_another_solver_has_it(trough_C, m_per_min):
    out = pipeline("sheath-1").feed(decoded(sheathing(100, trough_C, lambda s: m_per_min).sorted()))
    _, rows = record(out)
    seen = ~np.isnan(rows[INSIDE])
    assert seen.sum() > 30
    assert rows[INSIDE][seen] == pytest.approx(by_another_solver(trough_C, m_per_min), abs=0.1)


def test_a_wall_that_stays_warm_is_reported_and_its_metres_are_suspect():
    out = pipeline("sheath-1").feed(decoded(sheathing(100, 70.0).sorted()))
    assert "cooling/inside/too-warm" in raised(out)
    (finding,) = [f for f in closed(out).values() if f.check == "too-warm"]
    assert finding.verdict is Verdict.SUSPECT
    assert finding.extreme == pytest.approx(by_another_solver(70.0, 120.0), abs=0.1)


def test_metres_whose_trough_sends_no_data_are_unverified():
    script = sheathing(100)
    script.arrivals = [a for a in script.arrivals if "trough-2" not in a.topic or not 40 < a.received_s - T0 < 60]
    _, rows = record(pipeline("sheath-1").feed(decoded(script.sorted())))
    assert (rows["verdict"][np.isnan(rows[INSIDE])] == Verdict.UNVERIFIED).all()
    assert 20 < np.isnan(rows[INSIDE][60:]).sum() < 100
