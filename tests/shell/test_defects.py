"""A defect of our own stops no line: decoding fails over one message, an engine over one line, the others go on."""

import asyncio
import json
import logging
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.exc import OperationalError

from monitor.contract.command import CannotRunError
from monitor.contract.messages import Refused
from monitor.contract.record import Rejected
from monitor.core.arrival import Arrival
from monitor.core.decode import Decoder
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import load
from monitor.shell import processor as processor_module
from monitor.shell import restore, salvage
from monitor.shell.defects import KEPT_MAX, NUMBER_UNKNOWN, Defects, EngineError, engine_step
from monitor.shell.processor import restored
from monitor.shell.service import Service
from monitor.store.schema import REJECTED, SET_ASIDE
from tests.core.script import T0, Script
from tests.core.test_pipeline import core_line
from tests.shell.test_salvage import LINES, MARK, MARKED_NUMBER, is_marked, named, rows_of, store, stored
from tests.shell.test_stop import StoryClock, StubLink, acknowledged_or_stopped
from tests.shell.works import everything, processor_at, take

KINDS: dict[str, Callable[[], Exception]] = {
    "ZeroDivisionError": ZeroDivisionError, "OSError": lambda: OSError(28, "No space left on device"),
    "MemoryError": MemoryError, "StopIteration": StopIteration, "RecursionError": RecursionError,
    "TimeoutError": TimeoutError, "UnicodeDecodeError": lambda: UnicodeDecodeError("utf-8", b"\xff", 0, 1, "x"),
    "CannotRunError": lambda: CannotRunError("x"), "OperationalError": lambda: OperationalError("x", {}, Exception()),
}  # fmt: skip


def script() -> list[Arrival]:
    """Three seconds of two lines, one message of the first marked."""
    one, other = core_line(3), core_line(3, seed=2)
    one.send_samples("dancer/position", T0 + 1.55, MARKED_NUMBER)
    other.arrivals = [
        Arrival(a.topic.replace("core-1", "core-2"), a.payload, a.received_s) for a in other.arrivals
    ]  # fmt: skip
    return sorted([*one.arrivals, *other.arrivals], key=lambda a: a.received_s)


def of_line(counted: "Counter[tuple[str, str, int]]", line: str) -> "Counter[tuple[str, str, int]]":
    return Counter({key: count for key, count in counted.items() if key[0] == line})


def decoding_fails(monkeypatch: pytest.MonkeyPatch, make: Callable[[], Exception], marked: Any = is_marked) -> None:
    decode = Decoder.decode

    def fails(self: Decoder, arrival: Arrival) -> Any:
        if marked(arrival.payload):
            raise make()
        return decode(self, arrival)

    monkeypatch.setattr(Decoder, "decode", fails)


def engine_fails(monkeypatch: pytest.MonkeyPatch, step: str, make: Callable[[], Exception]) -> None:
    """A step of the engine of core-1 always fails; loading it is met once it failed over what it was fed."""
    failed: list[str] = []

    def failing(inner: Any, line_of: Callable[..., str], only_after: bool = False) -> Any:
        def fails(*args: Any, **kwargs: Any) -> Any:
            if line_of(*args) == "core-1" and (failed or not only_after):
                failed.append(step)
                raise make()
            return inner(*args, **kwargs)

        return fails

    of_pipeline = lambda pipeline, *_: pipeline.line.line  # noqa: E731
    if step in ("feed", "load"):
        monkeypatch.setattr(Pipeline, "feed", failing(Pipeline.feed, of_pipeline))
    if step == "now":
        monkeypatch.setattr(Pipeline, "now", failing(Pipeline.now, of_pipeline))
    if step == "load":
        monkeypatch.setattr(salvage, "load", failing(load, lambda _, given: given.line.line, True))
    if step == "dump":
        for module in (processor_module, salvage, restore):
            monkeypatch.setattr(module, "dump", failing(module.dump, of_pipeline))


