"""Stories of the small works: an hour of line time with a stop, faults, and drums whose names come back."""

import json
import random
from dataclasses import dataclass, field

LENGTH_S = 3600
BLOCK = 9
STEP_S = 10.0
T0 = 1_764_000_000.0 - 1_764_000_000.0 % 3600 + 1500.0
NAMES = ("A/1", "A_1", "A 1", "..", "\U0001f9f5" * 20, "A/1", "B")


@dataclass(frozen=True, slots=True)
class Message:
    """One message of the line: when its gateway has it, its path, its number and its bytes."""

    send_s: float
    path: str
    n: int
    payload: bytes


@dataclass(slots=True)
class _Telling:
    numbers: dict[str, int] = field(default_factory=dict)
    messages: list[Message] = field(default_factory=list)

    def add(self, path: str, t_s: float, send_s: float, **fields: object) -> None:
        n = self.numbers.get(path, -1) + 1
        self.numbers[path] = n
        head = {"n": n, "t": round(t_s * 1e3)}
        self.messages.append(Message(send_s, path, n, json.dumps(head | fields).encode()))


def story(seed: int) -> list[Message]:
    """Messages in the order in which the gateway has them; about 170 of them."""
    rng = random.Random(seed)
    telling = _Telling()
    reading, speed = rng.uniform(0.0, 900.0), 6.0
    telling.add("line/state", T0, T0, state="running")
    telling.add("take-up/drum", T0, T0, drum=NAMES[0], recipe="thin")
    changes = sorted(rng.sample(range(200, LENGTH_S - 200), 7))
    stop_at = rng.randrange(300, LENGTH_S - 900)
    stop_for = rng.choice((0, 120, 400))
    hot = [(a, a + rng.randrange(60, 900)) for a in rng.sample(range(LENGTH_S), 3)]
    faults = sorted(rng.sample(range(LENGTH_S), 6))
    for block in range(int(LENGTH_S / (BLOCK * STEP_S))):
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
        end = T0 + times[-1]
        for s in [f for f in faults if first <= f < first + BLOCK * STEP_S]:
            telling.add("tester/fault", T0 + s, max(T0 + s, T0 + first), v=1)
        for s in [c for c in changes if first <= c < first + BLOCK * STEP_S]:
            telling.add("take-up/drum", T0 + s, T0 + s, drum=NAMES[1 + changes.index(s) % 6], recipe="thin")
        for path, values in (
            ("oven/temperature", ovens),
            ("gauge/diameter", gauges),
            ("metre-counter/speed", speeds),
            ("metre-counter/length", lengths),
        ):
            telling.add(path, T0 + first, end, v=values, dt=STEP_S * 1e3)
    return sorted(telling.messages, key=lambda m: m.send_s)
