"""Write a file whole or not at all, and keep what was there before."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

__all__ = ["keep_previous", "write_whole"]


def keep_previous(path: Path) -> Path | None:
    """Copy an existing file to ``<stem>.<n><suffix>`` beside it, n one above the highest in use; return the copy.

    ``plan.csv`` becomes ``plan.1.csv``, at the next save ``plan.2.csv``: a higher number is a later version, and none
    is ever overwritten. Returns None where there is no file yet.
    """
    if not path.exists():
        return None
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


def write_whole(path: Path, content: bytes) -> None:
    """Put `content` at `path` in one step: through a temporary file in the same folder and `os.replace`."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".tmp", dir=path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            temporary.chmod(path.stat().st_mode & 0o777)
        else:
            mask = os.umask(0)
            os.umask(mask)
            temporary.chmod(0o666 & ~mask)
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
