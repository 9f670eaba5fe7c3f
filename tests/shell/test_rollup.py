"""Hour files: what rolls into them comes back as it was, also where numbers begin again."""

import json

from monitor.core.arrival import Arrival, Message
from monitor.shell import rollup
from monitor.shell.history import History
from tests.core.story import T0
from tests.shell.works import desk_at, take


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
