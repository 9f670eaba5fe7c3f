"""Metrics of the monitors in Prometheus text format."""

from collections.abc import Callable, Iterator

from prometheus_client import CONTENT_TYPE_PLAIN_0_0_4, CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from dashboard.context import Context
from dashboard.queries.monitors import monitors, unmonitored
from dashboard.text.troubles import troubles
from monitor.contract.reading import HealthRow

METRICS_TYPE = CONTENT_TYPE_PLAIN_0_0_4
Family = GaugeMetricFamily | CounterMetricFamily
Values = list[tuple[dict[str, str], float]]


def _of_monitors(of: Callable[[HealthRow, int], float | None]) -> Callable[[Context], Values]:
    def values(context: Context) -> Values:
        found = [({"monitor": row.monitor}, of(row, context.now_ms)) for row in monitors(context)]
        return [(labels, float(value)) for labels, value in found if value is not None]

    return values


def _line_ages(context: Context) -> Values:
    return [({"line": row.line}, (context.now_ms - row.t_ms) / 1e3) for row in context.record.lines_now()]


def _monitored(context: Context) -> Values:
    without = unmonitored(context)
    return [({"line": line}, float(line not in without)) for line in context.configuration.lines]


def _rejected(context: Context) -> Values:
    return [({"line": row.line, "kind": row.kind}, float(row.count)) for row in context.record.rejected()]


# name, its kind, what it is, its values
FIGURES: tuple[tuple[str, type[Family], str, Callable[[Context], Values]], ...] = (
    ("monitor_said_age_seconds", GaugeMetricFamily, "Since a monitor last wrote how it is.",
     _of_monitors(lambda row, now_ms: (now_ms - row.t_ms) / 1e3)),
    ("monitor_lag_seconds", GaugeMetricFamily, "Age of the newest data a monitor has.",
     _of_monitors(lambda row, _: row.lag_s)),
    ("monitor_queue_messages", GaugeMetricFamily, "Messages that wait.", _of_monitors(lambda row, _: row.queue)),
    ("monitor_troubles", GaugeMetricFamily, "Number of problems of a monitor.",
     _of_monitors(lambda row, now_ms: len(troubles(row, now_ms)))),
    ("store_disk_free_bytes", GaugeMetricFamily, "Free disk space of the data store.",
     _of_monitors(lambda row, _: row.disk_free_bytes)),
    ("line_age_seconds", GaugeMetricFamily, "Since the record of a line moved on.", _line_ages),
    ("line_monitored", GaugeMetricFamily, "Whether a monitor reports the line: 1 or 0.", _monitored),
    ("rejected_messages", CounterMetricFamily, "Messages that could not become data.", _rejected),
)  # fmt: skip


class _Figures(Collector):
    def __init__(self, context: Context) -> None:
        self.context = context

    def collect(self) -> Iterator[Metric]:
        for name, family, about, values in FIGURES:
            found = values(self.context)
            metric = family(f"everymetre_{name}", about, labels=list(found[0][0]) if found else [])
            for labels, value in found:
                metric.add_metric(list(labels.values()), value)
            yield metric


def metrics(context: Context) -> bytes:
    """Metrics of every monitor and line as they are now."""
    registry = CollectorRegistry()
    registry.register(_Figures(context))
    return generate_latest(registry)
