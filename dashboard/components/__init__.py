"""Pieces of pages made of plain elements: the frame, ribbons, tables, the drawn path."""

from typing import Any


def attributes(**data: str) -> Any:
    """`data-...` attributes of an element, for `**`: time_zone becomes data-time-zone."""
    return {f"data-{name.replace('_', '-')}": value for name, value in data.items()}


def aria(label: str, **more: str) -> Any:
    """The spoken label of an element, and other `aria-...` attributes, for `**`."""
    return {"aria-label": label} | {f"aria-{name}": value for name, value in more.items()}
