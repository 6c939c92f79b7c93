"""Looking at a folder again and again for files that are finished: works on sticks and network shares alike.

A file is taken when its size and time are the same in two looks. Saving may pause, so a file that cannot be read is
tried again for some looks before it is given up; one that changes after it was answered is answered again.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from spectra.capture import sidecar_path
from spectra.cli.batch import is_carrier_table, sweep_files

__all__ = ["PATIENCE", "FolderWatch"]

PATIENCE = 3
"""Looks without a change for which a file that cannot be read is tried again."""

_Signature = tuple[int, int, int, int]


@dataclass(slots=True)
class _Seen:
    """What is known of one file: its signature at the last look, looks without change, and what was answered."""

    signature: _Signature
    unchanged: int = 0
    answered: _Signature | None = None


class FolderWatch:
    """The files of a folder as they are finished.

    Parameters
    ----------
    folder : Path
        Watched with everything below it; may vanish and come back (a stick that is pulled).
    leave_out : collection of Path
        Files never to take, such as the carrier table.
    """

    def __init__(self, folder: Path, leave_out: Collection[Path] = ()) -> None:
        self._folder = folder
        self._left_out = {path.resolve() for path in leave_out}
        self._names_left_out = {path.name for path in leave_out} | {path.name for path in self._left_out}
        self._seen: dict[Path, _Seen] = {}

    def look(self) -> list[Path]:
        """Look once and return the files to try now, by name."""
        ready: list[Path] = []
        present = self._present()
        for gone in self._seen.keys() - present.keys():
            del self._seen[gone]
        for path, signature in present.items():
            seen = self._seen.get(path)
            if seen is None or seen.signature != signature:
                answered = None if seen is None else seen.answered
                self._seen[path] = _Seen(signature, 0, answered)
                continue
            seen.unchanged += 1
            if seen.answered == signature:
                continue
            if seen.unchanged == 1 and is_carrier_table(path):
                seen.answered = signature
                continue
            ready.append(path)
        return ready

    def done(self, path: Path) -> None:
        """Say that a file was answered as it now stands."""
        seen = self._seen[path]
        seen.answered = seen.signature

    def failed(self, path: Path) -> bool:
        """Say that a file could not be read; return whether it is given up (as it now stands)."""
        seen = self._seen[path]
        if seen.unchanged < PATIENCE:
            return False
        seen.answered = seen.signature
        return True

    def pass_over_present(self) -> None:
        """Take what is there now as answered."""
        self._seen = {path: _Seen(signature, 0, signature) for path, signature in self._present().items()}

    @property
    def settled(self) -> bool:
        """Whether every file is answered (or given up) as it stands."""
        return all(seen.answered == seen.signature for seen in self._seen.values())

    def _is_left_out(self, path: Path) -> bool:
        # names first: resolving every file at every look is slow on a network share
        return path.name in self._names_left_out and path.resolve() in self._left_out

    def _present(self) -> dict[Path, _Signature]:
        try:
            files = sweep_files(self._folder)
        except OSError:  # pulled while we looked: come back at the next look
            files = []
        found: dict[Path, _Signature] = {}
        for path in files:
            signature = _signature(path)
            if signature is not None and not self._is_left_out(path):
                found[path] = signature
        return found


def _signature(path: Path) -> _Signature | None:
    """Return size and time of a file and of its sidecar; None for one that has gone or is still empty."""
    try:
        own = path.stat()
    except OSError:
        return None
    try:
        beside = sidecar_path(path).stat()
        context = (beside.st_size, beside.st_mtime_ns)
    except OSError:
        context = (-1, 0)
    return (own.st_size, own.st_mtime_ns, *context) if own.st_size else None
