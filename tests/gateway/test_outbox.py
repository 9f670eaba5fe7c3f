"""What is neither known to be stored nor refused stays, in order, for each stream."""

import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.messages import Stored
from monitor.gateway.outbox import DiskOutbox, Outbox
from simulator import resume
from simulator.pace import begin


@given(st.lists(st.tuples(st.sampled_from("abc"), st.booleans(), st.integers(0, 30)), max_size=80))
def test_the_outbox_holds_what_was_added_and_not_stored(steps: list[tuple[str, bool, int]]) -> None:
    outbox, model, numbers = Outbox(), [], dict.fromkeys("abc", 0)
    for topic, add, n in steps:
        if add:
            outbox.add(topic, numbers[topic], b"")
            model.append((topic, numbers[topic]))
            numbers[topic] += 1
        else:
            outbox.stored(topic, Stored(n=n, first=0))
            model = [(t, k) for t, k in model if t != topic or k > n]
        assert [(k.topic, k.n) for k in outbox.after(-1, 1000)] == model
        assert len(outbox) == len(model)


def test_missing_numbers_and_those_of_another_numbering_are_kept_b3() -> None:
    outbox = Outbox()
    for start, n in [(0, 8), (0, 9), (7, 0), (7, 1), (7, 2), (7, 3)]:
        outbox.add("a", n, b"", start)
    outbox.stored("a", Stored(n=3, first=1, missing=[(2, 2)], start=7))
    assert [(k.start, k.n) for k in outbox.after(-1, 10)] == [(0, 8), (0, 9), (7, 0), (7, 2)]


def test_a_refused_message_is_forgotten_once_and_no_other_b1() -> None:
    outbox = Outbox()
    for start, n in [(0, 0), (7, 0), (7, 1)]:
        outbox.add("a", n, b"", start)
    assert outbox.refused("a", 7, 0)
    assert not outbox.refused("a", 7, 0)
    assert [(k.start, k.n) for k in outbox.after(-1, 10)] == [(0, 0), (7, 1)]


def test_an_outbox_of_version_0_4_0_is_opened(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "a.outbox") as file:
        file.execute("create table kept (place integer primary key, topic text, n integer, payload blob)")
        file.execute("insert into kept values (4, 'a', 17, x'7b7d')")
    box = DiskOutbox.at(tmp_path / "a.outbox")
    box.add("a", 0, b"{}", 7)
    assert box.keep() == ""
    again = DiskOutbox.at(tmp_path / "a.outbox")
    assert [(k.start, k.n, k.payload) for k in again.after(-1, 10)] == [(0, 17, b"{}"), (7, 0, b"{}")]


def test_the_outbox_is_bounded_and_counts_what_it_gave_up() -> None:
    outbox = Outbox(most=3)
    for n in range(5):
        outbox.add("a", n, b"")
    outbox.add("b", 0, b"")
    assert [(k.topic, k.n) for k in outbox.after(-1, 10)] == [("a", 2), ("a", 3), ("a", 4), ("b", 0)]
    assert (outbox.dropped, outbox.full) == (2, True)
    place = outbox.after(-1, 2)[-1].place
    assert [(k.topic, k.n) for k in outbox.after(place, 10)] == [("a", 4), ("b", 0)]
    assert [(k.topic, k.n) for k in outbox.until(place)] == [("a", 2), ("a", 3)]


@settings(deadline=None)  # it opens files
@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["add", "trim", "keep", "die"]), st.integers(0, 30))))
def test_what_was_written_down_is_there_after_a_death(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, str, int]]
) -> None:
    """Whoever opens the file finds what the last `keep` held, in order, and every number that was used by then."""
    path = tmp_path_factory.mktemp("out") / "line.outbox"
    box, written, nexts = DiskOutbox.at(path, most=10), [], {}
    for topic, what, n in steps:
        if what == "add":
            box.add(topic, box.next_n.get(topic, 0), b"x")
        elif what == "trim":
            box.stored(topic, Stored(n=n, first=0))
        elif what == "keep":
            assert box.keep() == ""
            written, nexts = [(k.topic, k.n) for k in box.after(-1, 1000)], dict(box.next_n)
        else:
            box = DiskOutbox.at(path, most=10)
            assert [(k.topic, k.n) for k in box.after(-1, 1000)] == written
            assert box.next_n == nexts


def test_with_a_full_disk_it_goes_on_from_memory_and_writes_when_it_can(tmp_path: Path) -> None:
    box = DiskOutbox.at(tmp_path / "a.outbox", most=200)
    assert box._file is not None
    box.add("a", 0, b"x" * 100)
    assert box.keep() == ""
    pages = box._file.execute("pragma page_count").fetchone()[0]
    box._file.execute(f"pragma max_page_count = {pages}")  # as a disk without room
    for n in range(1, 300):
        box.add("a", n, b"x" * 1000)
    assert "full" in box.keep()
    assert len(box) == 200
    assert box.dropped == 100
    box._file.execute("pragma max_page_count = 100000")
    assert box.keep() == ""
    assert [k.n for k in DiskOutbox.at(tmp_path / "a.outbox").after(-1, 1000)] == list(range(100, 300))


def test_a_fast_run_meets_the_clock_at_its_end() -> None:
    pace = begin(10.0, 1000.0, 100.0)
    assert pace.start_s == 910.0
    assert pace.due_s(910.0) == 1000.0
    assert pace.due_s(1010.0) == 1010.0  # 100 s of simulated time took 10 s
    assert pace.due_s(1100.0) == 1100.0  # and then in real time
    assert begin(1.0, 1000.0, 100.0).due_s(1003.0) == 1003.0
    assert begin(0.0, 1000.0, 100.0).start_s == 900.0
    with pytest.raises(ValueError, match="--pace"):
        begin(0.5, 0.0, 1.0)


def test_a_line_goes_on_as_it_was_left(tmp_path: Path) -> None:
    left = resume.Left(1234.5, 4, 1e9)
    resume.write(tmp_path / "new", "core-1", left)
    assert resume.read(tmp_path / "new", "core-1") == left
    assert resume.read(tmp_path, "core-1") is None
    (tmp_path / "core-2.json").write_text("{")
    with pytest.raises(ValueError, match="remove it"):
        resume.read(tmp_path, "core-2")
