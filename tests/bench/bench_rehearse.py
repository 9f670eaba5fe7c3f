"""Rehearsing: a month of one stream beside a bare comparison, a loop and pandas; an hour of a line."""

import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd
import psutil
import pyarrow as pa

from monitor.analysis.rehearse import Asked
from monitor.analysis.suggest import Recorded, windows_alone
from monitor.commands.rehearse import recorded, run
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.limits import with_limits
from monitor.contract.config.line import Response
from monitor.contract.config.load import load
from monitor.contract.config.recipe import Window
from monitor.contract.config.works import Store
from monitor.core.engine import Engine
from monitor.shell.processor import Processor
from monitor.store import samples
from monitor.store.parquet_files import write_whole
from monitor.store.rolling import HOUR_MS, hour_file
from monitor.store.writer import Writer
from simulator.scenario import load_scenario
from tests.bench.bench_soak import T0, _begin, _hour
from tests.bench.works import CONFIGS

T = TypeVar("T")
DAYS, RATE = 30, 10
LINE, PATH = "core-1", "oven-b/temperature"
START_MS = round(T0 * 1e3)
WHY = Response(cause="xxx", consequence="xxx", corrective_action="xxx", time_to_respond_s=60)
WINDOW = Window(
    stream=PATH, unit="degC", states=["running"], lolo=285, lo=295, hi=315, hihi=325, deadband=2, on_delay_s=5,
    off_delay_s=5, low=WHY, high=WHY,
)  # fmt: skip


def main() -> None:
    """Print times as ratios."""
    with tempfile.TemporaryDirectory() as name:
        c = load(CONFIGS)
        c = c.model_copy(update={"works": c.works.model_copy(update={"store": Store(folder=name)})})
        _month(c, Path(name))
    with tempfile.TemporaryDirectory() as name:
        c = c.model_copy(update={"works": c.works.model_copy(update={"store": Store(folder=name)})})
        _line(c)


def month() -> np.ndarray:
    rng = np.random.default_rng(1)
    v = 305 + rng.normal(0, 1.0, DAYS * 86_400 * RATE).astype(np.float64)
    for at in rng.integers(0, len(v), 300):
        v[at : at + rng.integers(20, 3000)] += 14
    return v


def _month(c: Configuration, folder: Path) -> None:
    v = month()
    _write(folder, v)
    Writer(c.works.store).close()
    size0 = psutil.Process().memory_info().rss
    end_ms = START_MS + DAYS * 86_400_000 - 1
    reading, parts = _timed(
        lambda: [_n(part) for part in recorded(c, LINE, next(iter(c.recipes_for(LINE))), WINDOW, START_MS, end_ms)]
    )
    print(f"{sum(parts):,} samples of {DAYS} days at {RATE} Hz; read from Parquet in {reading:.2f} s")
    t_s = T0 + np.arange(len(v)) / RATE
    whole = Recorded(t_s, v, np.ones(len(v), dtype=bool))
    bare, _ = _timed(lambda: (v > 315.0).any(), 5)
    alone, alarms = _timed(lambda: windows_alone(whole, WINDOW), 3)
    print(f"one bare comparison {bare * 1e3:.0f} ms; four limits with delays and deadband {alone * 1e3:.0f} ms, "
          f"{alone / bare:.1f} times as long, {len(alarms)} alarms")  # fmt: skip
    day = slice(0, 86_400 * RATE)
    mine, _ = _timed(lambda: windows_alone(Recorded(t_s[day], v[day], whole.open[day]), _hi_only()), 3)
    a = [round(x.raised, 3) for _, x in windows_alone(Recorded(t_s[day], v[day], whole.open[day]), _hi_only())]
    loop, b = _timed(lambda: _loop(t_s[day], v[day]))
    rolled, d = _timed(lambda: _pandas(t_s[day], v[day]))
    print(f"one day, one limit: a loop over samples takes {loop / mine:.0f} times as long, pandas rolling "
          f"{rolled / mine:.0f}; same alarms: {a == b}, {a == d}")  # fmt: skip
    grew = psutil.Process().memory_info().rss - size0 - t_s.nbytes - whole.open.nbytes
    print(f"memory grew by {grew / 2**20:.0f} MiB beside the arrays")


