"""One self-contained HTML page of figures: no request leaves the machine that opens it."""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from spectra.atomic import write_atomic

__all__ = ["write_figures"]

_CONFIG = {"displaylogo": False, "responsive": True, "modeBarButtonsToRemove": ["lasso2d", "select2d"]}

_HEAD = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
 :root {{ color-scheme: light dark; }}
 body {{ font: 16px/1.45 system-ui, sans-serif; margin: 1.2rem auto; max-width: 76rem; padding: 0 1rem;
        color: #1c2430; background: #fbfaf7; }}
 body > div {{ max-width: 100%; overflow: hidden; }}
 /* pictures are drawn for paper: white turns into the page's dark, lightness is turned round, hues stay */
 @media screen and (prefers-color-scheme: dark) {{
  body {{ color: #e4e7ea; background: #141414; }}
  .plotly-graph-div {{ filter: invert(.92) hue-rotate(180deg); }}
  .heatmaplayer, .cbfills {{ filter: invert(1) hue-rotate(180deg); }}  /* strong stays bright, in map and scale */
 }}
 h1 {{ font-size: 1.4rem; }} h2 {{ font-size: 1.1rem; margin: 1.6rem 0 .2rem; overflow-wrap: anywhere; }}
</style></head><body><h1>{title}</h1>
"""


def write_figures(figures: Sequence[tuple[str, Any]], path: str | Path, *, title: str) -> None:
    """Write figures, each under its heading, into one HTML file.

    Parameters
    ----------
    figures : sequence of (str, plotly.graph_objects.Figure)
        Heading and figure; headings are escaped (a file name is not trusted).
    path : str or Path
        Where to write; written whole or not at all.
    title : str
        Title of the page.
    """
    parts = [_HEAD.format(title=html.escape(title))]
    for number, (heading, figure) in enumerate(figures):
        parts.append(f"<h2>{html.escape(heading)}</h2>\n")
        figure.update_layout(title=None, margin_t=40)  # the heading says it
        # the library goes in once, in the file itself: the page must open without a network
        parts.append(figure.to_html(full_html=False, include_plotlyjs=number == 0, config=_CONFIG))
    parts.append("</body></html>\n")
    write_atomic(path, "".join(parts))
