"""Addresses of pages: those of a drum's pages, and redirects of earlier addresses.

A filling is meant by its line and number, since a drum's name may come back and may hold any character; a bare name
in place of the number means the newest filling of that name.
"""

from collections.abc import Sequence
from urllib.parse import quote

from monitor.contract.reading import DrumRow

PAGES = ("drum", "traceability", "release")
FILLING = "filling"
# Earlier addresses of pages and of the api, and what they are now.
MOVED = {
    "/again": "/recurring",
    "/hold": "/capability",
    "/load": "/alarm-load",
    "/settings": "/what-if",
    "/cut": "/cutting",
    "/family": "/traceability",
    "/enter": "/login",
    "/leave": "/logout",
    "/api/v1/family": "/api/v1/traceability",
    "/api/v1/journey": "/api/v1/process-history",
}


def moved(path: str) -> str | None:
    """The present path of one that began with an earlier address, unquoted both; None for one that has not moved."""
    for earlier, now in MOVED.items():
        if path == earlier or path.startswith(earlier + "/"):
            return now + path.removeprefix(earlier)
    return None


def way_to(page: str, line: str, filling: int) -> str:
    """Address of one of a drum's pages."""
    return f"/{page}/{quote(line, safe='')}/{FILLING}/{filling}"


def meant_by(parts: Sequence[str]) -> tuple[int | None, str] | None:
    """Filling (or None) and name that an address means, split at its slashes and unquoted; None for no drum's."""
    if len(parts) == 4 and parts[2] == FILLING and is_number(parts[3]):
        return int(parts[3]), ""
    return (None, parts[2]) if len(parts) == 3 else None


def is_number(text: str) -> bool:
    """Whether a text is the number of a filling: a whole one, and no more than a database takes."""
    return text.isascii() and text.isdigit() and len(text) <= 9


def question(drum: DrumRow) -> str:
    """The same filling as parameters of the api."""
    return f"line={quote(drum.line, safe='')}&filling={drum.filling}"
