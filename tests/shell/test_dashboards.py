"""What people do on several dashboards at once is stored, all of it, whatever their clocks show."""

import json

from sqlalchemy import select

from dashboard.gateway import Outgoing
from monitor.contract.messages import Action
from monitor.contract.topics import action_topic
from monitor.core.arrival import Arrival
from monitor.shell.processor import Processor
from monitor.store.numbering import NUMBERINGS_MAX
from monitor.store.schema import MESSAGE
from tests.core.script import T0
from tests.shell.works import processor_at, take

TOPIC = action_topic("tarn", "core-1")


def act(t_s: float, what: str) -> Action:
    return Action(n=0, t=round(t_s * 1e3), action="note work", by="Mira", reason=what, station="head")


class Dashboard:
    """One process of the pages: its clock may be behind by some seconds."""

    def __init__(self, at_s: float, behind_s: float = 0.0) -> None:
        self.behind_s = behind_s
        self.outgoing = Outgoing(round((at_s - behind_s) * 1e3))

    def act(self, at_s: float, what: str) -> Arrival:
        return Arrival(TOPIC, self.outgoing.encode(TOPIC, act(at_s - self.behind_s, what)), at_s)


def stored(processor: Processor) -> set[str]:
    """Reasons of the acts on record."""
    with processor.writer.engine.connect() as connection:
        payloads = connection.execute(select(MESSAGE.c.payload).where(MESSAGE.c.quantity == "action")).scalars()
        return {json.loads(payload)["reason"] for payload in payloads}


def test_two_dashboards_with_clocks_an_hour_apart_lose_no_act(place):
    """Fifty acts each, in turn. A numbering for each act would lose 35 of them: the monitor remembers sixteen."""
    processor, first, second = processor_at(place), Dashboard(T0), Dashboard(T0, behind_s=3600.0)
    for i in range(50):
        take(processor, [first.act(T0 + i, f"first {i}"), second.act(T0 + i, f"second {i}")], size=1)
    assert processor.rejected == {}
    assert stored(processor) == {f"{which} {i}" for which in ("first", "second") for i in range(50)}


def test_a_dashboard_that_runs_on_while_another_is_started_again_and_again_loses_no_act(place):
    """A numbering that is used is remembered, however old its start."""
    processor, steady = processor_at(place), Dashboard(T0)
    for i in range(2 * NUMBERINGS_MAX):
        take(
            processor, [steady.act(T0 + i, f"steady {i}"), Dashboard(T0 + i + 1).act(T0 + i + 1, f"other {i}")], size=1
        )
    assert processor.rejected == {}
    assert stored(processor) == {f"{which} {i}" for which in ("steady", "other") for i in range(2 * NUMBERINGS_MAX)}
