"""A5: whatever arrives between them, every good message is stored, on both stores; nothing stops."""

import json
import random
from collections.abc import Callable

from sqlalchemy import func, select

from monitor.contract.topics import MONITOR
from monitor.core.arrival import Arrival
from monitor.store.schema import MESSAGE
from tests.core.script import T0
from tests.shell.works import processor_at, take

COUNT = 100_000  # on each store
GOOD_SHARE = 0.2
MS = round(T0 * 1e3)
OVEN = "core-1/oven-a/temperature"
DRUM = "core-1/take-up/drum"
ACTION = "core-1/operator/action"
Bad = Callable[[int], tuple[str, bytes]]


def message(topic: str, **fields: object) -> tuple[str, bytes]:
    return f"tarn/{topic}", json.dumps({"t": MS, **fields}).encode()


def raw(topic: str, payload: bytes) -> tuple[str, bytes]:
    return f"tarn/{topic}", payload


BAD: list[Bad] = [
    lambda n: raw(OVEN, b""),
    lambda n: raw(OVEN, b"\x00\xff" * (n % 9)),
    lambda n: raw(OVEN, b"[" * 5000),
    lambda n: raw(OVEN, b'{"n": %d, "t": %d, "v": [1,' % (n, MS)),
    lambda n: raw(OVEN, b'{"n": %d, "t": %d, "v": NaN}' % (n, MS)),
    lambda n: raw(OVEN, b'{"n": %d, "t": %d, "v": 1e999}' % (n, MS)),
    lambda n: message(OVEN, n=-n - 1, v=1.0),
    lambda n: message(OVEN, n=2**60, v=1.0),
    lambda n: message(OVEN, n="one", v=1.0),
    lambda n: message(OVEN, n=n, v="hot"),
    lambda n: message(OVEN, n=n, v=[]),
    lambda n: message(OVEN, n=n, v=[1.0, 2.0]),
    lambda n: message(OVEN, n=n, v=[1.0, 2.0], dt=0),
    lambda n: message(OVEN, n=n, v=[1.0, 2.0], dt=1e300),
    lambda n: message(OVEN, n=n, v=[1.0, 2.0], dt=1.0, q=["good"]),
    lambda n: message(OVEN, n=n, v=1.0, t=0),
    lambda n: message(OVEN, n=n, v=1.0, t=2**53),
    lambda n: message(OVEN, n=n, v=1.0, start=-1),
    lambda n: message(f"line-{n}/oven-a/temperature", n=n, v=1.0),
    lambda n: message(f"core-1/oven-{n}x/temperature", n=n, v=1.0),
    lambda n: message("core-1/oven-a/\x00", n=n, v=1.0),
    lambda n: message(DRUM, n=n, drum="A\x00"),
    lambda n: message(DRUM, n=n, drum="A" * 81),
    lambda n: message(DRUM, n=n, drum="A", recipe="r" * 61),
    lambda n: raw(DRUM, b'{"n": %d, "t": %d, "drum": "\\ud800x"}' % (n, MS)),
    lambda n: message(DRUM, n=n, drum="A", planned_length_m=1e308),
    lambda n: message(ACTION, n=n, action="mark metres", by="M", start_m=1e308, end_m=1e308),
    lambda n: message(ACTION, n=n, action="acknowledge", by="\x1b[2J", alarm="x"),
    lambda n: message(ACTION, n=n, action="acknowledge", by="M", alarm="x" * 201),
    lambda n: message("core-1/operator/limits", n=n, step="propose", recipe="r" * 61, by="M"),
]


GOOD: list[Bad] = [
    lambda n: message(OVEN, n=n, v=290.0 + n % 7, t=MS + n),
    lambda n: message("core-2/oven-a/temperature", n=n, v=[290.0, 291.0], dt=2.0, t=MS + n),
    lambda n: message("core-2/cold-gauge/diameter-x", n=n, v=3.58, t=MS + n),
    lambda n: message("core-1/take-up/drum", n=n, drum=f"C/{n % 5}", recipe="core-2g5", t=MS + n),
    lambda n: message(ACTION, n=n, action="mark metres", by="Mira", reason="tried", start_m=n, end_m=n + 1, t=MS + n),
]


def test_every_good_message_is_stored_between_thirty_kinds_of_bad_ones(place):
    rng = random.Random(5)
    arrivals: list[Arrival] = []
    good = [0] * len(GOOD)
    for i in range(COUNT):
        if rng.random() < GOOD_SHARE:
            kind = rng.choices(range(len(GOOD)), (6, 6, 6, 1, 1))[0]
            topic, payload = GOOD[kind](good[kind])
            good[kind] += 1
        else:
            topic, payload = BAD[i % len(BAD)](i)
        arrivals.append(Arrival(topic, payload, T0 + 1e-4 * i))
    processor = processor_at(place, lines=["core-1", "core-2"])
    take(processor, arrivals, 2000)
    m = MESSAGE.c
    of_stream = (m.line, m.station, m.quantity)
    counted = select(*of_stream, func.count(m.n.distinct()), func.count()).where(m.station != MONITOR)
    with processor.writer.engine.connect() as c:
        stored = sorted(tuple(row)[3:] for row in c.execute(counted.group_by(*of_stream)))
    assert len(BAD) == 30
    assert stored == sorted((count, count) for count in good)
    assert sum(processor.rejected.values()) == COUNT - sum(good)
