"""Links from drum to drum: to its page, and to the other fillings of that name."""

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboard.context import Context
from dashboard.text import format
from dashboard.text.addresses import way_to
from monitor.contract.reading import DrumRow


def drum_link(drum: DrumRow) -> Component:
    """Link to a drum's page."""
    return dcc.Link(drum.drum, href=way_to("drum", drum.line, drum.filling))


def fillings(context: Context, page: str, drum: DrumRow, named_alike: Sequence[DrumRow]) -> list[Component]:
    """Where a drum's name was used again: which filling this is, with links to the others, oldest first."""
    if len(named_alike) < 2:
        return []
    place = [d.key for d in named_alike].index(drum.key)
    parts: list[Component | str] = [
        f"Filling {place + 1} of {len(named_alike)} of this drum, whose name was used again."
    ]
    lines = context.configuration.lines
    for i, other in enumerate(named_alike):
        title = lines[other.line].title if other.line in lines else other.line
        when = f"{i + 1}: {title}, {format.local(other.start_ms, context.zone, day=True)}"
        parts += [" ", html.B(when) if i == place else dcc.Link(when, href=way_to(page, other.line, other.filling))]
    return [html.P(parts, className="fillings")]
