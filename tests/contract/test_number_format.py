"""Numbers as text: what is read back is what was meant, and nothing but zero is written as zero (C22)."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.number_format import DUST, GROUP, MINUS, NO_VALUE, exact, fixed, percent, significant

PLAIN = st.floats(min_value=DUST, max_value=1e14)
VALUES = st.builds(math.copysign, PLAIN, st.sampled_from([-1.0, 1.0]))
RAISED = dict(zip("\u207b\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079", "-0123456789", strict=True))


POWER = re.compile(rf"(?:\u00d7|^|(?<=-))10([{''.join(RAISED)}]+)$")


def read(text: str) -> float:
    """The number that a text says."""
    plain = text.replace(GROUP, "").replace(MINUS, "-").lstrip("+")
    power = POWER.search(plain)
    if power is None:
        return float(plain)
    factor = plain[: power.start()]
    return float(factor + "1" if factor in ("", "-") else factor) * 10.0 ** int("".join(RAISED[c] for c in power[1]))


def groups_of_three(text: str) -> bool:
    whole = POWER.sub("", text.lstrip(f"+{MINUS}")).partition(".")[0]
    return re.fullmatch(rf"(\d{{1,3}}({GROUP}\d{{3}})*)?", whole) is not None


@given(VALUES, st.integers(0, 6))
def test_c22_fixed_is_within_half_a_step_and_never_zero(value: float, decimals: int) -> None:
    text = fixed(value, decimals)
    places = len(text.partition(".")[2])
    assert abs(read(text) - value) <= 0.5 * 10.0**-places * (1 + 1e-9) + 1e-15 * abs(value)
    assert read(text) != 0
    assert (read(text) < 0) == (value < 0)
    assert places == decimals or (places > decimals and abs(value) < 0.5 * 10.0**-decimals * (1 + 1e-9))
    assert groups_of_three(text)


@given(VALUES, st.integers(2, 6))
def test_c22_significant_keeps_its_digits(value: float, digits: int) -> None:
    text = significant(value, digits)
    assert math.isclose(read(text), value, rel_tol=0.5 * 10.0 ** (1 - digits) * (1 + 1e-9))
    assert read(text) != 0
    assert groups_of_three(text)


@given(st.integers(-(10**9), 10**9), st.integers(0, 8))
def test_c22_exact_gives_back_what_a_person_typed(digits: int, decimals: int) -> None:
    value = float(f"{digits}e-{decimals}")
    assert read(exact(value)) == pytest.approx(value, rel=1e-12)
    assert (read(exact(value)) == 0) == (digits == 0)


@given(st.floats(0, 1), st.integers(0, 2))
def test_c22_a_share_is_none_or_all_only_where_it_is(value: float, decimals: int) -> None:
    text = percent(value, decimals)
    output = read(text.removesuffix(" %").lstrip("<> "))
    assert (output == 0) == (value * 100 < DUST)
    assert (output == 100) == (value * 100 > 100 - DUST)
    if text[0] in "<>":
        assert (output - 100 * value > 0) == (text[0] == "<")
    assert abs(output - 100 * value) <= 0.5 * 10.0**-decimals * (1 + 1e-9) + (0.01 if text[0] in "<>" else 0.0)


@pytest.mark.parametrize(
    ("text", "output"),
    [
        (fixed(0.002, 2), "0.002"),
        (fixed(12345.678, 1), f"12{GROUP}345.7"),
        (fixed(-0.5, 2), f"{MINUS}0.50"),
        (fixed(0.4, 0, sign=True), "+0.4"),
        (fixed(2.5e-13, 1), "0.0"),
        (fixed(-1e-12, 0), "0"),
        (fixed(float("inf"), 0), "\N{INFINITY}"),
        (fixed(None, 0), NO_VALUE),
        (exact(3.66), "3.66"),
        (exact(1250.0), f"1{GROUP}250"),
        (exact(0.002), "0.002"),
        (exact(0.0), "0"),
        (significant(12345.0), f"12{GROUP}300"),
        (significant(9.57e-91), "9.57\N{MULTIPLICATION SIGN}10\u207b\u2079\u00b9"),
        (significant(0.00999999), "0.01"),
        (percent(0.5), "50 %"),
        (percent(0.99996), "> 99.99 %"),
        (percent(0.9995), "99.95 %"),
        (percent(1e-9), "< 0.01 %"),
        (percent(0.0004), "0.04 %"),
        (percent(1.29, 1), "129.0 %"),
    ],
)
def test_c22_as_it_is_read(text: str, output: str) -> None:
    assert text == output
