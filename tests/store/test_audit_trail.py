"""The journal holds what people did, once, and shows when anyone changed it."""

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, create_engine, delete, select, text, update

from monitor.core.arrival import Arrival
from monitor.shell.processor import Processor
from monitor.store.audit_trail import JournalEntry, append, verify
from monitor.store.schema import JOURNAL, METADATA
from tests.core.script import T0, Script
from tests.core.test_pipeline import core_line
from tests.shell.works import processor_at, take


def rows_of(processor: Processor) -> Sequence[Any]:
    with processor.writer.engine.connect() as c:
        return c.execute(select(JOURNAL).order_by(JOURNAL.c.line, JOURNAL.c.seq)).all()


def acted(script: Script, s: int) -> None:
    if s == 20:
        script.send_samples("spark-electrode/spark-fault", T0 + 20.3, 1)
    if s == 25:
        script.send(
            "operator/action", T0 + 25, action="acknowledge", by="Mira", reason="seen",
            alarm="spark-electrode/spark-fault/spark-fault",
        )  # fmt: skip
    if s == 30:
        script.send(
            "operator/action", T0 + 30, action="mark metres", by="Olle", reason="scrape", start_m=1010, end_m=1012
        )


@pytest.fixture
def arrivals() -> list[Arrival]:
    return core_line(60, before=acted).sorted()


def test_what_people_did_is_there_with_who_when_why_before_and_after(place, arrivals):
    processor = processor_at(place)
    take(processor, arrivals)
    entries = [(r.who, r.action, r.target, r.reason, r.before, r.after) for r in rows_of(processor)]
    alarm = "spark-electrode/spark-fault/spark-fault"
    assert ("Mira", "acknowledge", alarm, "seen", "unacknowledged", "acknowledged") in entries
    assert ("Olle", "mark metres", "1010.0 to 1012.0 m", "scrape", "", "suspect") in entries
    assert len(entries) == 2
    assert [v.wrong for v in verify(rows_of(processor))] == [""]


def test_what_is_reported_again_after_a_restart_is_not_written_again(place, arrivals):
    processor = processor_at(place)
    take(processor, arrivals)
    once = rows_of(processor)
    processor.writer.close()
    again = processor_at(place, again=True)  # no checkpoint: every message is fed anew
    assert rows_of(again) == once


def test_a_recipe_that_changed_is_reported_by_its_digests(place):
    processor = processor_at(place)
    recipe = processor.configuration.recipes["core-2g5"]
    processor.writer.keep_revisions([recipe], T0)
    processor.writer.keep_revisions([recipe], T0 + 10)
    later = recipe.model_copy(update={"revision": 2, "title": "another"})
    processor.writer.keep_revisions([later], T0 + 20)
    first, second = rows_of(processor)
    assert (first.before, first.target) == ("", "recipe core-2g5 revision 1")
    assert second.before == first.after
    assert second.after != first.after


ENTRIES = [
    JournalEntry(
        line=f"line-{i % 2}",
        t_ms=1000 + i,
        who="Mira",
        action="acknowledge",
        target=f"a/{i}",
        reason="",
        before="x",
        after="y",
    )
    for i in range(20)
]


def kept() -> Engine:
    engine = create_engine("sqlite://")
    METADATA.create_all(engine)
    with engine.begin() as c:
        assert append(c, ENTRIES) == 20
        assert append(c, ENTRIES) == 0
    return engine


def verdicts(engine: Engine) -> dict[str, str]:
    with engine.connect() as c:
        rows = c.execute(select(JOURNAL).order_by(JOURNAL.c.line, JOURNAL.c.seq)).all()
    return {v.line: v.wrong for v in verify(rows)}


def test_an_untouched_chain_is_sound():
    assert verdicts(kept()) == {"line-0": "", "line-1": ""}


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 10), st.sampled_from(["t_ms", "who", "action", "target", "reason", "before", "after", "hash"]))
def test_any_change_of_any_field_shows_and_only_on_its_line(seq, field):
    engine, j = kept(), JOURNAL.c
    with engine.begin() as c:
        value = 5 if field == "t_ms" else "f" * 64
        c.execute(update(JOURNAL).where(j.line == "line-1", j.seq == seq).values({field: value}))
    found = verdicts(engine)
    assert found["line-0"] == ""
    assert f"entry {seq} is not what was written" in found["line-1"]


@given(st.integers(1, 9))
def test_an_entry_that_was_taken_out_shows_even_if_the_rest_is_numbered_again(seq):
    engine, j = kept(), JOURNAL.c
    with engine.begin() as c:
        c.execute(delete(JOURNAL).where(j.line == "line-0", j.seq == seq))
    assert f"entry {seq} is missing" in verdicts(engine)["line-0"]
    with engine.begin() as c:
        c.execute(text("update journal set seq = seq - 1 where line = 'line-0' and seq > :s"), {"s": seq})
    assert f"entry {seq} is not what was written" in verdicts(engine)["line-0"]
