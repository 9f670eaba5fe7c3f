"""A line's script as arrivals, written by a test: what each gauge says, second by second."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import load
from monitor.contract.record import Finding, FindingKind, Floats, Verdict
from monitor.core.arrival import Arrival
from monitor.core.decode import Decoder
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import Given, dump
from monitor.core.snapshot import load as load_snapshot

T0 = 1_764_000_000.0
CONFIGS = Path(__file__).parents[2] / "configs"


@cache
def configuration() -> Configuration:
    """The demo works, read once: its models are frozen, and whoever wants another makes a copy.

    Tests count revisions of its recipes from 1, whatever the files have come to.
    """
    c = load(CONFIGS)
    return c.model_copy(update={"recipes": {n: r.model_copy(update={"revision": 1}) for n, r in c.recipes.items()}})


@dataclass
class Script:
    """Arrivals in the making; `say` keeps each stream's sequence numbers."""

    line: str = "core-1"
    arrivals: list[Arrival] = field(default_factory=list)
    numbers: dict[str, int] = field(default_factory=dict)

    def send_samples(
        self, path: str, t_s: float, v: float | Sequence[float] | Floats, dt_s: float | None = None, **more: Any
    ) -> None:
        """One sample or a block; it arrives when its last sample was taken."""
        fields: dict[str, Any] = {"v": v if isinstance(v, int | float) else [float(x) for x in v]}
        if dt_s is not None:
            fields["dt"] = dt_s * 1e3
        last = t_s + (dt_s or 0.0) * (len(v) - 1 if not isinstance(v, int | float) else 0)
        self.send(path, t_s, last, **fields, **more)

    def send(self, path: str, t_s: float, received_s: float | None = None, **fields: Any) -> None:
        """Any message."""
        n = self.numbers.get(path, -1) + 1
        self.numbers[path] = n
        payload = json.dumps({"n": n, "t": round(t_s * 1e3), **fields}).encode()
        self.arrivals.append(Arrival(f"tarn/{self.line}/{path}", payload, t_s if received_s is None else received_s))

    def sorted(self) -> list[Arrival]:
        """In the order in which they are received."""
        return sorted(self.arrivals, key=lambda a: a.received_s)


def pipeline(line: str = "core-1") -> Pipeline:
    """A fresh engine of a demo line."""
    c = configuration()
    return Pipeline(line=c.lines[line], recipes=c.recipes_for(line))


def decoded(arrivals: Sequence[Arrival]) -> list[Any]:
    """Arrivals of the demo works as messages; a rejected one fails the test."""
    decoder = Decoder.of(configuration())
    messages = [decoder.decode(a) for a in arrivals]
    assert not [m for m in messages if type(m).__name__ == "Rejected"]
    return messages


def through_snapshot(engine: Pipeline) -> Pipeline:
    """The engine that a snapshot of this one comes back as."""
    return load_snapshot(
        dump(engine), Given(line=engine.line, recipes=engine.revisions.earlier, fillings=engine.drums.fillings)
    )


def finding(start_m: float, end_m: float | None, kind: FindingKind = FindingKind.WINDOW, **more: Any) -> Finding:
    """A finding on core-1; `more` are other fields."""
    usual: dict[str, Any] = {
        "line": "core-1", "key": f"{kind}@{start_m}", "stream": "cold-gauge/diameter-x", "check": "HI",
        "verdict": Verdict.SUSPECT, "start_s": 0.0, "end_s": 1.0, "extreme": None, "limit": None, "unit": "",
    }  # fmt: skip
    return Finding(start_m=start_m, end_m=end_m, kind=kind, **(usual | more))


def in_m_per_s(c: Configuration) -> Configuration:
    """The same works with line speeds, and limits on them, in m/s."""
    speeds = {line.counter.speed for line in c.lines.values()}
    plain = c.model_dump()
    for stream in [s for line in plain["lines"].values() for s in line["stream"]]:
        if f"{stream['station']}/{stream['quantity']}" in speeds:
            low, high = stream["measuring_range"]
            stream |= {"unit": "m/s", "measuring_range": (low / 60.0, high / 60.0)}
    for window in [w for recipe in plain["recipes"].values() for w in recipe["window"]]:
        if window["stream"] in speeds:
            limits = {k: window[k] / 60.0 for k in ("lolo", "lo", "hi", "hihi", "deadband") if window[k] is not None}
            window |= {"unit": "m/s"} | limits
    return Configuration.model_validate(plain)
