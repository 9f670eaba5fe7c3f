"""Addresses of a drum's pages, spelt in one place."""

from urllib.parse import quote

from monitor.contract.reading import DrumRow


def way_to(page: str, drum: DrumRow) -> str:
    """Address of one of a drum's pages: `drum`, `family` or `release`."""
    return f"/{page}/{quote(drum.line, safe='')}/{quote(drum.drum, safe='')}"
