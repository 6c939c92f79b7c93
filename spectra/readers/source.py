"""The bytes of a sweep file: read in place (also inside .gz and .zip), hashed, and brought to UTF-8.

A file is never trusted: sizes are bounded before anything is unpacked, and what is plainly no text is refused here.
"""

from __future__ import annotations

import hashlib
import io
import threading
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from spectra.errors import SweepFormatError

__all__ = ["MAX_FILE_BYTES", "MAX_MEMBERS", "MAX_RATIO", "Source", "open_sources", "sources_of", "to_utf8"]

MAX_FILE_BYTES = 512 * 1024 * 1024
"""Largest text that is read, packed or not: some twenty million points."""
MAX_RATIO = 200
"""Largest ratio of unpacked to packed size; sweeps pack about 3 to 10 times, zip bombs a thousand times."""
MAX_MEMBERS = 1000
"""Most files in one .zip."""

_BOMS = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))
_KINDS = (
    (b"\x89PNG", "a PNG image"),
    (b"\xff\xd8\xff", "a JPEG image"),
    (b"GIF8", "a GIF image"),
    (b"BM", "a bitmap image"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a packed document (a spreadsheet workbook, perhaps)"),
    (b"\xd0\xcf\x11\xe0", "an old office document"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
)
_CONTROL = bytes(set(range(32)) - set(b"\t\n\r\f\x1a\x00"))
_HASH_THREAD_BYTES = 4 * 1024 * 1024


@dataclass(slots=True)
class Source:
    """One text to read: its name, its bytes as UTF-8 without NUL and BOM, and the hash of the file's own bytes."""

    file: str
    data: bytes
    raw: bytes
    encoding: str
    notes: list[str] = field(default_factory=list)
    _sha256: str = ""
    _thread: threading.Thread | None = None

    def start_hash(self) -> None:
        """Begin hashing beside the parsing where the file is large (hashlib leaves the interpreter free)."""
        if len(self.raw) >= _HASH_THREAD_BYTES:
            self._thread = threading.Thread(target=self._hash)
            self._thread.start()

    def _hash(self) -> None:
        self._sha256 = hashlib.sha256(self.raw).hexdigest()

    @property
    def sha256(self) -> str:
        """SHA-256 of the bytes of the file on disk."""
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        if not self._sha256:
            self._hash()
        return self._sha256


def open_sources(path: str | Path) -> list[Source]:
    """Return the texts in a file: one, or one per member of a .zip.

    Raises
    ------
    SweepFormatError
        If the file cannot be read, is no text, is empty, or unpacks beyond the limits.
    """
    path = Path(path)
    name = path.name
    try:
        if path.is_dir():
            raise SweepFormatError(name, None, "a folder", "a file with a sweep", "Name the files in it.")
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise _too_large(name, size)
        raw = path.read_bytes()
    except OSError as problem:
        raise SweepFormatError(
            name, None, f"no readable file ({problem.strerror or problem})", "a file with a sweep", "Check the path."
        ) from problem
    return sources_of(raw, name)


def sources_of(raw: bytes, name: str) -> list[Source]:
    """Return the texts in the bytes of a file; errors as for `open_sources`."""
    if not raw:
        raise SweepFormatError(name, None, "an empty file", "a sweep saved as text", "Save the trace again.")
    if raw[:2] == b"\x1f\x8b":
        return [_source(name, _gunzip(name, raw), raw)]
    if raw[:4] == b"PK\x03\x04" and name.lower().endswith(".zip"):
        return [_source(f"{name}/{member}", data, raw) for member, data in _unzip(name, raw)]
    return [_source(name, raw, raw)]


def _too_large(name: str, size: int) -> SweepFormatError:
    limit = MAX_FILE_BYTES // (1024 * 1024)
    return SweepFormatError(
        name, None, f"{size / 1048576:.0f} MB of text", f"at most {limit} MB", "Save one trace per file."
    )


def _gunzip(name: str, raw: bytes) -> bytes:
    limit = min(MAX_FILE_BYTES, MAX_RATIO * len(raw) + 4096)
    parts: list[bytes] = []
    total, rest = 0, raw
    try:
        while rest:
            unpacker = zlib.decompressobj(31)
            data = unpacker.decompress(rest, limit - total + 1)
            total += len(data)
            if total > limit:
                raise SweepFormatError(
                    name,
                    None,
                    f"more than {limit} bytes unpacked from {len(raw)}",
                    "a packed sweep",
                    "Unpack it first.",
                )
            if not unpacker.eof:
                raise SweepFormatError(name, None, "a packed file that is cut short", "a whole .gz", "Copy it again.")
            parts.append(data)
            rest = unpacker.unused_data.lstrip(b"\0")
    except zlib.error as problem:
        raise SweepFormatError(name, None, f"damaged .gz ({problem})", "a whole .gz", "Copy it again.") from problem
    return b"".join(parts)


def _unzip(name: str, raw: bytes) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            members = [m for m in archive.infolist() if not m.is_dir() and _wanted_member(m.filename)]
            if len(members) > MAX_MEMBERS:
                raise SweepFormatError(
                    name, None, f"{len(members)} files in one .zip", f"at most {MAX_MEMBERS}", "Split the .zip."
                )
            left = MAX_FILE_BYTES
            for member in members:
                packed = max(member.compress_size, 1)
                if member.file_size > left or member.file_size > MAX_RATIO * packed + 4096:
                    raise SweepFormatError(
                        name,
                        None,
                        f"{member.filename}, which unpacks from {packed} to {member.file_size} bytes",
                        "packed sweeps",
                        "Unpack it first.",
                    )
                with archive.open(member) as stream:
                    data = stream.read(member.file_size + 1)
                left -= len(data)
                found.append((member.filename, data))
    except (
        zipfile.BadZipFile,
        zlib.error,
        RuntimeError,
        NotImplementedError,
        EOFError,
        OSError,
        ValueError,
    ) as problem:
        if isinstance(problem, SweepFormatError):
            raise
        raise SweepFormatError(
            name, None, f"unreadable .zip ({problem})", "a whole .zip", "Copy it again."
        ) from problem
    if not found:
        raise SweepFormatError(name, None, "a .zip without sweeps", "CSV or text files in it", "Pack the sweeps.")
    return found


def _wanted_member(name: str) -> bool:
    leaf = name.rsplit("/", 1)[-1]
    return not (name.startswith("__MACOSX/") or leaf.startswith(".") or leaf.lower().endswith((".toml", ".json")))


def _source(name: str, data: bytes, raw: bytes) -> Source:
    if _blank(data):
        raise SweepFormatError(name, None, "an empty file", "a sweep saved as text", "Save the trace again.")
    source = Source(name, data, raw, "")
    source.start_hash()
    source.data, source.encoding, source.notes = to_utf8(data, name)
    return source


_HYPHENS = tuple(mark.encode() for mark in ("\u2010", "\u2011", "\u2012", "\ufe63", "\uff0d"))
"""Hyphens that stand for a minus sign; the sign itself and a dash are understood as they are."""
_UNSEEN = tuple(mark.encode() for mark in ("\ufeff", "\u200b", "\u200e", "\u200f", "\u2060"))
"""Characters that nobody sees: marks of byte order, blanks without width, marks of direction."""


def to_utf8(data: bytes, name: str = "(memory)") -> tuple[bytes, str, list[str]]:
    """Return the text as UTF-8 with LF or CRLF line ends, the encoding found, and notes.

    Parameters
    ----------
    data : bytes
        UTF-8 (with or without BOM), UTF-16 (either order, with or without BOM), Latin-1 or code page 1252.
    name : str
        For messages.

    Raises
    ------
    SweepFormatError
        If the bytes are no text.
    """
    encoding, notes = "", []
    raw = data
    for bom, known in _BOMS:
        if data.startswith(bom):
            encoding = known
            data = data[len(bom) :]
            break
    if not encoding:
        encoding = _utf16_without_bom(data)
    if encoding.startswith("utf-16"):
        data = data[: len(data) // 2 * 2].decode(encoding, "replace").encode("utf-8", "replace")
    data = data.rstrip(b"\x1a")  # by which old systems end a text
    plain = bool(data) and np.frombuffer(data, np.int8).min() > 0  # ASCII without NUL, seen in one pass
    if not plain and b"\0" in data:
        count = data.count(b"\0")
        notes.append(f"{count} NUL byte{'s' if count > 1 else ''} left out")
        if count * 4 > len(data):
            raise _no_text(name, raw)
        data = data.replace(b"\0", b"")
    if not plain and not data.isascii():
        data, encoding = _to_utf8_8bit(data, encoding)
        for mark in _HYPHENS:
            if mark in data:
                data = data.replace(mark, b"-")
        for mark in _UNSEEN:
            if mark in data:  # between lines of files put together, or from a copy of a screen
                data = data.replace(mark, b"")
    elif not encoding:
        encoding = "ascii"
    head = data[:4096]
    controls = len(head) - len(head.translate(None, _CONTROL))
    if controls > max(2, len(head) // 200):
        raise _no_text(name, raw)
    if b"\f" in data:  # a new page
        data = data.replace(b"\f", b" ")
    head = data[:65536]
    if b"\r\r\n" in head:  # a line end that was widened twice
        data = data.replace(b"\r\r\n", b"\n")
    if head.count(b"\r") != head.count(b"\r\n") + head.endswith(b"\r"):
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if _blank(data):
        raise SweepFormatError(name, None, "an empty file", "a sweep saved as text", "Save the trace again.")
    return data, encoding, notes


def _blank(data: bytes) -> bool:
    """Say whether there is nothing to see in a text (looked up at its front first: it may be large)."""
    return not data[:4096].strip(b"\0 \t\r\n") and not data.strip(b"\0 \t\r\n")


def _to_utf8_8bit(data: bytes, encoding: str) -> tuple[bytes, str]:
    try:
        data.decode("utf-8")
        return data, encoding or "utf-8"
    except UnicodeDecodeError:
        pass  # not UTF-8: an 8-bit code page
    try:
        return data.decode("cp1252").encode("utf-8"), "cp1252"
    except UnicodeDecodeError:
        return data.decode("latin-1").encode("utf-8"), "latin-1"


def _utf16_without_bom(data: bytes) -> str:
    """Return the order of UTF-16 text by where its NUL bytes lie: in Latin text every other byte is one."""
    head = data[:2048]
    if len(head) < 8 or b"\0" not in head:
        return ""
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if odd > 0.7 * half and even < 0.1 * half:
        return "utf-16-le"
    if even > 0.7 * half and odd < 0.1 * half:
        return "utf-16-be"
    return ""


def _no_text(name: str, data: bytes) -> SweepFormatError:
    """Return the refusal of bytes that are no text, naming what they are where the first bytes tell."""
    kind = next((text for magic, text in _KINDS if data.startswith(magic)), "bytes that are no text")
    return SweepFormatError(
        name, None, kind, "a sweep saved as text (CSV)", "Save the trace as CSV, not as a picture or a state."
    )
