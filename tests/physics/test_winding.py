"""Winding, layers, lay and tape: identities and published tables."""

import math
from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.config.recipe import CORES_BY_LAYER, LayingUp
from monitor.physics.winding import (
    LAYERS,
    Drum,
    lay_factor,
    lay_mm,
    pitch_diameter_ratios,
    place_on,
    tape_overlap,
)


@pytest.mark.parametrize(("d", "lay", "factor"), [(5, 100, 1.0122618), (4.2, 80, 1.0135103), (10, 150, 1.0216971)])
def test_lay_factor_is_a_helix_unrolled(d, lay, factor):
    assert lay_factor(d, lay) == pytest.approx(factor, abs=5e-8)


def layers(wires: tuple[int, ...], ratios: tuple[float, ...]) -> tuple[float, float]:
    """Mass and resistance of stranded wire over one wire's: layers of 6, 12, 18 around one, lay by outer diameter."""
    mass = conductance = 1.0
    for i, (n, ratio) in enumerate(zip(wires, ratios, strict=True), 1):
        factor = lay_factor(2 * i, ratio * (2 * i + 1))
        mass += n * factor
        conductance += n / factor
    return mass, 1 / conductance


@pytest.mark.parametrize(
    ("wires", "ratios", "mass", "resistance"),
    [((6,), (12,), 7.091, 0.1447), ((6, 12), (13, 12), 19.34, 0.05357), ((6, 12, 18), (14, 13, 12), 37.74, 0.02757)],
)
def test_stranding_constants_bs_215_iec_61089(wires, ratios, mass, resistance):
    """Mass and resistance constants of 7, 19 and 37 wires (recalled; recomputed with usual lay ratios)."""
    found = layers(wires, ratios)
    assert found[0] == pytest.approx(mass, rel=2e-4)
    assert found[1] == pytest.approx(resistance, rel=4e-4)


@pytest.mark.parametrize(
    ("cores", "ratio"),
    [
        *[(3, 2.155), (6, 3.0), (7, 3.0), (12, 4.155), (19, 5.0)],  # in a printed table, seen
        *[(1, 1.0), (2, 2.0), (4, 2.414), (5, 2.701)],  # by geometry
    ],
)
def test_diameter_over_laid_up_cores(cores, ratio):
    """C18. 12 cores lie 3 + 9, 19 lie 1 + 6 + 12."""
    assert pitch_diameter_ratios(cores)[-1] + 1 == pytest.approx(ratio, abs=5e-4)


@given(st.integers(-2, 60).filter(lambda n: n not in LAYERS))
def test_cores_whose_layers_are_not_known_are_refused(cores):
    """C18."""
    with pytest.raises(ValueError, match="whose layers are known"):
        pitch_diameter_ratios(cores)


@pytest.mark.parametrize("cores", LAYERS)
def test_equal_cores_have_room_in_every_layer(cores):
    """Neighbours on one pitch circle are at least a core's diameter apart, and layers two radii."""
    ratios = pitch_diameter_ratios(cores)
    for count, ratio in zip(LAYERS[cores], ratios, strict=True):
        assert count == 1 or ratio * math.sin(math.pi / count) >= 1 - 1e-12
    assert np.diff(ratios) == pytest.approx(2.0)


def test_the_recipe_s_layers_are_those_of_the_geometry():
    assert {n: layers for n, layers in LAYERS.items() if len(layers) > 1} == CORES_BY_LAYER
    assert set(get_args(LayingUp.model_fields["cores"].annotation)) == set(LAYERS) - {1}


def test_lay_of_a_single_and_a_double_twist():
    """30 m/min at 500 rpm: 60 mm single, 30 mm double (common practice, no source)."""
    assert lay_mm(30, 500) == 60
    assert lay_mm(30, 500, 2) == 30
    with pytest.raises(ValueError, match="one or two twists"):
        lay_mm(30, 500, 3)


@pytest.mark.parametrize(
    ("d", "w", "q", "pitch"), [(10, 25, 0.25, 23.36836), (6, 20, 0.5, 11.79698), (8, 15, 0.25, 12.58077)]
)
def test_overlap_of_a_tape_by_its_pitch(d, w, q, pitch):
    assert tape_overlap(d, w, pitch) == pytest.approx(q, abs=5e-7)
    per_m = math.sqrt(1 + (math.pi * d / pitch) ** 2)
    assert per_m * w / (math.pi * d) == pytest.approx(1 / (1 - q), rel=1e-6)  # area over area


@given(st.floats(1, 8), st.floats(200, 500), st.floats(300, 700), st.floats(0, 1))
def test_a_place_on_a_drum_counts_its_metres(cable, barrel, width, share):
    drum = Drum(barrel, barrel + 20 * cable, width)
    length = sum(drum.layer_m(i, cable) for i in range(10))
    place = place_on(drum, cable, share * length, length)
    before = sum(drum.layer_m(i, cable) for i in range(place.layer - 1))
    each = drum.layer_m(place.layer - 1, cable) / drum.turns(cable)
    assert before + (place.turn - 1) * each <= share * length + 1e-6 <= before + place.turn * each + 2e-6
    assert place.layers_above == 10 - place.layer


def test_a_metre_that_is_not_on_it_is_refused():
    with pytest.raises(ValueError, match="not on a drum"):
        place_on(Drum(300, 600, 400), 4, 1001, 1000)
