"""Drum and pay-off changes (R23): a drum that is on is not put on again otherwise, and no change is sent twice."""

import pytest

from monitor.contract.messages import DrumChange, PayoffChange
from monitor.contract.topics import Stream
from monitor.core.arrival import Message
from monitor.gateway.conformance.drum_changes import DrumChanges


def message(body: DrumChange | PayoffChange) -> Message:
    station = "take-up" if isinstance(body, DrumChange) else "pay-off"
    quantity = "drum" if isinstance(body, DrumChange) else "payoff"
    return Message(stream=Stream("lay-1", station, quantity), n=body.n, t_s=0.0, end_s=0.0, received_s=0.0, body=body)


def drum(name: str | None, recipe: str = "") -> DrumChange:
    return DrumChange(n=1, t=0, drum=name, recipe=recipe)


@pytest.mark.parametrize(
    ("changes", "kept"),
    [
        ([drum("A", "r"), drum("B", "r")], True),
        ([drum("A", "r"), drum(None), drum("A", "s")], True),
        ([drum("A", "r"), drum("A", "r")], True),
        ([drum("A", "r"), drum("A", "s")], False),
        ([PayoffChange(n=1, t=0, drum="A"), PayoffChange(n=2, t=9, drum="A")], True),
        ([PayoffChange(n=1, t=0, drum="A"), PayoffChange(n=2, t=0, drum="A")], False),
    ],
)
def test_what_the_messages_show(changes, kept):
    changes_seen = DrumChanges()
    judged = [one for body in changes for one in changes_seen.take(message(body))]
    assert len(judged) == len(changes)
    assert all(good for good, _ in judged[:-1])
    assert judged[-1][0] is kept
