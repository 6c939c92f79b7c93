"""Replace a file and keep what was there before, under a number."""

from __future__ import annotations

from pathlib import Path

from spectra.atomic import replace_file

__all__ = ["replace_whole"]


def replace_whole(path: Path, content: bytes) -> Path | None:
    """Put `content` at `path` in one step and keep what was there; return where that is now.

    The previous version becomes ``<stem>.<n><suffix>`` beside the file, n one above the highest in use: ``plan.csv``
    becomes ``plan.1.csv``, at the next save ``plan.2.csv``. A higher number is a later version, and no number is used
    twice. Returns None where there was no file, or where the content does not change (nothing is written then). A link
    is followed.

    Raises
    ------
    OSError
        If the file cannot be written; what was there is untouched.
    """
    path = path.resolve()
    if path.exists() and path.read_bytes() == content:
        return None
    kept = _copied(path) if path.exists() else None
    try:
        replace_file(path, content)
    except BaseException:
        if kept is not None:
            kept.unlink(missing_ok=True)
        raise
    return kept


def _copied(path: Path) -> Path:
    numbers = [0]
    for other in path.parent.iterdir():
        name = other.name
        if name.startswith(path.stem + ".") and name.endswith(path.suffix):
            middle = name[len(path.stem) + 1 : len(name) - len(path.suffix)]
            if middle.isdecimal():
                numbers.append(int(middle))
    content = path.read_bytes()
    number = max(numbers)
    while True:
        number += 1
        copy = path.with_name(f"{path.stem}.{number}{path.suffix}")
        try:
            with copy.open("xb") as file:  # fails where another program was quicker, instead of overwriting
                file.write(content)
        except FileExistsError:
            continue
        return copy