# ---- decoding --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_a_message_over_which_decoding_fails_is_refused_for_now_and_every_other_stored(tmp_path, monkeypatch, kind):
    arrivals, processor = script(), processor_at(tmp_path, lines=LINES)
    marked = [a for a in arrivals if is_marked(a.payload)]
    n = json.loads(marked[0].payload)["n"]
    with monkeypatch.context() as m:
        decoding_fails(m, KINDS[kind])
        outputs = store(processor, arrivals)
        outputs += store(processor, marked)  # it comes again
    assert stored(processor) == named(arrivals) - named(marked)
    rejected = [o for o in outputs if isinstance(o, Rejected)]
    assert {(r.kind, r.final, r.line, r.number.n) for r in rejected if r.number} == {("defect", False, "core-1", n)}
    assert len(rejected) == 2
    [row] = rows_of(processor, select(SET_ASIDE))
    assert (row.line, f"{row.station}/{row.quantity}", row.n, row.payload) == (
        "core-1", "dancer/position", n, marked[0].payload,
    )  # fmt: skip
    [counted] = rows_of(processor, select(REJECTED.c.line, REJECTED.c.kind, REJECTED.c.count))
    assert tuple(counted) == ("core-1", "defect", 2)
    again = processor_at(tmp_path, again=True, lines=LINES)  # a version without the defect
    assert not any(isinstance(o, Rejected) for o in store(again, marked))
    assert stored(again) == named(arrivals)


@pytest.mark.parametrize("payload", [b"{", b"[1]", b'{"n":-1}', b'{"n":7}'])
@pytest.mark.parametrize("topic", ["tarn/core-1/x/y", "tarn/core-1/x", "tarn/elsewhere/x/y", "\xfc/+", ""])
def test_any_bytes_on_any_topic_may_meet_a_defect(tmp_path, monkeypatch, topic, payload):
    processor, arrival = processor_at(tmp_path, lines=["core-1"]), Arrival(topic, payload, T0)
    decoding_fails(monkeypatch, ZeroDivisionError, lambda _: True)
    [rejected] = store(processor, [arrival])
    assert (rejected.kind, rejected.final) == ("defect", False)
    rows = rows_of(processor, select(SET_ASIDE))
    assert [row.payload for row in rows] == ([payload] if topic == "tarn/core-1/x/y" else [])
    assert [row.n for row in rows if b"7" not in payload] in ([], [NUMBER_UNKNOWN])


def test_a_place_is_logged_once_with_its_traceback(tmp_path, monkeypatch, caplog):
    script = Script()
    for i in range(5):
        script.send_samples("dancer/position", T0 + i, 50.0)
    decoding_fails(monkeypatch, ZeroDivisionError, lambda _: True)
    with caplog.at_level(logging.ERROR):
        store(processor_at(tmp_path, lines=["core-1"]), script.arrivals)
    [record] = [r for r in caplog.records if "by a defect" in r.message]
    assert record.exc_info
    assert record.exc_info[0] is ZeroDivisionError
    assert "tarn/core-1/dancer/position" in record.message


def test_bytes_are_kept_of_so_many_messages_and_no_more_are_remembered(tmp_path):
    processor = processor_at(tmp_path, lines=["core-1"])
    defects = Defects(processor.decoder)
    for i in range(2 * KEPT_MAX):
        defects.reject(Arrival("tarn/core-1/dancer/position", b"%d" % i, T0), ZeroDivisionError())
        defects.reject(Arrival("tarn/core-1/dancer/position", b"%d" % i, T0), ZeroDivisionError())
    assert len(defects.kept) == 2 * KEPT_MAX  # each once; the batch keeps them
    assert len(defects._known) == KEPT_MAX


# ---- engines ---------------------------------------------------------------------------------------------------------


CASES = [("feed", kind) for kind in KINDS]
CASES += [(step, kind) for step in ("load", "now", "dump") for kind in ("OSError", "StopIteration", "CannotRunError")]


