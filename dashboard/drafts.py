"""Visits in the making: files as they were dropped, what each is, and what the form says of them.

A name from outside never becomes a path as it is: it is made anew from letters, digits and a few signs, inside a folder
with a name of ours.
"""

from __future__ import annotations

import gzip
import io
import re
import secrets
import shutil
import threading
import time
import unicodedata
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from spectra.capture import Context, read_context
from spectra.errors import SpectraError, UsageError
from spectra.visit.folder import is_carrier_table, is_receive_chain
from spectra.visit.visitfile import NAME

__all__ = ["MOST_FILES", "MOST_FILE_BYTES", "MOST_UNPACKED_BYTES", "Draft", "Drafts", "Dropped", "safe_name"]

Kind = Literal["sweep", "context", "table", "chain", "visit", "attachment", "unusable"]
MOST_FILES = 500
MOST_FILE_BYTES = 48_000_000
MOST_BYTES = 400_000_000
MOST_UNPACKED_BYTES = 200_000_000
_MOST_DRAFTS = 40
_KEPT_S = 24 * 3600.0
_LONGEST = 100
_ATTACHMENTS = {".jpg", ".jpeg", ".png"}
_RESERVED = {"con", "prn", "aux", "nul", *(f"{word}{k}" for word in ("com", "lpt") for k in range(10))}


@dataclass(slots=True)
class Dropped:
    """One file: its name, where it lies, what it turned out to be, in words or as what is wrong with it."""

    number: int
    name: str
    path: Path
    kind: Kind
    words: str
    problem: SpectraError | None = None
    context: Context | None = None


@dataclass(slots=True)
class Draft:
    """The files of one visit in the making."""

    key: str
    folder: Path
    files: list[Dropped] = field(default_factory=list)
    began: float = field(default_factory=time.monotonic)
    places: dict[str, str] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def of(self, kind: Kind) -> list[Dropped]:
        """Return the files of a kind."""
        return [file for file in self.files if file.kind == kind]

    def add(self, name: str, data: bytes) -> Dropped:
        """Take a file in and say what it is.

        Raises
        ------
        UsageError
            If it is too large, or there are too many.
        """
        if len(data) > MOST_FILE_BYTES:
            raise _too_much(name, f"{len(data) / 1e6:.0f} MB", f"at most {MOST_FILE_BYTES / 1e6:.0f} MB a file")
        if not unpacks_within(data, MOST_UNPACKED_BYTES):
            limit = f"at most {MOST_UNPACKED_BYTES / 1e6:.0f} MB unpacked"
            raise _too_much(name, "a packed file that unpacks to more than fits", limit)
        with self.lock:
            if len(self.files) >= MOST_FILES:
                raise _too_much(name, f"more than {MOST_FILES} files", "fewer in one visit")
            if sum(file.path.stat().st_size for file in self.files) + len(data) > MOST_BYTES:
                raise _too_much(name, f"more than {MOST_BYTES / 1e6:.0f} MB", "less in one visit")
            path = self._place(name)
            again = [file for file in self.files if file.path == path]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
            number = again[0].number if again else len(self.files) + 1
            found = _look_over(number, path, data)
            self.files = [file for file in self.files if file.path != path] + [found]
            self.files.sort(key=lambda file: file.number)
            return found

    def _place(self, name: str) -> Path:
        """Return where a file goes: the first folder's files lie side by side, those of others in folders by number."""
        parts = name.replace("\\", "/").split("/")
        place = "/".join(parts[:-1])
        number = self.places.setdefault(place, "" if not self.places else str(len(self.places) + 1))
        return self.folder / number / safe_name(parts[-1]) if number else self.folder / safe_name(parts[-1])


def _too_much(name: str, found: str, expected: str) -> UsageError:
    return UsageError(safe_name(name), None, found, expected, "Drop the rest as another visit.")


def unpacks_within(data: bytes, most: int) -> bool:
    """Say whether a packed file unpacks to no more than so many bytes; what is not packed does.

    A .zip is asked for what its members say (the reader holds them to that), a .gz is unpacked piece by piece.
    """
    if data[:4] == b"PK\x03\x04":
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as packed:
                return sum(member.file_size for member in packed.infolist()) <= most
        except (zipfile.BadZipFile, ValueError, NotImplementedError):
            return True  # it is not unpacked: the reader says what is wrong with it
    if data[:2] != b"\x1f\x8b":
        return True
    total = 0
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(data)) as unpacked:
            while piece := unpacked.read(1 << 20):
                total += len(piece)
                if total > most:
                    return False
    except (OSError, EOFError, zlib.error):
        return True
    return True


