"""Files dropped on the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from flask import Flask

    from dashboard.desk import Desk

__all__ = ["add_uploads"]


def add_uploads(server: Flask, desk: Desk) -> None:
    """Add the addresses that take files."""
