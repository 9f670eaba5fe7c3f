"""Geometry of laying up, taping and winding: lay factors, tape overlap, where a metre lies on a drum."""

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray


def lay_factor(pitch_diameter_mm: float, lay_mm: float) -> float:
    """Length of a core over length of cable: a helix unrolled (identity)."""
    return math.sqrt(1 + (math.pi * pitch_diameter_mm / lay_mm) ** 2)


Number = TypeVar("Number", float, NDArray[np.float64])


def lay_mm(speed_m_per_min: Number, bow_rpm: Number, twists_per_turn: int = 1) -> Number:
    """Lay length of a machine: cable made in one twist. A double-twist bow makes two a turn (common practice)."""
    if np.any(np.asarray(bow_rpm) <= 0) or twists_per_turn not in (1, 2):
        raise ValueError(f"expected a bow speed > 0 and one or two twists a turn, got {bow_rpm} and {twists_per_turn}")
    return 1000 * speed_m_per_min / (bow_rpm * twists_per_turn)


# Cores in each layer from the centre out, for those counts whose round lay is known.
LAYERS: dict[int, tuple[int, ...]] = {
    1: (1,),
    2: (2,),
    3: (3,),
    4: (4,),
    5: (5,),
    6: (6,),
    7: (1, 6),
    12: (3, 9),
    19: (1, 6, 12),
}


def pitch_diameter_ratios(cores: int) -> tuple[float, ...]:
    """Diameter of the circle through the core centres of each layer over a core's diameter, from the centre out.

    Equal cores in the innermost layer touch each other (geometry: 1/sin(pi/n)); each further layer lies on the one
    below, two core diameters further across. ValueError for a number of cores whose layers are not in `LAYERS`.
    """
    if cores not in LAYERS:
        known = ", ".join(map(str, LAYERS))
        raise ValueError(f"expected a number of cores whose layers are known ({known}), got {cores}")
    inner = LAYERS[cores][0]
    first = 0.0 if inner == 1 else 1 / math.sin(math.pi / inner)
    return tuple(first + 2 * layer for layer in range(len(LAYERS[cores])))


def tape_overlap(diameter_mm: float, width_mm: float, pitch_mm: Number) -> Number:
    """Overlap (share of the width) of a tape wound with a pitch; negative is a gap."""
    free: Number = pitch_mm / np.hypot(1, pitch_mm / (math.pi * diameter_mm))
    return 1 - free / width_mm


# ---- drums -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drum:
    """An empty drum: barrel and flange diameter, width between the flanges [mm]; turns lie side by side in layers."""

    barrel_mm: float
    flange_mm: float
    width_mm: float

    def turns(self, cable_mm: float) -> int:
        """Turns in one layer."""
        return max(1, int(self.width_mm / cable_mm + 1e-9))

    def layer_m(self, layer: int, cable_mm: float) -> float:
        """Cable in a layer, the first is 0: each turn at the middle of its cable."""
        return self.turns(cable_mm) * math.pi * (self.barrel_mm + (2 * layer + 1) * cable_mm) / 1000


@dataclass(frozen=True, slots=True)
class Place:
    """Where a metre lies: layer from the barrel and turn within it, both from 1, and layers to unwind before it."""

    layer: int
    turn: int
    layers_above: int


def place_on(drum: Drum, cable_mm: float, metre_m: float, length_m: float) -> Place:
    """Place of a drum metre (wound order) on a drum that holds `length_m`. ValueError for a metre not on it."""
    if not 0 <= metre_m <= length_m:
        raise ValueError(f"metre {metre_m:g} is not on a drum of {length_m:g} m")
    layer, left = _layer_of(drum, cable_mm, metre_m)
    top, _ = _layer_of(drum, cable_mm, length_m)
    each = drum.layer_m(layer, cable_mm) / drum.turns(cable_mm)
    return Place(layer + 1, min(int(left / each) + 1, drum.turns(cable_mm)), top - layer)


def _layer_of(drum: Drum, cable_mm: float, metre_m: float) -> tuple[int, float]:
    layer = 0
    while metre_m > (room := drum.layer_m(layer, cable_mm)) + 1e-6:
        metre_m -= room
        layer += 1
    return layer, metre_m
