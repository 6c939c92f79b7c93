"""The colour scheme that the browser at hand asks for."""

from __future__ import annotations

from flask import has_request_context, request

from dashboard.look import SCHEME_COOKIE, SCHEMES, Look, look

__all__ = ["current_look", "current_scheme"]


def current_scheme() -> str:
    """Return the name of the scheme; light where nothing was chosen."""
    chosen = request.cookies.get(SCHEME_COOKIE, "") if has_request_context() else ""
    return chosen if chosen in SCHEMES else "light"


def current_look() -> Look:
    """Return the colours of the scheme."""
    return look(current_scheme())
