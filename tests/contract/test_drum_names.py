"""The alarm on a drum's name that comes back: low, and it says what to do."""

from monitor.contract.drum_names import NAME_USED, PRIORITY, RESPONSE
from monitor.contract.record import Priority


def test_it_is_low_and_asks_for_a_look_at_the_label():
    assert PRIORITY is Priority.LOW
    assert NAME_USED.split("/")[:2] == ["line", "drum"]
    assert "label" in RESPONSE.corrective_action
    assert RESPONSE.time_to_respond_s >= 600
