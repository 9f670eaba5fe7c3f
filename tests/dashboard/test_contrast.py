"""Contrast of the tokens in both themes, by the formula of WCAG 2.2 (relative luminance, recalled)."""

import re
from pathlib import Path

import pytest

LOOK = (Path(__file__).parents[2] / "dashboard" / "assets" / "look.css").read_text(encoding="utf-8")
TEXT, LARGE = 4.5, 3.0  # success criteria 1.4.3 and 1.4.11, level AA


def tokens(theme: str) -> dict[str, str]:
    """Tokens of a theme, those common to both included."""
    common = re.search(r":root \{(.*?)\}", LOOK, re.DOTALL)[1]
    own = re.search(rf'data-mantine-color-scheme="{theme}"\] \{{(.*?)\}}', LOOK, re.DOTALL)[1]
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", common + own))


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return sum(weight * c for weight, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_its_known_ends():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#777777") == 1.0


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(
    ("ink", "ground", "least"),
    [
        *((ink, ground, TEXT) for ink in ("ink", "ink-2", "answer") for ground in ("ground", "sheet", "answer-ground")),
        ("nonconforming-ink", "sheet", TEXT),
        ("suspect-ink", "sheet", TEXT),
        ("suspect-ink", "answer-ground", TEXT),
        ("answer-ink", "answer", TEXT),
        ("vermillion", "sheet", LARGE),
        ("trace", "ground", LARGE),
        ("rule-2", "sheet", 2.5),
    ],
)
def test_what_must_be_read_can_be_read(theme, ink, ground, least):
    of = tokens(theme)
    assert contrast(of[ink], of[ground]) >= least


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_abnormal_stands_out_from_what_runs_well(theme):
    of = tokens(theme)
    assert len({of["vermillion"], of["orange"], of["metre"], of["answer"]}) == 4
    assert of["vermillion"] == "#d55e00"
    assert of["orange"] == "#e69f00"
    assert tokens("light")["answer"] == "#0072b2"
