"""Which rotating part a period belongs to."""

import pytest

from monitor.analysis.rotating_parts import rank, turn
from monitor.contract.config.line import RotatingPart
from tests.core.script import configuration

PARTS = configuration().lines["core-1"].rotating_part


@pytest.mark.parametrize("part", [p for p in PARTS if p.circumference_m], ids=lambda p: p.name)
def test_a_part_is_named_by_its_turn_worn_within_its_tolerance(part):
    at = part.circumference_m * (1 - part.wear_tolerance_percent / 300)
    found = rank(PARTS, at, at - 0.0005, at + 0.0005)
    assert found.part is not None
    assert found.part.part.name == part.name
    assert found.part.marks == 1
    assert sum(c.weight for c in found.candidates) + found.none == pytest.approx(1, abs=0.02)


def test_a_stranger_is_none_of_them():
    found = rank(PARTS, 1.7, 1.6995, 1.7005)
    assert found.part is None
    assert "none of the listed parts" in found.why
    assert found.none > 0.9


def test_two_marks_on_a_turn_are_reported_as_such():
    found = rank([p for p in PARTS if p.name == "far-sheave-wheel"], 1.885, 1.8845, 1.8855)
    assert (found.part.part.name, found.part.marks) == ("far-sheave-wheel", 2)


def test_parts_alike_are_not_told_apart():
    twins = [RotatingPart(name=n, station="capstan", circumference_m=2.5) for n in ("one", "two")]
    found = rank(twins, 2.5, 2.499, 2.501)
    assert found.part is None
    assert "cannot be distinguished" in found.why


def test_a_part_of_a_drive_turns_by_seconds():
    screw = RotatingPart(name="screw", station="head", speed_stream="head/screw-speed", gear_ratio=2.0)
    assert turn(screw, "metres") is None
    assert turn(screw, "seconds", 30.0) == 1.0
    found = rank([screw], 1.0, 0.999, 1.001, "seconds", {"head/screw-speed": 30.0})
    assert found.part.part.name == "screw"
    assert "no rotating part" in rank([screw], 1.0, 0.9, 1.1, "metres").why


def test_a_part_has_one_way_to_turn():
    for more in ({}, {"circumference_m": 1.0, "speed_stream": "head/screw-speed"}):
        with pytest.raises(ValueError, match="one of them"):
            RotatingPart(name="x", station="head", **more)
