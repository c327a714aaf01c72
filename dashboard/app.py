"""Owns the application: which pages there are, how a request becomes one, and what a browser may load."""

from __future__ import annotations

import datetime as dt
import logging
import time
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import parse_qs

from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.dependencies import MATCH
from flask import Response

from dashboard import look, troubles
from dashboard.pages import enclosure, findings, harvest, now, wiring
from dashboard.pages.sheet import Piece, nothing
from dashboard.view import NothingToShow, View, opened

# A page is one module with PATH, NAME and layout(view, **query); adding one is a file and its name here.
PAGES: tuple[ModuleType, ...] = (now, harvest, wiring, enclosure, findings)

log = logging.getLogger(__name__)

_INDEX = """<!DOCTYPE html>
<html lang="en-GB">
<head>
{%metas%}
<title>{%title%}</title>
{%favicon%}
<style>PALETTES</style>
{%css%}
<script src="PREFIXassets/palette.js"></script>
</head>
<body>
{%app_entry%}
<noscript>These pages need JavaScript. The same words are in 'noonmark assess' and 'noonmark findings'.</noscript>
<footer>{%config%}{%scripts%}{%renderer%}</footer>
</body>
</html>"""


def create_app(store_path: Path, settings_path: Path, story_time: str | None = None) -> Dash:
    """The pages over one store.

    Parameters
    ----------
    store_path, settings_path : Path
        Need not exist: the pages then say what is missing.
    story_time : str, optional
        ISO 8601 with zone: the moment that counts as the present. The pages say that it is not today.

    Raises
    ------
    ValueError
        `story_time` is no such time.
    """
    story = story_ms(story_time)
    app = Dash(
        "dashboard",
        pages_folder="",
        use_pages=False,
        assets_folder=str(Path(__file__).parent / "assets"),
        assets_ignore="palette.js",
        serve_locally=True,
        suppress_callback_exceptions=True,
        title="Noonmark",
        update_title="",
        meta_tags=[
            {"name": "viewport", "content": "width=device-width, initial-scale=1"},
            {"name": "robots", "content": "noindex"},
        ],
    )
    app.index_string = _INDEX.replace("PALETTES", look.palette_css()).replace("PREFIX", "/")
    app.layout = _shell
    _answer_requests(app, store_path, settings_path, story)
    _paint_in_the_browser(app)
    _keep_everything_local(app)
    return app


def story_ms(story_time: str | None) -> int | None:
    if story_time is None:
        return None
    moment = dt.datetime.fromisoformat(story_time)
    if moment.tzinfo is None:
        raise ValueError(f"story_time {story_time!r}: give its zone, for instance 2026-06-18T12:00+02:00")
    return round(moment.timestamp() * 1000)


def _shell() -> Piece:
    return html.Div(
        [
            dcc.Location(id="where"),
            dcc.Store(id="palette"),
            html.Div(id="title"),
            html.Header(html.Nav(id="words")),
            html.Main(id="page"),
            html.Div(
                [html.Button(name, **{"data-palette": name}) for name in look.PALETTES],
                id="palettes",
                role="group",
                **{"aria-label": "light on the chart table"},
            ),
        ]
    )


def _answer_requests(app: Dash, store: Path, settings: Path, story: int | None) -> None:
    @app.callback(  # type: ignore[untyped-decorator, unused-ignore]
        Output("page", "children"), Output("words", "children"),
        Input("where", "pathname"), Input("where", "search"),
    )  # fmt: skip
    def answer(path: str | None, search: str | None) -> tuple[Piece, Piece]:
        path = (path or "/").rstrip("/") or "/"
        return page(store, settings, path, search or "", story), _words(path)


def page(store: Path, settings: Path, path: str, search: str, story: int | None = None) -> Piece:
    """One page, or what is missing and what to do."""
    found = next((p for p in PAGES if path == p.PATH), None)
    if found is None:
        return nothing(*troubles.page_unknown(path))
    query = {key: values[-1] for key, values in parse_qs(search.lstrip("?")).items()}
    present = story if story is not None else time.time_ns() // 1_000_000
    try:
        with opened(store, settings, present, query.get("until")) as view:
            return html.Div([_story(view) if story is not None else None, found.layout(view, **query)])
    except NothingToShow as fault:
        return nothing(fault.missing, fault.todo, fault.lines)
    except Exception as fault:
        # A fault in one page must not take the words to the others away.
        log.exception("page %s could not be drawn", path)
        return nothing(*troubles.page_failed(f"{type(fault).__name__}: {fault}"))


def _story(view: View) -> Piece:
    return html.P(
        f"These pages show the story's time: it is {view.when.moment(view.when.now)} in them.", className="story"
    )


def _words(path: str) -> list[Piece]:
    """The way to the other pages: a plain line of words."""
    return [
        dcc.Link(p.NAME, href=p.PATH, **({"className": "here"} if path == p.PATH else {})) for p in PAGES
    ]  # fmt: skip


def _paint_in_the_browser(app: Dash) -> None:
    """What the browser does by itself, in assets/noonmark.js."""
    app.clientside_callback(
        ClientsideFunction("noonmark", "paint"),
        Output({"type": "figure", "name": MATCH}, "figure"),
        Input({"type": "drawn", "name": MATCH}, "data"),
        Input("palette", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("noonmark", "arrive"),
        Output("title", "children"),
        Input("page", "children"),
        Input("where", "hash"),
    )


def _keep_everything_local(app: Dash) -> None:
    """Headers by which a browser refuses whatever does not come from this machine."""
    policy = "; ".join([
        "default-src 'none'",
        f"script-src 'self' {' '.join(app.csp_hashes())}",
        # plotly writes its own style element.
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data:",
        "font-src 'self'",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    ])  # fmt: skip
    headers: dict[str, Any] = {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
    }

    @app.server.after_request  # type: ignore[untyped-decorator, unused-ignore]
    def add(response: Response) -> Response:
        response.headers.update(headers)
        return response
