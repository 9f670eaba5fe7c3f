"""Hour files: what rolls into them comes back as it was, also where numbers begin again."""

import json

from monitor.core import pipeline
from monitor.core.arrival import Arrival, Message
from monitor.shell import rollup
from monitor.shell.history import History
from tests.core.story import T0
from tests.core.test_pipeline import tell
from tests.shell.test_store import busy
from tests.shell.works import desk_at, everything, take


def arrival(path: str, second: float, **fields: object) -> Arrival:
    payload = json.dumps({"t": round((T0 + second) * 1e3), **fields}).encode()
    return Arrival(f"tarn/core-1/{path}", payload, T0 + second + 1)


def kept(desk) -> list[tuple[int, int]]:
    start_ms = round(T0 * 1e3)
    found = [m for part in History(desk.configuration, "core-1").read(start_ms, start_ms + 100_000) for m in part]
    return [(m.start, m.n) for m in found if isinstance(m, Message)]


def rolled(desk, place) -> None:
    desk.writer.write(desk.last_batch())
    assert rollup.roll_hours(desk.writer.engine, place, -2 * rollup.HOUR_MS, ["core-1"])


def test_messages_of_another_numbering_are_not_taken_for_those_that_a_file_holds(place):
    desk, expected = desk_at(place, lines=["core-1"]), []
    for i in range(3):
        start = 1000 + i
        take(desk, [
            arrival("oven-a/temperature", 10.0 * i, n=0, start=start, v=[250.0, 251.0], dt=500),
            arrival("operator/action", 10.0 * i + 1, n=0, start=start, action="note work", by="Mira", reason="cleaned"),
        ])  # fmt: skip
        expected += [(start, 0), (start, 0)]
        rolled(desk, place)
        assert kept(desk) == expected


def test_the_row_that_two_drums_share_stays_until_both_have_their_file(place, monkeypatch):
    """A drum that begins within a metre loses none of its metres when the drum before it moves into a file."""
    monkeypatch.setattr(pipeline, "ROWS_TOGETHER", 1)  # blocks that end at every metre
    arrivals = tell(130, lambda s: 227.0, before=busy).sorted()  # a drum ends within a metre
    desk, undisturbed = desk_at(place), desk_at(place / "undisturbed")
    for second in range(0, 130, 5):
        take(desk, [a for a in arrivals if T0 + second <= a.received_s < T0 + second + 5])
        rollup.roll_drums(desk.writer.engine, place)
    take(undisturbed, arrivals)
    assert len(list((place / "drums").rglob("*.parquet"))) == 2
    assert everything(place)["drums"] == everything(place / "undisturbed")["drums"]
