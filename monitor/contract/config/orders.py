"""The file of orders: the lengths that customers order."""

from datetime import date
from typing import Annotated

from pydantic import Field

from monitor.contract.config.base import Name, NotNegative, Positive, Settings


class WantedLength(Settings):
    """A length of a product that is worth something: of the stock list, or of an order with a number and a date."""

    product: Name
    length_m: Positive
    worth: NotNegative
    order: Annotated[str, Field(min_length=1, max_length=60)] = "stock"
    wanted: Annotated[int, Field(ge=1)] | None = None
    due: date | None = None


class Orders(Settings):
    """What drums are cut to, and how: `guard_m` on both sides of bad cable, `kerf_m` lost at each cut.

    An order that is due within `urgent_within_days` counts for `urgent_share` more, so that it is cut first.
    """

    currency: Annotated[str, Field(min_length=1, max_length=8)] = "EUR"
    guard_m: NotNegative = 2.0
    kerf_m: NotNegative = 0.1
    urgent_within_days: NotNegative = 3.0
    urgent_share: NotNegative = 0.1
    drum_barrel_mm: Positive | None = None
    drum_flange_mm: Positive | None = None
    drum_width_mm: Positive | None = None
    length: list[WantedLength] = []
