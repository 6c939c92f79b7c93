"""Writing files so that a reader, a crash or a full disk never leaves half a file."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from spectra.errors import UsageError

__all__ = ["replace_file", "write_atomic"]


def replace_file(path: Path, content: bytes) -> None:
    """Put the whole content at `path` in one step, or leave what was there; a link is followed, rights are kept.

    Raises
    ------
    OSError
        If the file cannot be written; what was there is untouched.
    """
    path = path.resolve()
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, _rights(path))  # noqa: PTH101 - mkstemp gives a string
        os.replace(temporary, path)  # noqa: PTH105 - the same
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)  # noqa: PTH108 - the same
        raise


def _rights(path: Path) -> int:
    """Return the rights of the file that is replaced, or those that a plain open would give (mkstemp gives none)."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def write_atomic(path: str | Path, content: bytes | str) -> None:
    """Write the whole file or leave what was there; text goes out as UTF-8 without touching its line ends.

    Raises
    ------
    UsageError
        If the folder cannot be written to (missing, read-only, full disk); the old file is then untouched.
    """
    try:
        replace_file(Path(path), content.encode("utf-8") if isinstance(content, str) else content)
    except OSError as problem:
        raise UsageError(
            str(path),
            None,
            f"a file that cannot be written ({problem.strerror or problem})",
            "a folder with room and leave to write",
            "Choose another folder; nothing was changed.",
        ) from None
