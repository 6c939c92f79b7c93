"""The address that takes dropped files, one a request: ``POST /drop/<draft>?name=noon.csv`` with the bytes as body."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Response, jsonify, request

from dashboard.drafts import MOST_FILE_BYTES, as_told
from spectra.errors import SpectraError

if TYPE_CHECKING:
    from flask import Flask

    from dashboard.desk import Desk

__all__ = ["add_uploads"]

_MARGIN = 1000


def add_uploads(server: Flask, desk: Desk) -> None:
    """Add the address to a server."""

    def drop(draft: str) -> tuple[Response, int]:
        held = desk.drafts.get(draft)
        if held is None:
            return jsonify(words="This page has been open too long. Open it anew, then drop the files again."), 404
        name = request.args.get("name", "")[:500] or "file"
        # the length is checked before a byte is read; without a length nothing is taken
        if request.content_length is None:
            return jsonify(words="The length of the file was not told."), 411
        if request.content_length > MOST_FILE_BYTES:
            return jsonify(words=f"Too large: at most {MOST_FILE_BYTES // 1_000_000} MB a file."), 413
        request.max_content_length = MOST_FILE_BYTES + _MARGIN
        try:
            return jsonify(as_told(held.add(name, request.get_data(cache=False)))), 200
        except SpectraError as problem:
            return jsonify(words=str(problem)), 413

    server.add_url_rule("/drop/<draft>", "drop", drop, methods=["POST"])
