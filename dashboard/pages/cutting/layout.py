"""Layout of Cutting: the optimal plan, as a cutting list in the rewinder's order and units."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import html

from dashboard.components import Children, attributes
from dashboard.components.heading import heading
from dashboard.components.table import table
from dashboard.context import Context
from dashboard.queries.ribbon import outer_m
from dashboard.text import format
from dashboard.text.format import exact, fixed, percent
from monitor.analysis.cutting import Cut, CuttingPlan, Good, ReelLength, good_pieces, in_order, plan
from monitor.contract.config.orders import Orders
from monitor.contract.config.recipe import Recipe
from monitor.contract.reading import DrumRow
from monitor.contract.record import FillingKey, Verdict
from monitor.evidence.inherited import names_apart, ribbons
from monitor.evidence.source import length_m
from monitor.evidence.verdict_runs import Run
from monitor.physics.winding import Drum, place_on

CHOICES = 60
SHORTEST_M = 5.0
HOLE_M = 1e-6


@dataclass(frozen=True, slots=True)
class Bad:
    """Cable that must not be in a reel, from the drum's outer end, and its worst verdict."""

    start_m: float
    end_m: float
    verdict: Verdict


def content(context: Context) -> Children:
    """Choices; plan and sheets come by callbacks."""
    lines = context.configuration.lines
    return [
        html.Div(
            heading("Cutting", "How should these drums be cut?"),
            className="top no-print",
            **attributes(page="cutting"),
        ),
        html.Div(
            [
                dmc.Select(
                    id="cutting-line", label="Line", value=first_line(context), allowDeselect=False, w=170,
                    data=[{"value": n, "label": x.title} for n, x in lines.items()],
                ),
                dmc.MultiSelect(id="cutting-drums", label="Drums, all of one product", searchable=True, w=420),
                dmc.NumberInput(id="cutting-guard", label="Margin each side of a fault",
                                value=context.configuration.orders.guard_m,
                                min=0, step=0.5, suffix=" m", w=150, debounce=300),
                dmc.Switch(id="cutting-suspect", label="also remove suspect metres", checked=True, mb=6),
            ],
            className="controls",
        ),
        html.Div(id="cutting-answer"),
    ]  # fmt: skip


def first_line(context: Context) -> str:
    """The last line of the route whose products are ordered."""
    c = context.configuration
    wanted = {x.product for x in c.orders.length}
    lines = [name for name in c.lines if wanted & c.recipes_for(name).keys()]
    return lines[-1] if lines else next(iter(c.lines))


def drums(context: Context, line: str) -> tuple[list[dict[str, str]], list[str]]:
    """Finished drums of a line to choose from, newest first, and the newest three of one product."""
    ended = finished(context, line)
    called = names_apart(d.key for d in ended)
    data = [{"value": str(d.filling), "label": f"{called[d.key]} ({d.recipe})"} for d in ended]
    same = [str(d.filling) for d in ended if d.recipe == ended[0].recipe] if ended else []
    return data, same[:3]


def finished(context: Context, line: str) -> list[DrumRow]:
    """The newest finished drums of a line, newest first: those that may be chosen."""
    return [d for d in context.record.drums(line, CHOICES) if d.end_m is not None]


def bad_of_all(context: Context, drums: Sequence[DrumRow], suspect: bool) -> dict[FillingKey, list[Bad]]:
    """Bad cable of finished drums, from the outer end of each; metres without a row are unverified."""
    wound = [(d, length_m(context, d)) for d in drums]
    known = ribbons(context, wound)
    return {d.key: bad_of(of, length, suspect) for (d, length), of in zip(wound, known, strict=True)}


def bad_of(known: Sequence[Run], length: float, suspect: bool) -> list[Bad]:
    """Bad cable of a drum of a length, by its ribbon."""
    least = Verdict.SUSPECT if suspect else Verdict.UNVERIFIED
    edges = [0.0, *(x for run in known for x in (run.start_m, run.end_m)), length]
    holes = [Run(a, b, Verdict.UNVERIFIED) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > HOLE_M]
    wrong = [run for run in [*known, *holes] if run.verdict >= least]
    found: list[Bad] = []
    for run in sorted(wrong, key=lambda run: -run.end_m):
        start, end = outer_m(run.end_m, length), outer_m(run.start_m, length)
        if found and start - found[-1].end_m < HOLE_M:
            found[-1] = Bad(found[-1].start_m, end, max(found[-1].verdict, run.verdict))
        else:
            found.append(Bad(start, end, run.verdict))
    return found


def lengths(orders: Orders, product: str, now_ms: int, zone: str) -> list[ReelLength]:
    """Ordered lengths of a product; an order that is due soon weighs more."""
    today = datetime.fromtimestamp(now_ms / 1e3, UTC).astimezone(ZoneInfo(zone)).date()
    found = []
    for x in orders.length:
        if x.product == product:
            urgent = x.due is not None and (x.due - today).days <= orders.urgent_within_days
            found.append(ReelLength(x.length_m, x.worth * (1 + orders.urgent_share * urgent), x.wanted, x.order))
    return found


