"""Limits that came into force live on: after a restart, after the messages are gone, and beside the files."""

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.limits import limits_of
from monitor.shell.processor import Processor
from monitor.shell.restore import restore
from monitor.store.audit_trail import verify
from monitor.store.reader import StoreReader
from monitor.store.revisions import RevisionConflictError, refuse_conflicts
from monitor.store.schema import CHECKPOINT, MESSAGE
from tests.core.script import T0, Script
from tests.core.test_pipeline import core_line
from tests.core.test_revisions import HI
from tests.shell.works import everything, processor_at, settings_at, stored_at, take
from tests.store.test_audit_trail import rows_of


def before(script: Script, s: int) -> None:
    t = T0 + s
    if s == 20:
        script.send(
            "operator/limits", t, step="propose", proposal="P1", recipe="core-2g5", by="Mira", reason="too tight",
            changes={HI: 304.0}, rehearsal="8 alarms a shift become 3",
        )  # fmt: skip
    if s == 40:
        script.send("operator/limits", t, step="approve", proposal="P1", recipe="core-2g5", by="Olle", reason="agreed")


ARRIVALS = core_line(80, before=before).sorted()


@pytest.fixture
def processor(place: Path) -> Processor:
    one = processor_at(place)
    take(one, ARRIVALS, 100)
    one.writer.write(one.last_batch())
    return one


def test_who_proposed_and_approved_what_is_on_record_and_in_the_journal(processor, place):
    reader = StoreReader(settings_at(place))
    (proposal,) = reader.proposals()
    assert (proposal.state, proposal.by, proposal.decided_by, proposal.revision) == ("approved", "Mira", "Olle", 2)
    assert proposal.changes == {HI: 304.0}
    assert proposal.rehearsal == "8 alarms a shift become 3"
    (row,) = reader.came_into_force("core-1")
    assert (row.recipe.revision, row.approved_by, row.t_ms) == (2, "Olle", round((T0 + 40) * 1e3))
    journal = rows_of(processor)
    assert [(e.who, e.action) for e in journal if e.line == "core-1"] == [
        ("Mira", "propose"), ("Olle", "approved"), ("Olle", "take into force"),
    ]  # fmt: skip
    assert not [v.wrong for v in verify(journal) if v.wrong]


def test_a_restart_goes_on_with_what_is_in_force(processor, place):
    before_ = everything(place)
    processor.writer.close()
    pipeline = processor_at(place, again=True).engine.pipelines["core-1"]
    assert limits_of(pipeline.recipe)[HI] == 304.0
    assert pipeline.recipe.revision == 2
    assert everything(place) == before_


def test_it_is_still_in_force_when_its_messages_are_gone(processor, place):
    with processor.writer.engine.begin() as c:
        c.execute(delete(MESSAGE))
        c.execute(delete(CHECKPOINT))
    pipeline = restore(processor.writer, processor.configuration, "core-1", lambda _: None)
    assert limits_of(pipeline.recipes["core-2g5"])[HI] == 304.0
    assert pipeline.revisions.earlier["core-2g5", 1].revision == 1


def _with_file(configuration: Configuration, **update: Any) -> Configuration:
    recipe = configuration.recipes["core-2g5"].model_copy(update=update)
    return configuration.model_copy(update={"recipes": configuration.recipes | {"core-2g5": recipe}})


def test_a_newer_file_is_in_force_from_the_restart_on_and_says_so(processor, place):
    log: list[str] = []
    newer = restore(processor.writer, _with_file(stored_at(place), revision=3), "core-1", log.append)
    assert newer.recipes["core-2g5"].revision == newer.recipe.revision == 3
    assert limits_of(newer.recipe)[HI] == 315.0
    row = StoreReader(settings_at(place)).came_into_force("core-1")[0]
    at_m = newer.track.now_m + newer.line.counter_m - newer.line.take_up_m
    assert (row.recipe.revision, row.by, row.changes) == (3, "configuration files", {HI: 315.0})
    assert row.line_metre == pytest.approx(at_m)
    assert f"recipe core-2g5 revision 3 is in force from metre {at_m:.1f} on" in log[-1]
    assert ("configuration files", "recipe core-2g5 revision 3") in [(e.who, e.target) for e in rows_of(processor)]


def test_a_file_of_a_revision_that_the_pages_took_is_refused(processor, place):
    c = _with_file(stored_at(place), revision=2)
    with pytest.raises(RevisionConflictError) as refused:
        refuse_conflicts(processor.writer.engine, c, ["core-1"])
    assert str(refused.value) == (
        "recipes/core-2g5.toml: revision 2 is on record for line core-1 with other content "
        "(window/oven-b/temperature/hi: 304 on record, 315 in the file): give it revision 3"
    )
