"""Writing files so that a reader, a crash or a full disk never leaves half a file."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from spectra.errors import UsageError

__all__ = ["write_atomic"]


def write_atomic(path: str | Path, content: bytes | str) -> None:
    """Write the whole file or leave what was there; text goes out as UTF-8 without touching its line ends.

    Raises
    ------
    UsageError
        If the folder cannot be written to (missing, read-only, full disk); the old file is then untouched.
    """
    path = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if os.name == "posix":
            # mkstemp makes the file private; give it what a plain open would have given
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(temporary, 0o666 & ~mask)  # noqa: PTH101 - a plain string is at hand
        os.replace(temporary, path)  # noqa: PTH105 - the same
    except OSError as problem:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)  # noqa: PTH108 - the same
        reason = problem.strerror or str(problem)
        raise UsageError(
            str(path),
            None,
            f"a file that cannot be written ({reason})",
            "a folder with room and leave to write",
            "Choose another folder; nothing was changed.",
        ) from None
