"""Registration of a page: address, place in the navigation, layout and callbacks."""

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum

from dashboard.callbacks import Callbacks
from dashboard.components import Children

GROUPS = ("Now", "Cable", "Why")  # of the navigation


class Shows(Enum):
    """What the rest of an address names: nothing, a line, or one filling of a line."""

    WORKS = "works"
    LINE = "line"
    DRUM = "drum"


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """`layout` takes the context, and the line's name or the row of the drum where the address names one.

    Pages of the whole works are in the navigation, by group and order.
    """

    path: str
    title: str
    question: str
    group: str
    order: int
    shows: Shows
    layout: Callable[..., Children]
    callbacks: Callbacks = field(default_factory=Callbacks)