def _n(part: Recorded) -> int:
    return len(part.v)


def _write(folder: Path, v: np.ndarray) -> None:
    station, quantity = PATH.split("/")
    size = 3600 * RATE
    for hour in range(DAYS * 24):
        part = v[hour * size : (hour + 1) * size]
        t_ms = START_MS + hour * HOUR_MS + np.arange(size) * (1000 // RATE)
        n = np.repeat(np.arange(size // 10), 10)
        columns = {
            "station": pa.array([station] * size), "quantity": pa.array([quantity] * size), "n": n, "t_ms": t_ms,
            "v": part, "story": pa.nulls(size, pa.binary()), "id": n + hour * size, "received_ms": t_ms,
            "dt_ms": np.full(size, 1000.0 / RATE),
        }  # fmt: skip
        table = pa.table(columns, schema=samples.SCHEMA)
        write_whole(hour_file(folder, LINE, START_MS + hour * HOUR_MS), samples.SCHEMA, [table])


def _hi_only() -> Window:
    return Window(stream=PATH, unit="degC", hi=315, deadband=2, on_delay_s=5, off_delay_s=5, high=WHY)


def _loop(t_s: np.ndarray, v: np.ndarray) -> list[float]:
    """The definition, sample by sample."""
    raised, since, active, left = [], None, False, None
    for t, x in zip(t_s.tolist(), v.tolist(), strict=True):
        if active:
            if x > 313:
                left = None
            else:
                left = t if left is None else left
                if t - left >= 5:
                    active, since = False, None
        if not active:
            left = None
            since = (t if since is None else since) if x > 315 else None
            if since is not None and t - since >= 5:
                raised.append(round(t, 3))
                active = True
    return raised


def _pandas(t_s: np.ndarray, v: np.ndarray) -> list[float]:
    """Rolling extremes over the delays, then a walk over the few places where something changes."""
    series = pd.Series(v)
    on = series.rolling(5 * RATE + 1).min() > 315
    off = series.rolling(5 * RATE + 1).max() <= 313
    raised, active = [], False
    for i in np.flatnonzero((on | off).to_numpy() & ((on | off).diff().fillna(True)).to_numpy()):
        if not active and on[i]:
            raised.append(round(float(t_s[i]), 3))
            active = True
        elif active and off[i]:
            active = False
    return raised


def _line(c: Configuration) -> None:
    """One simulated hour of the demo, kept as it comes, then rehearsed."""
    processor = Processor(configuration=c, writer=Writer(c.works.store), engine=Engine.of(c))
    _hour(processor, _begin(load_scenario(CONFIGS, "demo", c), c, 0, 1, 0.0))
    processor.writer.write(processor.last_batch())
    processor.writer.close()
    changes = {n: {"window/oven-b/temperature/hi": 312.0} for n in c.recipes_for(LINE)}
    assert all(with_limits(c.recipes[n], x) for n, x in changes.items())
    for with_cure in (True, False):
        asked = Asked(line=LINE, start_ms=START_MS, end_ms=START_MS + HOUR_MS, changes=changes, with_cure=with_cure)
        took, _ = _timed(partial(run, c, asked))
        print(f"an hour of a line through two engines, {'with' if with_cure else 'without'} cure: {took:.1f} s, "
              f"{3600 / took:.0f} times real time, a week in {took * 168 / 60:.0f} min")  # fmt: skip


def _timed(do: Callable[[], T], times: int = 1) -> tuple[float, T]:
    best = float("inf")
    for _ in range(times):
        begun = time.perf_counter()
        found = do()
        best = min(best, time.perf_counter() - begun)
    return best, found


if __name__ == "__main__":
    main()
