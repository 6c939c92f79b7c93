"""The content hash of a carrier table."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["canonical_number", "content_hash"]


def canonical_number(cell: str) -> str:
    """Return a text cell as it is hashed: '1,50' and '1.5' are one, and so are '007' and '7', as in a spreadsheet."""
    if not cell or cell[-1] not in "0123456789.":
        return cell
    try:
        value = float(cell.replace(",", ".", 1))
    except ValueError:
        return cell
    return repr(value) if math.isfinite(value) else cell


def content_hash(
    numbers: Mapping[str, FloatArray],
    service: NDArray[np.bool_],
    text: Mapping[str, Sequence[str]],
) -> str:
    """Return the SHA-256 of what a table says.

    Covered: every value of every row, in the order of the rows, unknown columns with their names. Not covered, so
    that a spreadsheet may save the table without a change: the file's name and bytes, encoding, delimiter, decimal
    mark, order of columns, how a header is spelt, columns without a value, empty rows, the number of printed zeros.

    Parameters
    ----------
    numbers : mapping of str to ndarray, shape (n,)
        Inner units (Hz, Bd), NaN where empty.
    service : ndarray of bool, shape (n,)
    text : mapping of str to sequence of str
        Text columns of the contract and the unknown ones; cells are hashed through `canonical_number`.
    """
    digest = hashlib.sha256(b"sweepmuster/table/1\n")
    digest.update(f"{service.size}\n".encode())
    for name in sorted(numbers):
        column = numbers[name]
        if np.isfinite(column).any():
            digest.update(f"number {name}\n".encode())
            digest.update(np.where(np.isfinite(column), column + 0.0, np.nan).astype("<f8").tobytes())
    if service.any():
        digest.update(b"service\n" + np.packbits(service).tobytes())
    for name in sorted(text):
        cells = list(text[name])
        if not any(cells):
            continue
        once = {cell: canonical_number(cell) for cell in set(cells)}
        cells = list(map(once.__getitem__, cells))
        digest.update(f"text {json.dumps(name)}\n".encode())
        digest.update(json.dumps(cells).encode())
    return digest.hexdigest()
