"""Formatting of numbers, units and times, the same on every page and sheet."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.contract.number_format import NO_VALUE, exact, fixed, percent, significant

__all__ = ["NO_VALUE", "exact", "fixed", "limit", "local", "local_hour", "metres", "number", "percent", "quantity",
           "significant", "span", "unit"]  # fmt: skip

UNIT = {"degC": "\N{DEGREE SIGN}C", "1": "", "count": ""}
DECIMALS = {"mm": 2, "kV": 2, "degC": 1, "m/min": 0, "m": 0, "s": 1, "bar": 1, "rpm": 1, "%": 0, "count": 0}


def unit(name: str) -> str:
    """The unit as people write it."""
    return UNIT.get(name, name)


def number(value: float | None, of_unit: str, decimals: int | None = None) -> str:
    """A value with the decimals usual for its unit (see `number_format.fixed`)."""
    return fixed(value, DECIMALS.get(of_unit, 2) if decimals is None else decimals)


def limit(value: float | None, of_unit: str) -> str:
    """A value that a person set, with every digit of it, and its unit."""
    text = exact(value)
    return text if text == NO_VALUE else f"{text} {unit(of_unit)}".rstrip()


def quantity(value: float | None, of_unit: str, decimals: int | None = None) -> str:
    """A value and its unit."""
    text = number(value, of_unit, decimals)
    return text if text == NO_VALUE else f"{text} {unit(of_unit)}".rstrip()


def local(t_ms: float, zone: str, *, day: bool = False) -> str:
    """Works' local time with its zone, such as `14:03:07 CET`."""
    when = datetime.fromtimestamp(t_ms / 1e3, UTC).astimezone(ZoneInfo(zone))
    return when.strftime("%Y-%m-%d %H:%M:%S %Z" if day else "%H:%M:%S %Z")


def span(seconds: float | None) -> str:
    """A length of time as `45 s`, `12 min`, `2 h 05 min`."""
    if seconds is None or seconds != seconds:
        return NO_VALUE
    if seconds < 90:
        return f"{fixed(seconds, 0)} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"


def local_hour(t_ms: int, zone: str) -> float:
    """Hours of the local day, 0 to 24."""
    at = datetime.fromtimestamp(t_ms / 1e3, UTC).astimezone(ZoneInfo(zone))
    return at.hour + at.minute / 60 + at.second / 3600


def metres(value: float) -> str:
    """A place on a drum to 0.1 m."""
    return number(value, "m", 1)