def answer(context: Context, line: str, chosen: Sequence[str], guard: object, suspect: bool) -> Children:
    """The plan in words and numbers, then a sheet for each drum; `chosen` are numbers of the line's fillings."""
    orders = context.configuration.orders
    known = {str(d.filling): d for d in finished(context, line)}
    found = [known[number] for number in chosen or [] if number in known]
    if not found:
        return [html.P("Choose finished drums.", className="outcome")]
    product = found[0].recipe
    if any(d.recipe != product for d in found):
        return [html.P("Choose drums of one product.", className="outcome bad", role="alert")]
    wanted = lengths(orders, product, context.now_ms, context.zone)
    if not wanted:
        return [html.P(f"orders.toml has no lengths for {product}: add [[length]] with product, length_m and worth.",
                       className="outcome")]  # fmt: skip
    guard_m = float(guard) if isinstance(guard, int | float) and guard >= 0 else orders.guard_m
    bad = bad_of_all(context, found, suspect)
    best = _plan(found, bad, guard_m, wanted, orders.kerf_m)
    greedy = in_order(_pieces(found, bad, guard_m), wanted, orders.kerf_m)
    more = _plan(found, bad, guard_m + 1, wanted, orders.kerf_m)
    less = _plan(found, bad, max(guard_m - 1, 0.0), wanted, orders.kerf_m)
    recipe = context.configuration.recipes.get(product)
    return [
        *_summary(orders, found, best, greedy, more, less),
        _reels(best, wanted),
        *(part for d in found for part in sheet(context, d, bad[d.key], best, orders, recipe)),
    ]


def _pieces(found: Sequence[DrumRow], bad: dict[FillingKey, list[Bad]], guard_m: float) -> list[Good]:
    pieces = []
    for d in found:
        assert d.end_m is not None
        spans = [(b.start_m, b.end_m) for b in bad[d.key]]
        pieces += good_pieces(d.key, d.end_m - d.start_m, spans, guard_m, SHORTEST_M)
    return pieces


def _plan(
    found: Sequence[DrumRow], bad: dict[FillingKey, list[Bad]], guard_m: float, wanted: list[ReelLength], kerf_m: float
) -> CuttingPlan:
    return plan(_pieces(found, bad, guard_m), wanted, kerf_m)


def _summary(
    orders: Orders,
    found: Sequence[DrumRow],
    best: CuttingPlan,
    greedy: CuttingPlan,
    more: CuttingPlan,
    less: CuttingPlan,
) -> Children:
    money = orders.currency
    total = sum(d.end_m - d.start_m for d in found if d.end_m is not None)
    proven = "proven optimal" if best.gap < 1e-6 else f"within {percent(best.gap, 1)} of the optimum"
    short = sum(p.length_m for p in best.left)
    return [
        html.P(
            f"{len(best.cuts)} reels of {format.number(best.cut_m, 'm')} m from {format.number(total, 'm')} m, worth "
            f"{fixed(best.worth, 0)} {money}, {proven}. Cutting longest lengths first would yield "
            f"{fixed(greedy.worth, 0)}.",
            className="outcome", id="cutting-outcome",
        ),
        html.P(
            f"Left over in good pieces: {format.number(short, 'm', 1)} m; bad cable with its margins: "
            f"{format.number(max(total - best.cut_m - short, 0.0), 'm', 1)} m. One more metre of margin would "
            f"change the value by {fixed(more.worth - best.worth, 0, sign=True)} {money}, one metre less by "
            f"{fixed(less.worth - best.worth, 0, sign=True)}.", className="note",
        ),
    ]  # fmt: skip


def _reels(best: CuttingPlan, wanted: Sequence[ReelLength]) -> html.Div:
    rows = []
    for x in wanted:
        count = sum(c.order == x.order and abs(c.end_m - c.start_m - x.length_m) < 1e-6 for c in best.cuts)
        rows.append([x.order, f"{exact(x.length_m)} m", "any" if x.wanted is None else x.wanted, count])
    return table("Reels to cut", ["Order", "Length", "Ordered", "Cut"], rows, empty="", numeric=(1, 2, 3))


def sheet(
    context: Context, drum: DrumRow, bad: Sequence[Bad], best: CuttingPlan, orders: Orders, recipe: Recipe | None
) -> Children:
    """One drum in the rewinder's order: counter reading of each stop, its purpose, and the position of the fault."""
    assert drum.end_m is not None
    length = drum.end_m - drum.start_m
    cuts = [c for c in best.cuts if c.drum == drum.key]
    rows, at = [], 0.0
    for c in [*cuts, Cut(drum.key, length, length, "")]:
        if c.start_m - at > orders.kerf_m + 1e-6:
            inside = [b for b in bad if b.start_m < c.start_m and b.end_m > at]
            why = "; ".join(_why(b, length, orders, recipe) for b in inside) or "no ordered length fits"
            what = "scrap" if inside else "left over"
            rows.append([f"{fixed(c.start_m, 1)} m", f"{fixed(c.start_m - at, 1)} m", what, why])
        if c.end_m > c.start_m:
            rows.append([f"{fixed(c.end_m, 1)} m", f"{fixed(c.end_m - c.start_m, 1)} m", c.order, ""])
        at = c.end_m
    caption = (
        f"Cutting list for drum {drum.drum}, {fixed(length, 1)} m: set the counter to 0 at the outer end, stop at "
        f"each reading"
    )
    return [
        table(caption, ["Stop at", "Length", "Order", "Reason"], rows, empty="", classes="sheet", numeric=(0, 1)),
    ]


def _why(b: Bad, length: float, orders: Orders, recipe: Recipe | None) -> str:
    text = f"{b.verdict.word} at {fixed(b.start_m, 1)} to {fixed(b.end_m, 1)} m"
    sizes = (orders.drum_barrel_mm, orders.drum_flange_mm, orders.drum_width_mm)
    if recipe is None or any(x is None for x in sizes):
        return text
    drum = Drum(*sizes)  # type: ignore[arg-type]
    place = place_on(drum, recipe.geometry.outer_diameter_mm, min(max(length - b.start_m, 0.0), length), length)
    return f"{text} (layer {place.layer} from the barrel, turn {place.turn})"
