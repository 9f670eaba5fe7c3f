"""Layout of Health: state of the monitors, damaged files, rejected and missing messages, age of data."""

from dash import html

from dashboard.components import Children, attributes
from dashboard.components.heading import heading
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.queries.monitors import monitors, unmonitored
from dashboard.text import format
from dashboard.text.format import fixed
from dashboard.text.troubles import troubles
from monitor.contract.config import titles

DAY_MS = 86_400_000
NO_VALUE = format.NO_VALUE
HOW_FILES_ARE_CHECKED = (
    "The monitor compares each file with its digest in turn, at most 100 files in 10 s, and a drum's file is compared "
    "when its page opens. Until then lists show the metres that were counted before a file was damaged."
)


def content(context: Context) -> Children:
    """The page of rejected messages, gaps and ages."""
    return [
        html.Div(
            heading("Health", "Are the data complete, and is the system running?"),
            className="top",
            **attributes(page="health"),
        ),
        _monitors(context),
        _damaged(context),
        _rejected(context),
        _ages(context),
        _gaps(context),
    ]


def _monitors(context: Context) -> html.Div:
    rows = [
        [
            row.monitor,
            html.Span("", **attributes(ago=str(row.t_ms))),
            format.quantity(row.lag_s, "s"),
            format.number(row.queue, "", 0),
            NO_VALUE if row.last_commit_ms is None else html.Span("", **attributes(ago=str(row.last_commit_ms))),
            NO_VALUE if row.disk_free_bytes is None else f"{fixed(row.disk_free_bytes / 2**30, 1)} GiB",
            "; ".join([*(troubles(row, context.now_ms) or ["OK"]), *row.notes]),
        ]
        for row in monitors(context)
    ]
    rows += [[line, *5 * [NO_VALUE], f"not monitored: {why}"] for line, why in unmonitored(context).items()]
    return table(
        "Monitors, by their lines",
        ["Lines", "Last report", "Lag", "Queue", "Last commit", "Disk free", "State"],
        rows,
        empty="No monitor has reported yet.",
        classes="monitors",
    )


def _damaged(context: Context) -> html.Div:
    rows = [[f.line, f.path, f.damage] for f in context.record.damaged_files()]
    found = table(
        "Damaged files: what they hold is shown as unverified until they are restored from a backup",
        ["Line", "File", "Damage"],
        rows,
        empty="None found.",
    )
    return html.Div([found, html.P(HOW_FILES_ARE_CHECKED, className="note")])


def _rejected(context: Context) -> html.Div:
    rows = [
        [
            row.line,
            row.kind,
            format.number(row.count, "", 0),
            format.local(row.newest_ms, context.zone, day=True),
            row.topic,
            row.why,
        ]
        for row in sorted(context.record.rejected(), key=lambda r: -r.newest_ms)
    ]
    return table(
        "Rejected messages, latest example per type",
        ["Line", "Type", "Count", "Latest", "Topic", "Reason"],
        rows,
        empty="None.",
        numeric=(2,),
        classes="health",
    )


def _ages(context: Context) -> html.Div:
    rows = []
    for name, line in context.configuration.lines.items():
        newest = context.record.newest_ms(name)
        for settings in line.stream:
            at = newest.get(settings.path)
            when = "no data received yet" if at is None else format.local(at, context.zone, day=True)
            age = "" if at is None else format.span(max(context.now_ms - at, 0) / 1e3)
            rows.append([line.title, titles.stream_title(line, settings.path), settings.path, when, age])
    return table(
        "Newest stored sample of each stream, at page load",
        ["Line", "Quantity", "Stream", "Newest", "Age at page load"],
        rows,
        empty="No stream is configured.",
        numeric=(4,),
    )


def _gaps(context: Context) -> html.Div:
    now = context.now_ms
    rows = []
    for name, line in context.configuration.lines.items():
        for path, first, last, t_ms in context.record.gaps(name, now - DAY_MS, now):
            rows.append(
                [
                    line.title,
                    path,
                    f"{format.number(first, '', 0)} to {format.number(last, '', 0)}",
                    format.local(t_ms, context.zone, day=True),
                ]
            )
    return table(
        "Missing messages, last 24 hours (sequence gaps)",
        ["Line", "Stream", "Sequence numbers", "When"],
        rows[:200],
        empty="None.",
    )
