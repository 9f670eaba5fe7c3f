"""The ribbon as elements: one strip for a whole drum, the same wherever a drum is shown."""

from collections.abc import Mapping, Sequence

from dash import html

from dashboard.components import aria
from dashboard.queries.ribbon import full_scale_m, place_percent
from dashboard.text.format import number
from monitor.contract.record import Verdict
from monitor.evidence.verdict_runs import Run, lengths_m

CLASS = {
    Verdict.CONFORMING: "run conforming",
    Verdict.SUSPECT: "run suspect",
    Verdict.UNVERIFIED: "run unverified",
    Verdict.NONCONFORMING: "run nonconforming",
}


def ribbon(of: Sequence[Run], wound_m: float, planned_m: float | None, *, size: str = "") -> html.Div:
    """A drum's ribbon; the label has its text for those who cannot see it."""
    scale = full_scale_m(wound_m, planned_m)
    runs = [_run(run, scale) for run in of]
    wound = html.Span(className="wound", style={"width": f"{place_percent(0, wound_m, scale)[1]:.3f}%"})
    return html.Div([wound, *runs], className=f"ribbon {size}".strip(), role="img", **aria(in_words(of, wound_m)))


def _run(run: Run, scale_m: float) -> html.Span:
    left, width = place_percent(run.start_m, run.end_m, scale_m)
    title = f"{run.verdict.word}: {number(run.start_m, 'm')} to {number(run.end_m, 'm')} m"
    return html.Span(
        className=CLASS[run.verdict], style={"left": f"{left:.3f}%", "width": f"{width:.3f}%"}, title=title
    )


def in_words(of: Sequence[Run], wound_m: float) -> str:
    """The ribbon as a sentence."""
    total = lengths_m(of)
    abnormal = (Verdict.NONCONFORMING, Verdict.SUSPECT, Verdict.UNVERIFIED)
    lengths = [f"{number(total[v], 'm')} m {v.word}" for v in abnormal if total[v] > 0]
    return f"{number(wound_m, 'm')} m wound; " + (", ".join(lengths) if lengths else "no faults recorded")


def legend(metres: Mapping[Verdict, float] | None = None) -> html.Ul:
    """What the four kinds of run look like, and how many metres of each there are where that is given."""
    items = [
        (Verdict.NONCONFORMING, "nonconforming"),
        (Verdict.SUSPECT, "suspect"),
        (Verdict.UNVERIFIED, "unverified"),
        (Verdict.CONFORMING, "conforming"),
    ]
    keys = [html.Span(className=f"key {CLASS[verdict].split()[1]}") for verdict, _ in items]
    words = [_counted(word, verdict, metres) for verdict, word in items]
    return html.Ul([html.Li([key, word]) for key, word in zip(keys, words, strict=True)], className="legend")


def _counted(word: str, verdict: Verdict, metres: Mapping[Verdict, float] | None) -> html.Span:
    return html.Span(word) if metres is None else html.Span([f"{word} ", html.B(f"{number(metres[verdict], 'm')} m")])