def safe_name(name: str) -> str:
    """Return a file name made anew: letters, digits, space, dot, dash; never hidden, reserved or too long."""
    last = unicodedata.normalize("NFC", name.replace("\\", "/").rpartition("/")[2])
    kept = "".join(c if c.isalnum() or c in " .-_()+" else "_" for c in last).strip(" .")
    kept = re.sub(r"\.{2,}", ".", kept) or "file"
    if kept.partition(".")[0].strip().lower() in _RESERVED:
        kept = "_" + kept
    if len(kept.encode("utf-8")) > _LONGEST:
        stem, dot, ending = kept.rpartition(".")
        kept = _cut(stem or kept, _LONGEST - 20) + (dot + _cut(ending, 12) if stem else "")
    return kept


def _cut(text: str, most: int) -> str:
    return text.encode("utf-8")[:most].decode("utf-8", "ignore").strip(" .")


def _look_over(number: int, path: Path, data: bytes) -> Dropped:
    """Say what a file is; what cannot be used says why."""
    name, low = path.name, path.name.lower()
    try:
        if low == NAME:
            return Dropped(number, name, path, "visit", "what the visit was about")
        if low.endswith(".toml") and is_receive_chain(path):
            return _chain(number, path)
        if low.endswith(".toml"):
            return Dropped(number, name, path, "context", f"notes on {name[:-5]}", context=read_context(path))
        if is_carrier_table(path):
            return _table(number, path)
        if path.suffix.lower() in _ATTACHMENTS:
            return Dropped(number, name, path, "attachment", "a picture for the report")
        return Dropped(number, name, path, "sweep", _sweep_words(data, name))
    except SpectraError as problem:
        return Dropped(number, name, path, "unusable", "cannot be used", problem)


def _chain(number: int, path: Path) -> Dropped:
    from spectra.plan import load_chain

    chain = load_chain(path)
    return Dropped(number, path.name, path, "chain", f"receive chain, {len(chain.lo_states)} LO states")


def _table(number: int, path: Path) -> Dropped:
    from spectra.plan import load_table

    table = load_table(path)
    satellites = len({name for name in table.text["satellite"].tolist() if name})
    return Dropped(number, path.name, path, "table", f"carrier table, {len(table)} carriers of {satellites} satellites")


def _sweep_words(data: bytes, name: str) -> str:
    from spectra.readers.face import read_bytes

    sweeps = read_bytes(data, name)
    first = sweeps[0]
    rbw = "RBW not told" if first.settings.rbw_hz is None else f"RBW {first.settings.rbw_hz / 1e3:g} kHz"
    many = f"{len(sweeps)} sweeps, the first: " if len(sweeps) > 1 else ""
    span = f"{first.start_hz / 1e6:.6g} to {first.stop_hz / 1e6:.6g} MHz"
    return f"{many}sweep of {first.points} points, {span}, {rbw}"


class Drafts:
    """All visits in the making, each under a key that nobody guesses; old ones are thrown away."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._drafts: dict[str, Draft] = {}
        self._lock = threading.Lock()

    def begin(self) -> Draft:
        """Begin an empty draft."""
        key = secrets.token_hex(12)
        draft = Draft(key, self._folder / key / "visit")
        with self._lock:
            self._drafts[key] = draft
            self._throw_away(self._old())
        return draft

    def get(self, key: str | None) -> Draft | None:
        """Return a draft by its key."""
        return self._drafts.get(key or "")

    def drop(self, key: str) -> None:
        """Throw a draft away."""
        with self._lock:
            self._throw_away([key])

    def _old(self) -> list[str]:
        by_age = sorted(self._drafts.values(), key=lambda draft: draft.began)
        surplus = by_age[: max(0, len(by_age) - _MOST_DRAFTS)]
        late = [draft for draft in by_age if draft.began < time.monotonic() - _KEPT_S]
        return [draft.key for draft in {d.key: d for d in (*surplus, *late)}.values()]

    def _throw_away(self, keys: Iterable[str]) -> None:
        for key in keys:
            if self._drafts.pop(key, None) is not None:
                shutil.rmtree(self._folder / key, ignore_errors=True)


def as_told(found: Dropped) -> dict[str, Any]:
    """Return what the browser shows of a file."""
    problem = None if found.problem is None else found.problem.to_dict()
    if problem is not None:
        problem["file"] = found.name
    return {"number": found.number, "name": found.name, "kind": found.kind, "words": found.words, "problem": problem}
