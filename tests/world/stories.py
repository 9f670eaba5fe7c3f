"""Stories of the small works: line time with a stop, faults, drums whose names come back, and the end of an hour."""

import json
import random
from dataclasses import dataclass, field

BLOCK = 9
STEP_S = 10.0
HOUR_S = 1_764_000_000.0 - 1_764_000_000.0 % 3600  # a full hour, in which all stories begin
NAMES = ("A/1", "A_1", "A 1", "..", "\U0001f9f5" * 20, "A/1", "B")


@dataclass(frozen=True, slots=True)
class Message:
    """One message of the line: when its gateway has it, its path, its number and its bytes."""

    send_s: float
    path: str
    n: int
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """How long the line runs, when in the hour it begins, what happens on it, and how soon its hours become files.

    Drums change `quiet_s` after the beginning and before the end at the nearest, and the line stops between two times.
    The counter's first reading is below `reading_m`; some of them pass 1000 m, where it begins again.
    """

    length_s: int
    start_s: float
    quiet_s: int
    drum_changes: int
    faults: int
    stops_s: tuple[int, int]
    stops_for_s: tuple[int, ...]
    reading_m: float
    raw_hours_in_database: float

    @property
    def t0_s(self) -> float:
        """UTC seconds of the story's beginning."""
        return HOUR_S + self.start_s


SHORT = Kind(
    length_s=900, start_s=3150.0, quiet_s=100, drum_changes=3, faults=3, stops_s=(120, 240), stops_for_s=(0, 100, 300),
    reading_m=1000.0, raw_hours_in_database=0.05,
)  # fmt: skip
HALF_HOUR = Kind(
    length_s=1800, start_s=2700.0, quiet_s=200, drum_changes=4, faults=4, stops_s=(300, 900),
    stops_for_s=(0, 120, 400), reading_m=900.0, raw_hours_in_database=0.05,
)  # fmt: skip
LONG = Kind(
    length_s=3600, start_s=1500.0, quiet_s=200, drum_changes=7, faults=6, stops_s=(300, 2700),
    stops_for_s=(0, 120, 400), reading_m=900.0, raw_hours_in_database=0.2,
)  # fmt: skip


@dataclass(slots=True)
class _Telling:
    numbers: dict[str, int] = field(default_factory=dict)
    messages: list[Message] = field(default_factory=list)

    def add(self, path: str, t_s: float, send_s: float, **fields: object) -> None:
        n = self.numbers.get(path, -1) + 1
        self.numbers[path] = n
        head = {"n": n, "t": round(t_s * 1e3)}
        self.messages.append(Message(send_s, path, n, json.dumps(head | fields).encode()))


def story(number: int, kind: Kind) -> list[Message]:
    """Messages in the order in which the gateway has them: some 50 of a short story, 170 of a long one."""
    rng, t0_s, length_s = random.Random(number), kind.t0_s, kind.length_s
    telling = _Telling()
    reading, speed = rng.uniform(0.0, kind.reading_m), 6.0
    telling.add("line/state", t0_s, t0_s, state="running")
    telling.add("take-up/drum", t0_s, t0_s, drum=NAMES[0], recipe="thin")
    changes = sorted(rng.sample(range(kind.quiet_s, length_s - kind.quiet_s), kind.drum_changes))
    stop_at = rng.randrange(*kind.stops_s)
    stop_for = rng.choice(kind.stops_for_s)
    hot = [(a, a + rng.randrange(60, 900)) for a in rng.sample(range(length_s), 3)]
    faults = sorted(rng.sample(range(length_s), kind.faults))
    for block in range(int(length_s / (BLOCK * STEP_S))):
        first = block * BLOCK * STEP_S
        times = [first + i * STEP_S for i in range(BLOCK)]
        speeds, lengths = [], []
        for s in times:
            now = 0.0 if stop_at <= s < stop_at + stop_for else speed
            reading = (reading + now / 60.0 * STEP_S) % 1000.0
            speeds.append(now)
            lengths.append(reading)
        ovens = [300.0 + rng.gauss(0, 0.5) + (30.0 if any(a <= s < b for a, b in hot) else 0.0) for s in times]
        gauges = [2.0 + rng.gauss(0, 0.01) + (0.2 if rng.random() < 0.01 else 0.0) for _ in times]
        end = t0_s + times[-1]
        for s in [f for f in faults if first <= f < first + BLOCK * STEP_S]:
            telling.add("tester/fault", t0_s + s, max(t0_s + s, t0_s + first), v=1)
        for s in [c for c in changes if first <= c < first + BLOCK * STEP_S]:
            drum = NAMES[1 + (number + changes.index(s)) % 6]
            telling.add("take-up/drum", t0_s + s, t0_s + s, drum=drum, recipe="thin")
        for path, values in (
            ("oven/temperature", ovens),
            ("gauge/diameter", gauges),
            ("metre-counter/speed", speeds),
            ("metre-counter/length", lengths),
        ):
            telling.add(path, t0_s + first, end, v=values, dt=STEP_S * 1e3)
    return sorted(telling.messages, key=lambda m: m.send_s)
