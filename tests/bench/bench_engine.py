"""Samples a second through the engine without I/O, beside one bare NumPy comparison over the same data."""

import tempfile
import time
from pathlib import Path

import msgspec
import numpy as np

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import load
from monitor.core.arrival import Arrival, Message
from monitor.core.decode import Decoder
from monitor.core.pipeline import Pipeline
from tests.bench import works

T0 = 1_764_000_000.0
SECONDS = 60
RATE = 100


def script(folder: Path, line: str) -> tuple[list[Arrival], dict[str, np.ndarray]]:
    """Every stream of a line at 100 Hz in blocks of 100."""
    c = load(folder)
    rng = np.random.default_rng(1)
    middle = {"mm": 3.58, "degC": 25.0, "kV": 6.0, "bar": 150.0, "rpm": 30.0, "%": 50.0, "N": 80.0, "count": 1.0}
    arrivals = [
        _told(line, "line/state", 0, T0, {"state": "running"}),
        _told(line, "take-up/drum", 0, T0, {"drum": "D", "recipe": "core-2g5"}),
    ]
    data: dict[str, np.ndarray] = {}
    t = np.arange(SECONDS * RATE) / RATE
    for s in c.lines[line].stream:
        if s.kind == "events":
            continue
        setpoint = c.recipes["core-2g5"].setpoints.zone_C.get(s.station, middle.get(s.unit, 0.0))
        v = setpoint + rng.normal(0, 0.005, len(t))
        v = 1000 + 230 / 60 * t if s.path == "metre-counter/length" else v
        v = 230 + rng.normal(0, 0.1, len(t)) if s.path == "metre-counter/speed" else v
        data[s.path] = v
        for n in range(SECONDS):
            part = [float(x) for x in v[n * RATE : (n + 1) * RATE]]
            arrivals.append(_told(line, s.path, n, T0 + n, {"v": part, "dt": 10.0}, T0 + n + 0.99))
    return sorted(arrivals, key=lambda a: a.received_s), data


def _told(line: str, path: str, n: int, t_s: float, fields: dict, at_s: float | None = None) -> Arrival:
    payload = msgspec.json.encode({"n": n, "t": round(t_s * 1e3), **fields})
    return Arrival(f"tarn/{line}/{path}", payload, at_s or t_s)


def main() -> None:
    """Print samples a second with and without decoding, for small and large feeds."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "configs"
        (line,) = works.write(folder, 1, 50)
        arrivals, data = script(folder, line)
        c = load(folder)
        samples = sum(len(v) for v in data.values())
        messages = [m for a in arrivals if isinstance(m := Decoder.of(c).decode(a), Message)]
        print(f"{samples:,} samples of {len(data)} streams in {len(messages):,} messages of 100; CPU time, best of 3")
        for each, some in ((100, arrivals), (1, [_of_one_sample(a) for a in arrivals])):
            best = min(_decoding(c, some) for _ in range(3))
            print(f"decoding, {each:>3} per message: {best / len(some) * 1e6:.1f} us a message")
        for size in (50, 500, len(messages)):
            best = min(_feed(c, line, messages, size) for _ in range(3))
            print(f"engine, {size:>5} messages a feed: {samples / best / 1e6:.2f} million samples/s")
        print(f"one bare comparison (v > limit).any() a stream: {samples / _bare(data) / 1e6:.0f} million samples/s")


def _of_one_sample(arrival: Arrival) -> Arrival:
    body = msgspec.json.decode(arrival.payload)
    if "v" in body:
        body = {"n": body["n"], "t": body["t"], "v": body["v"][0]}
    return Arrival(arrival.topic, msgspec.json.encode(body), arrival.received_s)


def _decoding(c: Configuration, arrivals: list[Arrival]) -> float:
    decoder = Decoder.of(c)
    begun = time.process_time()
    for arrival in arrivals:
        decoder.decode(arrival)
    return time.process_time() - begun


def _feed(c: Configuration, line: str, messages: list[Message], size: int) -> float:
    engine = Pipeline(line=c.lines[line], recipes=c.recipes_for(line))
    begun = time.process_time()
    for i in range(0, len(messages), size):
        engine.feed(messages[i : i + size])
    return time.process_time() - begun


def _bare(data: dict[str, np.ndarray]) -> float:
    begun = time.perf_counter()
    for v in data.values():
        for i in range(0, len(v), RATE):
            (v[i : i + RATE] > 1e9).any()
    return time.perf_counter() - begun
