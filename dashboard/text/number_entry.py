"""Numbers that people enter: parsed whole or rejected with a message, never in part."""

import math
import re

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


class NotANumberError(ValueError):
    """The entry is not a number; the text says what was expected."""


def read_number(typed: object, unit: str = "") -> float | None:
    """The number in a field, None for an empty one; its unit may follow it.

    Raises NotANumberError for anything else: part of a text is never taken for the whole.
    """
    if isinstance(typed, int | float) and not isinstance(typed, bool):
        return _finite(float(typed), str(typed))
    text = str(typed if typed is not None else "").strip().replace("\N{MINUS SIGN}", "-")
    number = text.removesuffix(unit).strip() if unit else text
    if not number:
        return None
    if not NUMBER.fullmatch(number):
        hint = " Write a decimal point." if re.fullmatch(r"[+-]?\d+,\d+", number) else ""
        raise NotANumberError(f"expected a number such as 315 or 3.66, got {text[:40]!r}.{hint}")
    return _finite(float(number), text)


def _finite(value: float, text: str) -> float:
    if not math.isfinite(value):
        raise NotANumberError(f"expected a number, got {text[:40]!r}.")
    return value