@pytest.mark.parametrize(("step", "kind"), CASES)
def test_whatever_fails_in_the_engine_of_one_line_the_other_is_stored_and_judged(tmp_path, monkeypatch, step, kind):
    monkeypatch.setattr(processor_module, "CHECKPOINT_EVERY_S", 0.0)
    monkeypatch.setattr(processor_module, "NOW_EVERY_S", 0.0)
    arrivals, processor = script(), processor_at(tmp_path, lines=LINES)
    begun, rest = arrivals[:30], arrivals[30:]
    store(processor, begun)
    engine_fails(monkeypatch, step, KINDS[kind])
    store(processor, rest, 20)
    assert of_line(stored(processor), "core-2") == of_line(named(arrivals), "core-2")
    if step in ("now", "dump"):  # only what is made of the engine is not recorded
        assert stored(processor) == named(arrivals)
        assert processor.counts()["not recorded"]
    else:
        aside = Counter((r.line, f"{r.station}/{r.quantity}", r.n) for r in rows_of(processor, select(SET_ASIDE)))
        assert set(processor.suspended) == {"core-1"} or aside
        assert of_line(aside, "core-2") == Counter()
    processor.finish()
    engine, suspended = restored(processor_at(tmp_path, lines=LINES).writer, processor.configuration, LINES)
    assert set(engine.pipelines) | set(suspended) == set(LINES)
    assert "core-2" in engine.pipelines
    other = processor_at(tmp_path / "undisturbed", lines=["core-2"])
    take(other, [a for a in arrivals if "/core-2/" in a.topic])
    assert everything(tmp_path, "core-2") == everything(tmp_path / "undisturbed", "core-2")


@pytest.mark.parametrize("error", [PermissionError("a file of it"), MemoryError(), OSError(5, "Input/output error")])
def test_a_line_that_cannot_be_read_back_is_suspended_and_the_other_begins(tmp_path, monkeypatch, error):
    """One file of one line kept the monitor of all from starting."""
    processor, inner = processor_at(tmp_path, lines=LINES), restore.restore
    store(processor, script())

    def fails(writer: Any, configuration: Any, line: str, *more: Any) -> Any:
        if line == "core-1":
            raise error
        return inner(writer, configuration, line, *more)

    monkeypatch.setattr(processor_module, "restore", fails)
    monkeypatch.setattr(salvage, "restore", fails)
    engine, suspended = restored(processor.writer, processor.configuration, LINES)
    assert (set(engine.pipelines), set(suspended)) == ({"core-2"}, {"core-1"})
    engine_fails(monkeypatch, "feed", ZeroDivisionError)  # and so while it runs
    store(
        processor, [Arrival(a.topic, a.payload.replace(b'"n": ', b'"n": 9'), a.received_s) for a in script()[-20:]], 20
    )
    assert set(processor.engine.pipelines) == {"core-2"}


def test_what_all_lines_share_is_no_fault_of_one(tmp_path, monkeypatch):
    processor = processor_at(tmp_path, lines=LINES)

    def fails(*_: Any) -> Any:
        raise OperationalError("select", {}, Exception("server closed the connection"))

    monkeypatch.setattr(processor_module, "restore", fails)
    with pytest.raises(OperationalError):
        restored(processor.writer, processor.configuration, LINES)


@pytest.mark.parametrize("kind", KINDS)
def test_the_class_of_a_defect_is_not_taken_for_another_s(kind):
    """An OSError of an engine is no full disk, and StopIteration would never come out of a thread."""
    with pytest.raises(EngineError, match=kind), engine_step():
        raise KINDS[kind]()


# ---- the service -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("where", ["decode", "feed"])
@pytest.mark.parametrize("kind", ["StopIteration", "OSError"])
def test_the_service_goes_on_and_reports_what_is_refused(tmp_path, monkeypatch, where, kind):
    arrivals = script()
    link = StubLink(arrivals)
    link.begin()
    service = Service(
        processor=processor_at(tmp_path, lines=LINES), link=link, clock=StoryClock(arrivals[0].received_s)
    )
    if where == "decode":
        decoding_fails(monkeypatch, KINDS[kind])
    else:
        engine_fails(monkeypatch, "feed", KINDS[kind])

    async def run() -> None:
        work = asyncio.create_task(service.run())
        async with asyncio.timeout(60):
            await acknowledged_or_stopped(work, link)

    asyncio.run(run())
    assert link.done.is_set()
    processor = processor_at(tmp_path, again=True, lines=["core-2"])
    assert of_line(stored(processor), "core-2") == of_line(named(arrivals), "core-2")
    if where == "decode":
        refused = [json.loads(p) for topic, p in link.published if topic.split("/")[2] == "refused"]
        assert all(set(r) <= set(Refused.__struct_fields__) for r in refused)
        assert MARK not in str(refused)
