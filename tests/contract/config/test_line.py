"""A line's file: what does not fit together is refused in words, and ranges bound what can be computed with."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract import bounds
from monitor.contract.config.line import Derived, Line, Station, StreamSettings, Zone
from monitor.contract.topics import RESERVED_STATIONS
from monitor.contract.units import ABSOLUTE_ZERO_C
from tests.core.script import configuration

LINES = configuration().lines
CORE = LINES["core-1"]


def changed(**more: object) -> Line:
    return Line.model_validate(CORE.model_dump() | more)


@pytest.mark.parametrize("name", sorted(LINES))
def test_every_stream_has_a_range_that_can_be_computed_with(name):
    line = LINES[name]
    for path, settings in line.streams.items():
        low, high = line.range_of(path)
        assert -bounds.VALUE <= low < high <= bounds.VALUE
        if settings.unit == "degC":
            assert low >= ABSOLUTE_ZERO_C
        if settings.measuring_range:
            assert settings.measuring_range[0] <= low
            assert high <= settings.measuring_range[1]


@pytest.mark.parametrize("name", sorted(RESERVED_STATIONS))
def test_a_station_must_not_be_called_as_a_message(name):
    with pytest.raises(ValueError, match="is reserved for messages; choose another"):
        Station(name=name, position_m=1.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"take_up": "nowhere"}, "take_up: station 'nowhere' is not listed"),
        ({"pay_off": ["nowhere"]}, "pay_off: station 'nowhere' is not listed"),
        ({"counter": {"stream": "a/b", "speed": "c/d"}}, "counter.stream: stream 'a/b' is not listed"),
    ],
)
def test_a_name_that_is_not_there_is_named_with_its_place(change, words):
    with pytest.raises(ValueError, match=words):
        changed(**change)


def test_all_faults_are_named_at_once():
    with pytest.raises(ValueError, match=r"take_up: station 'x'.*pay_off: station 'y'"):
        changed(take_up="x", pay_off=["y"])


@given(start=st.floats(-10, 100), length=st.floats(-10, 10))
def test_a_zone_has_a_length(start, length):
    if start + length > start:
        assert Zone(name="oven", start_m=start, end_m=start + length).end_m > start
    else:
        with pytest.raises(ValueError, match="must be greater than start_m"):
            Zone(name="oven", start_m=start, end_m=start + length)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"unit": "furlong"}, "unit 'furlong' is not known; known are"),
        ({"unit": "mm", "interval_s": None}, "needs interval_s"),
        ({"unit": "mm", "missing_after_s": 5.0}, r"needs an \[stream.instrument\] table"),
        ({"unit": "mm", "derived": Derived(rule="tape overlap", of="a/b", tape="mica")}, "is in '%', got unit 'mm'"),
        ({"unit": "mm", "kind": "events", "derived": Derived(rule="lay length", of="a/b")}, "no instrument of its own"),
    ],
)
def test_a_stream_that_does_not_fit_is_refused(more, words):
    with pytest.raises(ValueError, match=words):
        StreamSettings.model_validate({"station": "gauge", "quantity": "diameter", "interval_s": 1.0, **more})


@pytest.mark.parametrize(("rule", "tape"), [("tape overlap", None), ("lay length", "mica")])
def test_a_tape_is_named_for_its_overlap_and_only_for_it(rule, tape):
    with pytest.raises(ValueError, match="`tape` names the recipe's tape"):
        Derived(rule=rule, of="bow/speed", tape=tape)


def test_how_long_a_sample_speaks_for_the_cable():
    usual = StreamSettings(station="a", quantity="b", unit="mm", interval_s=2.0)
    assert usual.held_s == 6.0
    assert usual.model_copy(update={"hold_s": 1.5}).held_s == 1.5
    assert Station(name="a", position_m=1.0, end_m=4.0).middle_m == 2.5
