"""An engine that stops anywhere goes on as if it had not, by its checkpoint and the messages that followed."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import update

from monitor.contract.schema import CHECKPOINT
from monitor.shell import service
from monitor.shell.restore import restore
from tests.core.story import T0
from tests.core.test_pipeline import tell
from tests.shell.test_store import busy
from tests.shell.works import desk_at, everything, take

ARRIVALS = tell(130, before=busy).sorted()


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory) -> dict:
    folder = tmp_path_factory.mktemp("undisturbed")
    take(desk_at(folder), ARRIVALS, 50)
    return everything(folder)


@settings(max_examples=8, deadline=None)
@given(stops=st.lists(st.integers(1, len(ARRIVALS) - 1), min_size=1, max_size=4), often=st.booleans())
def test_killed_anywhere_the_record_is_that_of_an_undisturbed_run(tmp_path_factory, undisturbed, stops, often):
    folder = tmp_path_factory.mktemp("killed")
    edges = [0, *sorted(set(stops)), len(ARRIVALS)]
    every = 0.5 if often else 30.0
    for i, (a, b) in enumerate(pairwise(edges)):
        desk = desk_at(folder, again=i > 0)
        with pytest.MonkeyPatch.context() as m:
            m.setattr(service, "CHECKPOINT_EVERY_S", every)
            take(desk, ARRIVALS[a:b], 50)
        desk.writer.close()  # without a last batch: as kill -9 leaves it
    assert everything(folder) == undisturbed


def test_a_damaged_checkpoint_is_set_aside_and_the_messages_are_read_anew(place, undisturbed):
    desk = desk_at(place)
    take(desk, ARRIVALS[:1500], 50)
    desk.writer.write(desk.last_batch())
    with desk.writer.engine.begin() as c:
        c.execute(update(CHECKPOINT).values(state=b"of another age"))
    said: list[str] = []
    pipeline = restore(desk.writer, desk.configuration, "core-1", said.append)
    assert "reading the messages held anew" in said[0]
    desk.pipelines["core-1"] = pipeline
    take(desk, ARRIVALS[1500:], 50)
    assert everything(place) == undisturbed


def test_another_configuration_begins_anew_too(place):
    desk = desk_at(place)
    take(desk, ARRIVALS[:1500], 50)
    desk.writer.write(desk.last_batch())
    line = desk.configuration.lines["core-1"].model_copy(update={"settle_s": 6.0})
    changed = desk.configuration.model_copy(update={"lines": desk.configuration.lines | {"core-1": line}})
    said: list[str] = []
    pipeline = restore(desk.writer, changed, "core-1", said.append)
    assert pipeline.line.settle_s == 6.0
    assert pipeline.drum is not None
    assert "as it was described before" in said[0]


def test_a_line_never_heard_begins_quietly(place):
    desk = desk_at(place)
    said: list[str] = []
    assert restore(desk.writer, desk.configuration, "core-2", said.append).now().t_s == 0.0
    assert said == []
    assert T0 > 0
