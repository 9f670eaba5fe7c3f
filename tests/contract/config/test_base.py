"""What all configuration is made of: names, numbers, and that nothing unknown is passed over."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from monitor.contract.config.base import Name, Positive, Settings, StreamPath, refuse, repeated
from monitor.contract.topics import NAME


@given(text=st.text(alphabet="aB0-/ é", max_size=8))
def test_a_name_of_a_file_is_a_level_of_a_topic(text):
    try:
        TypeAdapter(Name).validate_python(text)
        taken = True
    except ValidationError:
        taken = False
    assert taken is bool(NAME.fullmatch(text))


@pytest.mark.parametrize(
    "path", ["oven", "oven/", "/temperature", "oven/a/b", "Oven/temperature", "oven/temperature\n"]
)
def test_a_stream_path_has_two_names(path):
    with pytest.raises(ValidationError):
        TypeAdapter(StreamPath).validate_python(path)
    assert TypeAdapter(StreamPath).validate_python("oven-b/temperature") == "oven-b/temperature"


def test_settings_are_frozen_and_know_their_keys():
    class Oven(Settings):
        at_C: Positive

    with pytest.raises(ValidationError, match="Extra inputs"):
        Oven.model_validate({"at_C": 1.0, "at_F": 2.0})
    with pytest.raises(ValidationError, match="frozen"):
        Oven(at_C=1.0).at_C = 2.0  # type: ignore[misc]


@given(names=st.lists(st.sampled_from("abc"), max_size=6))
def test_what_stands_more_than_once_is_named_once(names):
    found = repeated("oven", names)
    assert found == [f"oven {n!r} occurs more than once" for n in "abc" if names.count(n) > 1]
    if found:
        with pytest.raises(ValueError, match=r"^oven .*more than once"):
            refuse(found)
    else:
        refuse(found)
