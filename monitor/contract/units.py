"""Units of streams: which are known, and how they become SI where a formula needs it."""

# unit -> (factor, offset): SI = value * factor + offset
TO_SI: dict[str, tuple[float, float]] = {
    "m": (1.0, 0.0),
    "mm": (1e-3, 0.0),
    "m/s": (1.0, 0.0),
    "m/min": (1.0 / 60.0, 0.0),
    "s": (1.0, 0.0),
    "1": (1.0, 0.0),
    "%": (0.01, 0.0),
    "degC": (1.0, 273.15),
    "kV": (1e3, 0.0),
    "V": (1.0, 0.0),
    "mA": (1e-3, 0.0),
    "A": (1.0, 0.0),
    "N": (1.0, 0.0),
    "rpm": (1.0 / 60.0, 0.0),
    "bar": (1e5, 0.0),
    "kg/h": (1.0 / 3600.0, 0.0),
    "l/s": (1e-3, 0.0),
    "count": (1.0, 0.0),
}


def to_si(value: float, unit: str) -> float:
    """Value in SI; raises KeyError for a unit that is not in `TO_SI`."""
    factor, offset = TO_SI[unit]
    return value * factor + offset
