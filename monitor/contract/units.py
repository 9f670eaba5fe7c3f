"""Units of streams: known units, their dimensions, and conversion."""

from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])


ABSOLUTE_ZERO_C = -273.15


class Unit(NamedTuple):
    """SI = value * factor + offset; values of one `dimension` can be converted into each other."""

    dimension: str
    factor: float
    offset: float = 0.0


UNITS: dict[str, Unit] = {
    "m": Unit("length", 1.0),
    "mm": Unit("length", 1e-3),
    "m/s": Unit("speed", 1.0),
    "m/min": Unit("speed", 1.0 / 60.0),
    "s": Unit("time", 1.0),
    "1": Unit("ratio", 1.0),
    "%": Unit("ratio", 0.01),
    "degC": Unit("temperature", 1.0, 273.15),
    "kV": Unit("voltage", 1e3),
    "V": Unit("voltage", 1.0),
    "mA": Unit("current", 1e-3),
    "A": Unit("current", 1.0),
    "N": Unit("force", 1.0),
    "rpm": Unit("rotation", 1.0 / 60.0),
    "bar": Unit("pressure", 1e5),
    "kg/h": Unit("mass flow", 1.0 / 3600.0),
    "l/s": Unit("volume flow", 1e-3),
    "count": Unit("count", 1.0),
}


def units_of(dimension: str) -> list[str]:
    """Units in which a quantity of this dimension may come."""
    return [name for name, unit in UNITS.items() if unit.dimension == dimension]


def convert(value: Number, unit: str, to: str) -> Number:
    """A value, or an array of values, in another unit of the same dimension.

    KeyError for a unit that is not in `UNITS`, ValueError for one of another dimension.
    """
    source, target = UNITS[unit], UNITS[to]
    if source.dimension != target.dimension:
        raise ValueError(f"expected a unit of {target.dimension} to convert to {to!r}, got {unit!r}")
    if unit == to:
        return value
    return (value * source.factor + source.offset - target.offset) / target.factor
