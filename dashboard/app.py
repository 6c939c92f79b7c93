"""The Dash application, put together: shell, pages, guard, downloads, uploads."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from functools import cached_property, wraps
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dash import Dash, Output
from dash.exceptions import DependencyException
from flask import Response, abort, request

from dashboard import shell
from dashboard.desk import SHORT, Desk
from dashboard.language import answered, current_language, translated
from dashboard.look import style_sheet
from dashboard.measures import current_measures
from dashboard.registry import Page, find_pages, match
from dashboard.scheme import current_scheme
from dashboard.security import Guard
from dashboard.still import settle_answer
from dashboard.take import csv_answer
from dashboard.uploads import add_uploads
from spectra import SpectraError
from spectra.archive import Search

if TYPE_CHECKING:
    from flask import Flask

__all__ = ["make_app", "warm_up"]

_MOST_BYTES = 4_000_000
"""Largest request that is no upload."""
_MONTH_S = 30 * 86400


class _App(Dash):
    """Dash with a first page of our own, and with answers in the user's language, still parts as single pieces.

    Colour scheme and language stand in the first page, so that nothing flashes.
    """

    def callback(self, *args: Any, **options: Any) -> Any:
        """Register a callback; what it answers passes through language and `settled`."""
        outputs = [item.component_property for item in args if isinstance(item, Output)]
        register = super().callback(*args, **options)

        def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
            @wraps(function)
            def answer(*sent: Any) -> Any:
                said = answered(function(*sent), outputs, current_language(), current_measures())
                return settle_answer(said, outputs, self.watched)

            register(answer)
            return function

        return decorate

    @cached_property
    def watched(self) -> frozenset[str]:
        """Ids that callbacks read or write."""
        found: set[str] = set()
        for entry in self.callback_map.values():
            told = entry["output"] if isinstance(entry["output"], list | tuple) else [entry["output"]]
            names = [*(item["id"] for item in (*entry["inputs"], *entry["state"])), *(o.component_id for o in told)]
            found.update(name for name in names if isinstance(name, str))
        return frozenset(found)

    def interpolate_index(self, **parts: Any) -> str:
        """Return the first page."""
        scheme = current_scheme()
        return f"""<!DOCTYPE html>
<html lang="{current_language()}" data-scheme="{escape(scheme)}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{parts["title"]}</title>
<link rel="icon" href="/assets/mark.svg" type="image/svg+xml">
<link rel="stylesheet" href="/look.css">
{parts["css"]}
</head>
<body>
<noscript>Sweepmuster's dashboard needs JavaScript; everything it shows, the command line tells too.</noscript>
{parts["app_entry"]}
<footer hidden>{parts["config"]}{parts["scripts"]}{parts["renderer"]}</footer>
</body>
</html>"""


def make_app(desk: Desk, guard: Guard | None = None, *, pages: tuple[Page, ...] | None = None) -> Dash:
    """Return the application.

    Parameters
    ----------
    desk : Desk
        What the pages work on.
    guard : Guard or None
        Who may ask; None lets this machine in without a password.
    pages : tuple of Page or None
        None takes those of `dashboard.pages`.
    """
    found = find_pages() if pages is None else pages
    app = _App(
        __name__,
        title="Sweepmuster",
        update_title=None,
        serve_locally=True,
        suppress_callback_exceptions=True,
        add_log_handler=False,
        assets_folder=str(Path(__file__).parent / "assets"),
        on_error=shell.tell_error,
    )
    server = app.server
    server.config["MAX_CONTENT_LENGTH"] = _MOST_BYTES
    (guard or Guard()).attach(server, app.csp_hashes)
    _add_routes(server, desk, found)
    server.before_request(lambda: _not_understood(app))
    server.register_error_handler(DependencyException, lambda _: ("There is no such file.\n", 404))
    add_uploads(server, desk)
    app.layout = lambda: translated(shell.layout(found))
    shell.register(app, desk, found)
    for page in found:
        page.register(app, desk)
    return app


def _not_understood(app: _App) -> Response | None:
    """Refuse what no page of ours sends, before the component library stumbles over it."""
    if ".." in request.path.split("/"):
        abort(404)
    if request.path != "/_dash-update-component":
        return None
    body = request.get_json(silent=True)
    told = body if isinstance(body, dict) else {}
    inputs, state = told.get("inputs"), told.get("state", [])
    output, changed = told.get("output"), told.get("changedPropIds", [])
    fits = (
        isinstance(output, str)
        and output in app.callback_map
        and isinstance(told.get("outputs"), dict | list)
        and isinstance(changed, list)
        and all(isinstance(name, str) for name in changed)
        and all(isinstance(some, list) for some in (inputs, state))
        and all(isinstance(item, dict) and {"id", "property"} <= item.keys() for item in (*(inputs or ()), *state))
    )
    if not fits or len(inputs or ()) != len(app.callback_map[output]["inputs"]):
        return Response("This request is none that a page sends.\n", 400, mimetype="text/plain")
    return None


def warm_up(desk: Desk, app: Dash) -> None:
    """Load what the first pages need before anybody asks for them; runs beside the start."""
    import threading

    def work() -> None:
        # any answer will do: what counts is that everything is loaded then
        client = app.server.test_client()
        for path in ("/", "/_dash-layout", "/_dash-dependencies"):
            client.get(path)
        with contextlib.suppress(SpectraError):
            rows = desk.captures(Search(limit=1))[0]
            with app.server.test_request_context("/"):
                for path in ("/", *(f"/visit/any/sweep/{row['key'][:SHORT]}" for row in rows)):
                    shell.render(desk, find_pages(), path, "")

    threading.Thread(target=work, name="warm-up", daemon=True).start()


def _add_routes(server: Flask, desk: Desk, pages: tuple[Page, ...]) -> None:
    def colours() -> Response:
        return Response(style_sheet(), mimetype="text/css", headers={"Cache-Control": "max-age=3600"})

    def csv(path: str) -> Response:
        found = match(pages, f"/{path}", request.query_string.decode("ascii", "replace"), current_scheme())
        name = request.args.get("table", "")
        if found is None or name not in found[0].tables:
            abort(404)
        page, place = found
        return csv_answer(page.tables[name](desk, place))

    def cached(answer: Response) -> Response:
        # the files of the libraries carry their version in the name
        if request.path.startswith("/_dash-component-suites/") and answer.status_code == 200:
            answer.headers["Cache-Control"] = f"max-age={_MONTH_S}"
        return answer

    server.add_url_rule("/look.css", "look", colours)
    server.add_url_rule("/csv/", "csv-first", lambda: csv(""))
    server.add_url_rule("/csv/<path:path>", "csv", csv)
    server.after_request(cached)
