"""A trace as a line of dots in the terminal, for a first look: no scale on it, the numbers stand in words beneath."""

from __future__ import annotations

import numpy as np

from spectra.units import FloatArray

__all__ = ["sketch_lines"]

_BRAILLE = 0x2800
# bits of the dots of one cell, from top to bottom, left column and right column (Unicode block "Braille Patterns")
_DOTS = np.array(((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80)))
_PLAIN = ("'", "-", ".")


def sketch_lines(level_dbm: FloatArray, width: int, height: int = 7, *, braille: bool = True) -> list[str]:
    """Return a trace as `height` lines of `width` characters, from its highest level down to its lowest.

    Each column shows the range of the points that fall into it, so that no peak is lost, however narrow.

    Parameters
    ----------
    level_dbm : ndarray, shape (n,)
    width, height : int
        In characters.
    braille : bool
        Two by four dots a character; else one of three marks (' - .), for consoles that lack them.
    """
    across, down = (2, 4) if braille else (1, len(_PLAIN))
    low, high = _ranges(level_dbm, width * across)
    bottom, top = float(level_dbm.min()), float(level_dbm.max())
    rows = height * down
    scale = (rows - 1) / (top - bottom) if top > bottom else 0.0
    first = np.rint((top - high) * scale).astype(int)
    last = np.rint((top - low) * scale).astype(int)
    row = np.arange(rows)[:, None]
    dots = (row >= first) & (row <= last)
    if braille:
        cells = dots.reshape(height, 4, width, 2)
        codes = np.einsum("hdwc,dc->hw", cells, _DOTS)
        return ["".join(map(chr, line)).rstrip(chr(_BRAILLE)) for line in (codes + _BRAILLE).tolist()]
    marks = dots.reshape(height, down, width)
    return ["".join(_plain(cell) for cell in line.tolist()).rstrip() for line in marks.transpose(0, 2, 1)]


def _plain(cell: list[bool]) -> str:
    if all(cell):
        return "|"
    return next((mark for mark, on in zip(_PLAIN, cell, strict=True) if on), " ")


def _ranges(level: FloatArray, columns: int) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and highest level of each column; neighbours are joined so that the line has no gaps."""
    n = level.size
    if n <= columns:
        nearest = level[np.rint(np.linspace(0, n - 1, columns)).astype(int)]
        low, high = nearest.copy(), nearest.copy()
    else:
        starts = (np.arange(columns) * n) // columns
        low, high = np.minimum.reduceat(level, starts), np.maximum.reduceat(level, starts)
    joined_low, joined_high = low.copy(), high.copy()
    joined_low[1:] = np.minimum(low[1:], high[:-1])
    joined_high[1:] = np.maximum(high[1:], low[:-1])
    return joined_low, joined_high
