"""Bulk conversion of cells to doubles, exactly as ``float`` reads them.

A decimal number of at most 15 digits is a whole number below 2**53 divided by a power of ten below 10**22; both are
doubles without error, so one division gives the double nearest to the decimal number, which is what ``float`` gives.

References
----------
.. [1] W. D. Clinger, How to read floating point numbers accurately, PLDI 1990 (the fast path; from memory).
"""

from __future__ import annotations

import warnings

import numpy as np
import numpy.typing as npt

from spectra.units import FloatArray

__all__ = ["MOST_DIGITS", "any_numbers", "decimal_values"]

MOST_DIGITS = 15
_WHOLE = 10 ** np.arange(MOST_DIGITS + 1, dtype=np.int64)
_POWER = 10.0 ** np.arange(MOST_DIGITS + 1)


def decimal_values(raw: npt.NDArray[np.uint8], marks: npt.NDArray[np.int64], decimal: str) -> FloatArray | None:
    """Return the numbers in all cells that are not empty.

    Parameters
    ----------
    raw : ndarray of uint8, shape (n,)
        Text of the cells, each closed by a separator; nothing but digits, signs, decimal marks and separators.
    marks : ndarray of int, shape (m,)
        Where the separators stand, rising; the last byte of `raw` is one.
    decimal : str
        The decimal mark.

    Returns
    -------
    ndarray or None
        None where a cell is no plain number or has more than 15 digits.
    """
    starts = np.empty_like(marks)
    starts[0] = 0
    starts[1:] = marks[:-1] + 1
    full = marks > starts
    starts, ends = starts[full], marks[full]
    digit = raw - np.uint8(48)
    is_digit = digit < 10
    places = np.flatnonzero(is_digit)
    points = np.flatnonzero(raw == ord(decimal))
    signs = np.flatnonzero((raw == 45) | (raw == 43))
    if not starts.size or places.size + points.size + signs.size + marks.size != raw.size:
        return None
    before = np.searchsorted(places, starts)
    count = np.diff(before, append=places.size)
    if count.min() < 1 or count.max() > MOST_DIGITS:
        return None
    cell_of_point = np.searchsorted(starts, points, "right") - 1
    cell_of_sign = np.searchsorted(starts, signs, "right") - 1
    if not (cell_of_point[1:] > cell_of_point[:-1]).all() or not (starts[cell_of_sign] == signs).all():
        return None
    after = before + count
    to_come = np.repeat(after, count) - np.arange(1, places.size + 1)
    whole = np.add.reduceat(digit[places] * _WHOLE[to_come], before)
    decimals = np.zeros(starts.size, np.int64)
    decimals[cell_of_point] = after[cell_of_point] - np.searchsorted(places, points)
    values: FloatArray = whole / _POWER[decimals]
    minus = cell_of_sign[raw[signs] == 45]
    values[minus] = -values[minus]
    return values if (ends > starts).all() else None


def any_numbers(text: bytes, delimiter: str, decimal: str) -> FloatArray | None:
    """Return the numbers in a text, exponents and many digits too, by NumPy's own exact reading; None if it fails.

    Cells that are empty vanish: the caller counts.
    """
    table = bytes.maketrans((delimiter.strip() or "\t").encode() + b"\n" + decimal.encode(), b"  .")
    cells = text.translate(table).strip()
    if not cells:
        return np.empty(0)  # of nothing but blanks NumPy makes a number, -1
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            return np.fromstring(cells.decode("ascii"), dtype=np.float64, sep=" ")
        except (ValueError, DeprecationWarning, UnicodeError):
            return None
