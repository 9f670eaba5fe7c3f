"""Pages, one question each, and which address shows which."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

from dash import dcc, html

from dashboard.addresses import found_at
from dashboard.context import Context
from dashboard.pages import (
    again,
    alarms,
    cut,
    drum,
    drums,
    family,
    health,
    hold,
    limits,
    line,
    lines,
    load,
    release,
    settings,
    shift,
    trend,
)
from monitor.contract.reading import DrumRow, SchemaVersionError


@dataclass(frozen=True, slots=True)
class Page:
    """What is shown and what the window is called."""

    title: str
    content: list[Any]


def route(context: Context, pathname: str) -> Page:
    """The page of an address; an unknown one gets a sentence and a way back."""
    parts = [unquote(part) for part in pathname.strip("/").split("/") if part]
    simple: dict[str, tuple[str, Callable[[Context], list[Any]]]] = {
        "": ("Lines", lines.content),
        "alarms": ("Alarms", alarms.content),
        "drums": ("Drums", drums.content),
        "trend": ("Trends", trend.content),
        "settings": ("Other settings", settings.content),
        "shift": ("Shift", shift.content),
        "cut": ("Cutting", cut.content),
        "again": ("Recurring", again.content),
        "hold": ("How it holds", hold.content),
        "load": ("Alarm load", load.content),
        "limits": ("Limits", limits.content),
        "health": ("Health", health.content),
    }
    key = "/".join(parts)
    if key in simple:
        title, content = simple[key]
        return Page(title, content(context))
    if len(parts) == 2 and parts[0] == "line" and parts[1] in context.configuration.lines:
        return Page(context.configuration.lines[parts[1]].title, line.content(context, parts[1]))
    of_drum: dict[str, tuple[str, Callable[[Context, DrumRow], list[Any]]]] = {
        "drum": ("Drum", drum.content),
        "release": ("Record of drum", release.content),
        "family": ("Family of drum", family.content),
    }
    if parts[0] in of_drum and len(parts) > 1 and parts[1] in context.configuration.lines:
        found = found_at(context.record, parts)
        if found is not None:
            title, of_one = of_drum[parts[0]]
            return Page(f"{title} {found.drum}", of_one(context, found))
    return _nothing(pathname)


def unreadable(error: SchemaVersionError) -> Page:
    """In place of every page while the store is of another version than this program."""
    return Page("Store version", [html.H1("Store cannot be read"), html.P(str(error))])


def _nothing(pathname: str) -> Page:
    said = f"There is no page {pathname[:120]}: no line or drum of that name is on record."
    return Page("Not found", [html.H1("Nothing here"), html.P(said), dcc.Link("To the lines", href="/")])
