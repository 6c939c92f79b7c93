"""What was compiled and kept on disk belongs to these very sources, or is forgotten.

Numba keeps compiled code by the file that a function is in: when a function changes, one that calls it from another
file would go on with the old one inside. So it is all of the sources, by name, time and size, that decide.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path

from spectra.atomic import replace_file

__all__ = ["of_these"]

_NOTE = "sources.txt"


def of_these(sources: Iterable[Path], folder: Path, pattern: str) -> bool:
    """Say whether `folder` holds files of this pattern made from these sources; forget what was made from others.

    Raises
    ------
    ImportError
        If what is out of date cannot be taken away, or nothing written.
    """
    facts = [(source.name, source.stat()) for source in sorted(sources)]
    now = "".join(f"{name} {fact.st_mtime_ns} {fact.st_size}\n" for name, fact in facts).encode()
    with contextlib.suppress(OSError):
        if (folder / _NOTE).read_bytes() == now:
            return any(folder.glob(pattern))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for index in folder.glob("*.nbi"):
            index.unlink(missing_ok=True)
        replace_file(folder / _NOTE, now)
    except OSError as error:
        raise ImportError(f"compiled loops cannot be kept in {folder}") from error
    return False
