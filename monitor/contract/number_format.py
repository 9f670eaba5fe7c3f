"""Number formatting, the same on every page and sheet and in every command's output.

Groups of three digits are parted by a narrow space, decimals follow a point, and a value that is not zero is never
written as zero: it keeps as many decimals as it needs.
"""

import math

NO_VALUE = "\N{EN DASH}"
GROUP, MINUS = "\N{NARROW NO-BREAK SPACE}", "\N{MINUS SIGN}"
DUST = 1e-9  # smaller values are rounding errors: written as 0
DIGITS = 10  # significant ones that a value typed by a person has at most
LARGEST = 1e15  # from here on, and below `SMALLEST`, a power of ten is written
SMALLEST = 1e-6
_RAISED = str.maketrans("-0123456789", "\u207b\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079")


def fixed(value: float | None, decimals: int, *, sign: bool = False) -> str:
    """With a number of decimals, or with more where only zeros would be left; a dash for None and NaN.

    `sign` writes a plus before what is greater than zero.
    """
    if value is None or math.isnan(value):
        return NO_VALUE
    size = abs(value)
    if not size < LARGEST:
        return _signed(value, "\N{INFINITY}" if math.isinf(size) else _power(size, 3), sign)
    if size < DUST:
        return _grouped(0.0, decimals)
    while float(f"{size:.{decimals}f}") == 0.0:
        decimals += 1
    return _signed(value, _grouped(size, decimals), sign)


def exact(value: float | None) -> str:
    """With exactly the digits that a person entered."""
    if value is None or math.isnan(value) or math.isinf(value):
        return fixed(value, 0)
    size = abs(value)
    if size and not SMALLEST <= size < LARGEST:
        return _signed(value, _power(size, DIGITS), False)
    return _signed(value, _trimmed(size, DIGITS), False)


def significant(value: float | None, digits: int = 3) -> str:
    """To a number of significant digits, without zeros at the end of its decimals; for what has no step of its own."""
    if value is None or math.isnan(value) or math.isinf(value):
        return fixed(value, 0)
    size = abs(value)
    if size and not SMALLEST <= size < LARGEST:
        return _signed(value, _power(size, digits), False)
    return _signed(value, _trimmed(size, digits), False)


def percent(value: float | None, decimals: int = 0) -> str:
    """A part of one in percent; neither 0 % nor 100 % unless it is none or all.

    What is nearer to one of them than a hundredth of a percent is written as less, or more, than that.
    """
    if value is None or math.isnan(value):
        return NO_VALUE
    of_100 = 100.0 * value
    if abs(of_100) < DUST or abs(100.0 - of_100) < DUST:
        return f"{fixed(round(of_100), decimals)} %"
    while decimals < 2 and float(f"{of_100:.{decimals}f}") in (0.0, 100.0):
        decimals += 1
    if 0.0 < of_100 < 0.005:
        return "< 0.01 %"
    if 99.995 < of_100 < 100.0:
        return "> 99.99 %"
    return f"{fixed(of_100, decimals)} %"


def _signed(value: float, text: str, plus: bool) -> str:
    if value < 0 and text.strip("0."):
        return MINUS + text
    return f"+{text}" if plus and value > 0 else text


def _grouped(size: float, decimals: int) -> str:
    return f"{size:,.{decimals}f}".replace(",", GROUP)


def _trimmed(size: float, digits: int) -> str:
    if not size:
        return "0"
    decimals = digits - 1 - int(f"{size:.{digits - 1}e}".partition("e")[2])
    text = _grouped(round(size, decimals), max(decimals, 0))
    return text.rstrip("0").rstrip(".") if "." in text else text


def _power(size: float, digits: int) -> str:
    mantissa, _, power = f"{size:.{digits - 1}e}".partition("e")
    mantissa = mantissa.rstrip("0").rstrip(".") if "." in mantissa else mantissa
    times = "" if mantissa == "1" else f"{mantissa}\N{MULTIPLICATION SIGN}"
    return f"{times}10{str(int(power)).translate(_RAISED)}"
