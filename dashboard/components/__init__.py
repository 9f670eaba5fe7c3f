"""Pieces of pages made of plain elements: the frame, ribbons, tables, the drawn path."""

from collections.abc import Sequence
from typing import Any, TypeAlias, TypedDict

from dash.development.base_component import Component

Child: TypeAlias = Component | str | int | float | None
Children: TypeAlias = list[Child]  # of an element, as Dash takes them
Row: TypeAlias = Sequence[Any]  # of a table: each cell a Child, but a list of links and texts is one of object
# For `**`: each value is a text, but held against the type of every keyword of the element.
Attributes: TypeAlias = dict[str, Any]


class FillingData(TypedDict):
    """What the store of a drum's page holds."""

    line: str
    filling: int


def attributes(**data: str) -> Attributes:
    """`data-...` attributes of an element, for `**`: time_zone becomes data-time-zone."""
    return {f"data-{name.replace('_', '-')}": value for name, value in data.items()}


def aria(label: str, **more: str) -> Attributes:
    """The spoken label of an element, and other `aria-...` attributes, for `**`."""
    return {"aria-label": label} | {f"aria-{name}": value for name, value in more.items()}
