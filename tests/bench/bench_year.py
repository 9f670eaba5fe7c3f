"""Pages after a year of twelve lines, against a store of 37 days: CPU of one answer of each, and their ratio."""

import itertools
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from dash import Dash
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.context import Context
from dashboard.gateway import ActionNumbers
from dashboard.pages.alarm_load import layout as alarm_load
from dashboard.pages.drums import layout as drums
from dashboard.pages.recurrence import layout as recurrence
from dashboard.pages.shift import layout as shift
from dashboard.pages.traceability import layout as traceability
from monitor.analysis.shift_calendar import shift_at
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import load as load_configuration
from monitor.contract.config.works import Store
from monitor.evidence import release_record
from monitor.evidence.whole_drum import whole_drum
from monitor.store.reader import StoreReader
from tests.bench.works import CONFIGS
from tests.bench.year import Past, fill, lines_of, name_of
from tests.dashboard.fake_record import FakeGateway

LINES = 12
YEAR, FRESH = 4866, 500  # drums of a line: a year, and the 37 days that the longest of these questions covers
END_MS = 1_790_000_000_000
ROUNDS = 5


def main() -> None:
    """Print CPU ms per answer, fresh and after a year."""
    c = lines_of(load_configuration(CONFIGS), LINES)
    with tempfile.TemporaryDirectory() as name:
        fresh, year = (_measured(Path(name) / str(n), c, n) for n in (FRESH, YEAR))
    print(f"{'':<22}{'fresh ms':>10}{'year ms':>10}{'ratio':>8}")
    for what, ms in fresh.items():
        print(f"{what:<22}{ms:>10.1f}{year[what]:>10.1f}{year[what] / ms:>8.2f}")


def _measured(folder: Path, c: Configuration, drum_count: int) -> dict[str, float]:
    store = Store(folder=str(folder))
    begun = time.perf_counter()
    fill(store, c, Past(drums=drum_count, end_ms=END_MS, messages=1200))
    size = sum(f.stat().st_size for f in folder.glob("record.sqlite*")) / 2**20
    print(f"{drum_count} drums of {LINES} lines written in {time.perf_counter() - begun:.0f} s, {size:.0f} MiB")
    reader = StoreReader(store, c)

    passed = itertools.count(1)

    def clock() -> float:
        return END_MS / 1e3 + next(passed) / 100

    context = Context(
        record=reader, configuration=c, clock=clock, gateway=FakeGateway(), numbering=ActionNumbers(clock)
    )
    app: Dash = create_app(reader, c, FakeGateway(), clock)
    return {what: _cpu_ms(ask) for what, ask in _asked(context, app.server.test_client(), drum_count).items()}


def _asked(context: Context, client: FlaskClient, count: int) -> dict[str, Callable[[], object]]:
    core, reel = "core-1", "rewind-1"
    works = context.configuration.works
    span = shift_at(END_MS - 1, works.shift, works.time_zone)
    found = {line: context.record.drum_named(line, name_of(line, count - 3)) for line in (core, reel)}
    start = str(span.start_ms) if span else None
    return {
        "live, all lines": lambda: _get(client, "/api/v1/live"),
        "live, one line": lambda: _get(client, f"/api/v1/live?line={core}&since={END_MS - 6000}"),
        "Alarms": lambda: _get(client, "/api/v1/alarms"),
        "Alarms, history": lambda: _get(client, "/api/v1/alarm-changes?hours=168"),
        "Drums": lambda: drums.content(context),
        "Recurring": lambda: recurrence.answer(context, core, "event:spark-electrode/spark-fault", "20", 0.3, 30.0),
        "Family": lambda: traceability.answer(context, found[core], None),
        "Record": lambda: release_record.record(context, whole_drum(context, found[reel])),
        "Shift": lambda: [shift.answer(context, start), shift.handovers(context)],
        "Alarm load, 30 days": lambda: alarm_load.answer(context, alarm_load.ALL, "30 days"),
    }


def _get(client: FlaskClient, address: str) -> None:
    reply = client.get(address)
    if reply.status_code != 200:
        raise RuntimeError(f"{address}: {reply.get_data(as_text=True)[:300]}")


def _cpu_ms(ask: Callable[[], object]) -> float:
    took = []
    for _ in range(ROUNDS):
        begun = time.process_time()
        ask()
        took.append(time.process_time() - begun)
    return 1e3 * sorted(took)[ROUNDS // 2]


if __name__ == "__main__":
    main()
