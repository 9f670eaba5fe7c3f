"""The style sheet names what the pages have: a class that was renamed in one place only styles nothing, or another."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2] / "dashboard"
OTHERS = (
    "mantine",
    "js-plotly",
    "js-line",
    "xtick",
    "ytick",
    "gridlayer",
    "ygrid",
    "xgrid",
    "scatterlayer",
    "hoverlayer",
    "hovertext",
    "zoombox",
    "annotation-text",
)  # of the libraries


def test_every_class_of_the_style_sheet_is_one_of_the_pages():
    text = re.sub(r"/\*.*?\*/", "", (ROOT / "assets" / "look.css").read_text(encoding="utf-8"), flags=re.DOTALL)
    selectors = re.sub(r"\{[^{}]*\}", " ", text)
    named = {name for name in re.findall(r"\.(-?[a-z][\w-]*)", selectors) if not name.startswith(OTHERS)}
    files = [*ROOT.rglob("*.py"), *(ROOT / "assets").glob("*.js")]
    words = set(re.findall(r"[a-z][\w-]*", " ".join(file.read_text(encoding="utf-8") for file in files)))
    assert len(named) > 60
    assert named - words == set()
