"""Pages, one question and one folder each: what each registers, and which address shows which."""

from dataclasses import dataclass
from importlib import import_module
from pkgutil import iter_modules
from urllib.parse import unquote

from dash import dcc, html

from dashboard.components import Children
from dashboard.context import Context
from dashboard.page import GROUPS, Page, Shows
from dashboard.text.addresses import meant_by
from monitor.contract.reading import SchemaVersionError
from monitor.evidence.source import drum_meant


def _registered() -> tuple[Page, ...]:
    """Every folder of this package, in the order of the navigation."""
    found: list[Page] = [import_module(f"{__name__}.{module.name}").PAGE for module in iter_modules(__path__)]
    return tuple(sorted(found, key=lambda page: (GROUPS.index(page.group), page.order)))


PAGES = _registered()


@dataclass(frozen=True, slots=True)
class Shown:
    """What is shown and what the window is called."""

    title: str
    content: Children


def navigation() -> dict[str, list[tuple[str, str, str]]]:
    """By group, (address, title, question) of each page of the whole plant."""
    shown = [page for page in PAGES if page.shows is Shows.WORKS]
    return {g: [(f"/{page.path}", page.title, page.question) for page in shown if page.group == g] for g in GROUPS}


def route(context: Context, pathname: str) -> Shown:
    """The page of an address; an unknown one gets a message and a link back."""
    first, *rest = [unquote(part) for part in pathname.strip("/").split("/") if part] or [""]
    page = next((page for page in PAGES if page.path == first), None)
    if page is None:
        return _nothing(pathname)
    if page.shows is Shows.WORKS and not rest:
        return Shown(page.title, page.layout(context))
    if not rest or rest[0] not in context.configuration.lines:
        return _nothing(pathname)
    if page.shows is Shows.LINE and len(rest) == 1:
        return Shown(context.configuration.lines[rest[0]].title, page.layout(context, rest[0]))
    meant = meant_by([first, *rest]) if page.shows is Shows.DRUM else None
    found = drum_meant(context, rest[0], filling=meant[0], name=meant[1]) if meant else None
    return _nothing(pathname) if found is None else Shown(f"{page.title} {found.drum}", page.layout(context, found))


def unreadable(error: SchemaVersionError) -> Shown:
    """Shown instead of every page while the store has another version than this program."""
    return Shown("Store version", [html.H1("Store cannot be read"), html.P(str(error))])


def _nothing(pathname: str) -> Shown:
    text = f"There is no page {pathname[:120]}: no line or drum has this name."
    return Shown("Not found", [html.H1("Page not found"), html.P(text), dcc.Link("Back to Lines", href="/")])
