"""What an engine is fed: one of a known few types, each light and frozen, since one is made for each message."""

import typing

import msgspec
import pytest

from monitor.core import arrival
from monitor.core.arrival import Arrival, Block, LineArrival, Message, Note, Tick
from tests.core.script import T0, Script, decoded, pipeline

KINDS = [Arrival, Block, Message, Tick, Note]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_it_is_a_frozen_struct(kind):
    assert issubclass(kind, msgspec.Struct)
    assert kind.__struct_config__.frozen
    assert kind.__module__ == arrival.__name__


def test_an_engine_takes_each_kind_that_a_line_is_fed():
    engine = pipeline()
    script = Script()
    script.send_samples("oven-a/temperature", T0, [290.0, 291.0], 0.5)
    (message,) = decoded(script.sorted())
    fed = [message, Tick(T0 + 5.0), Note(T0 + 6.0, "monitor/disk/low", "raised", 1.0)]
    assert {type(one) for one in fed} == set(typing.get_args(LineArrival))
    engine.feed(fed)
    assert engine.newest_s == T0 + 0.5  # a tick and a note are no data


def test_a_message_of_samples_spans_its_first_to_its_last():
    script = Script()
    script.send_samples("oven-a/temperature", T0, [290.0, 291.0, 292.0], 0.5)
    (message,) = decoded(script.sorted())
    assert isinstance(message.body, Block)
    assert (message.t_s, message.end_s) == (message.body.t_s[0], message.body.t_s[-1]) == (T0, T0 + 1.0)
