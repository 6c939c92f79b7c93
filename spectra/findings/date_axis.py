"""How dates stand on the axes of pictures: year, month, day, whatever the reader's country (ISO 8601)."""

from __future__ import annotations

from typing import Any

__all__ = ["DATE_AXIS", "DATE_HOVER"]

_MINUTE_MS, _DAY_MS = 60_000.0, 86_400_000.0

DATE_HOVER = "%Y-%m-%d %H:%M"

DATE_AXIS: dict[str, Any] = {
    "tickformatstops": [
        {"dtickrange": [None, _MINUTE_MS - 1.0], "value": "%H:%M:%S\n%Y-%m-%d"},
        {"dtickrange": [_MINUTE_MS, _DAY_MS - 1.0], "value": "%H:%M\n%Y-%m-%d"},
        {"dtickrange": [_DAY_MS, "M1"], "value": "%Y-%m-%d"},
        {"dtickrange": ["M1", "M12"], "value": "%Y-%m"},
        {"dtickrange": ["M12", None], "value": "%Y"},
    ],
    "hoverformat": DATE_HOVER,
}
"""For an axis of times, under plotly's names; what stands behind a line break is written once a day."""
