"""F3: a drum's way from address to figure: which rooms it passes, in which order, and who asks the record."""

import sys
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from types import FrameType

import pytest

from dashboard.pages import route
from monitor.contract.reading import DrumRow
from monitor.contract.record import FillingKey
from monitor.evidence.whole_drum import WholeDrum
from tests.dashboard.test_statements import context_of
from tests.shell.test_growth import LINE, Counted, counted

ROOT = Path(__file__).parents[2]
WAY = ["dashboard.pages", "monitor.evidence", "dashboard.figures", "dashboard.components"]
BENEATH = {"monitor.store", "monitor.analysis"}  # asked by the evidence alone
WORDS = {"dashboard.text", "dashboard.queries", "monitor.contract"}  # take no drum: words, numbers, places, types


def room_of(frame: FrameType | None) -> str | None:
    """The folder of ours in which a function is written, None for others' code."""
    file = Path(frame.f_code.co_filename) if frame else ROOT
    parts = file.relative_to(ROOT).parts if file.is_relative_to(ROOT) else ()
    return ".".join(parts[:2]) if len(parts) > 2 and parts[0] in ("monitor", "dashboard") else None


class Trace:
    """Every call of a function of ours while a page is made: from which room, into which, and whether with a drum."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, str, bool]] = []

    def __call__(self, frame: FrameType, event: str, _arg: object) -> None:
        room = room_of(frame) if event == "call" else None
        if room is not None:
            code = frame.f_code
            taken = (frame.f_locals.get(n) for n in code.co_varnames[: code.co_argcount + code.co_kwonlyargcount])
            drum = any(isinstance(value, DrumRow | FillingKey | WholeDrum) for value in taken)
            self.calls.append((self._caller(frame), room, drum))

    def _caller(self, frame: FrameType) -> str:
        back = frame.f_back
        while back is not None and room_of(back) is None:
            back = back.f_back  # a comprehension of numpy, a decorator
        return room_of(back) or ""


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Counted]:
    made = counted(tmp_path_factory.mktemp("store"), 10)
    yield made
    made.reader.engine.dispose()


def traced(one: Counted, address: str) -> Trace:
    context, trace = context_of(one), Trace()
    before = sys.getprofile()
    sys.setprofile(trace)
    try:
        shown = route(context, address)
    finally:
        sys.setprofile(before)
    assert shown.title != "Not found"
    return trace


def test_f3_a_drum_passes_each_room_once_on_its_way_from_address_to_figure(one: Counted) -> None:
    calls = traced(one, f"/drum/{LINE}/filling/5").calls
    asked_by_the_page = [to for by, to, _ in calls if by == WAY[0] and to not in {*WORDS, WAY[0]}]
    assert [room for room, _ in groupby(asked_by_the_page)] == WAY[1:]
    assert {to for _, to, drum in calls if drum} <= {*WAY, *BENEATH, "monitor.contract"}  # whose types these are
    assert len({*WAY, *BENEATH}) <= 6


@pytest.mark.parametrize("page", ["drum", "release"])
def test_f3_only_the_evidence_asks_the_record_of_a_drum(one: Counted, page: str) -> None:
    calls = traced(one, f"/{page}/{LINE}/filling/5").calls
    asking = {by for by, to, _ in calls if to == "monitor.store" and by != to}
    assert asking
    assert asking <= {"monitor.evidence", "monitor.analysis"}
