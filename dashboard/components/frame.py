"""Frame of every page: navigation, connection state, theme, and the caution."""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from hashlib import sha256
from urllib.parse import quote

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.components import Children, aria, attributes
from dashboard.components.tally import HIDDEN
from dashboard.text.caution import CAUTION
from dashboard.web.accounts import Person

_BLUES = ["#e8f3fa", "#cde4f3", "#9fcbe8", "#6fb1dc", "#3f97cf", "#1c83c0", "#0072b2", "#00639c", "#005485", "#00456e"]
Navigation = Mapping[str, Sequence[tuple[str, str, str]]]
THEME: dict[str, object] = {
    "fontFamily": "system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', sans-serif",
    "primaryColor": "answer",
    "primaryShade": 6,
    "colors": {"answer": _BLUES},
    "defaultRadius": 2,
    "respectReducedMotion": True,
}
ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16"><path d="M0 6h16v5H0z" fill="#8a9096"/>'
    '<path d="M10 2h2v12h-2z" fill="#d55e00"/><path d="M0 15h16" stroke="#8a9096"/></svg>'
)
INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{%title%}</title>
<link rel="icon" href="data:image/svg+xml,ICON">
{%css%}
<script>
(function () {
  var kept = null;
  try { kept = JSON.parse(localStorage.getItem("theme")); } catch (error) { kept = null; }
  var dark = window.matchMedia("(prefers-color-scheme: dark)").matches;
  var scheme = kept === "dark" || kept === "light" ? kept : dark ? "dark" : "light";
  document.documentElement.setAttribute("data-mantine-color-scheme", scheme);
})();
</script>
</head>
<body>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>""".replace("ICON", quote(ICON))

_SCRIPT = INDEX.split("<script>")[1].split("</script>")[0]
OWN_SCRIPTS = ["'sha256-" + b64encode(sha256(_SCRIPT.encode()).digest()).decode() + "'"]


def frame(
    works_title: str,
    time_zone: str,
    person: Person | None = None,
    navigation: Navigation | None = None,
    form_token: str = "",
) -> dmc.MantineProvider:
    """The whole document; pages come into `content`.

    `person` is who is signed in, `form_token` the token of their forms; `navigation` is (address, title, question) of
    each page, by group.
    """
    return dmc.MantineProvider(
        id="provider",
        theme=THEME,
        defaultColorScheme="auto",
        children=[
            dcc.Location(id="location"),
            dcc.Store(id="theme", storage_type="local"),
            dcc.Store(id="page-turn"),
            dcc.Store(id="sent", storage_type="session", data=[]),
            dcc.Interval(id="second", interval=1000),
            dcc.Store(id="second-done"),
            html.A("Skip to main content", href="#content", className="skip"),
            _header(works_title, time_zone, _person(person, form_token), navigation or {}),
            html.Main(id="content", tabIndex=-1),
            html.Footer([html.P(CAUTION), html.P(works_title, className="works")]),
        ],
    )


def _header(works_title: str, time_zone: str, person: Children, navigation: Navigation) -> html.Header:
    groups = [_group(name, pages) for name, pages in navigation.items()]
    return html.Header(
        className="head",
        children=[
            dcc.Link([html.Span("every"), html.B("metre")], href="/", className="wordmark", title=works_title),
            html.Nav(groups, id="navigation", **aria("Pages")),
            html.Div(
                [
                    html.Span(id="connection", className="connection", role="status"),
                    html.Time(id="works-time", className="works-time", **attributes(time_zone=time_zone)),
                    *person,
                    html.Button("Dark", id="theme-button", className="plain", title="Change between light and dark"),
                ],
                className="header-right",
            ),
        ],
    )


def _group(name: str, pages: Sequence[tuple[str, str, str]]) -> html.Div:
    links = [
        dcc.Link([html.Span(title, className="nav-name"), html.Span(question, className="nav-question")], href=href)
        for href, title, question in pages
    ]
    label = html.Span(name, className="nav-group", **HIDDEN)
    return html.Div([label, *links], role="group", **aria(name))


def _person(person: Person | None, form_token: str) -> Children:
    if person is None:
        return []
    leave = html.Button("Sign out", className="plain", type="submit", title=f"{person.name}, role: {person.role}")
    token = dcc.Input(type="hidden", name="token", value=form_token)
    return [html.Form([html.Span(person.name), token, leave], action="/logout", method="POST", className="person")]
