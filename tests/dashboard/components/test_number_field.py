"""A field for a number: what it shows is read back as the same number."""

from hypothesis import given
from hypothesis import strategies as st

from dashboard.components.number_field import number_field


@given(st.floats(-1e6, 1e6).map(lambda v: float(f"{v:.10g}")))
def test_what_a_field_shows_is_the_value_to_ten_digits(value):
    assert float(number_field("x", "Limit", value).value) == value


def test_a_field_without_a_value_is_empty_and_zero_is_a_value():
    assert number_field("x", "Limit", None).value == ""
    assert number_field("x", "Limit", 0.0).value == "0"


def test_its_unit_is_written_as_people_write_it_and_has_room():
    field = number_field("x", "Limit", 1.0, "degC")
    assert field.rightSection == "\N{DEGREE SIGN}C"
    assert field.rightSectionWidth >= 8 * len(field.rightSection)
    assert number_field("x", "Count", 1.0, "count").rightSection is None
    assert number_field("x", "m", 1.0, "m/min").rightSectionWidth > field.rightSectionWidth


def test_it_is_a_text_field_since_a_number_field_drops_letters():
    field = number_field({"limit": "hi"}, "Limit", 1.0, description="allowed 0 to 5")
    assert (type(field).__name__, field.inputProps, field.description) == (
        "TextInput", {"inputMode": "text"}, "allowed 0 to 5",
    )  # fmt: skip
