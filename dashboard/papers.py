"""Reports in the making: texts, photos and limits before they are kept, and the files to hand over.

Texts and limits are written down as a ``visit.toml`` and read by the library, which judges them; photos lie beside it.
"""

from __future__ import annotations

import io
import json
import secrets
import shutil
import tempfile
import threading
import time
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.drafts import safe_name
from dashboard.take import file_name
from spectra.archive.notes import NOTE_TEXTS
from spectra.errors import UsageError
from spectra.visit.visitfile import NAME, read_visit_file

if TYPE_CHECKING:
    from spectra.visit import VisitReview

__all__ = ["LIMITS", "MOST_PHOTO_BYTES", "TEXTS", "Paper", "Papers", "Photo", "rendered"]

TEXTS = NOTE_TEXTS
LIMITS = (
    "verdict",
    "lo_error_max_khz",
    "isolation_min_db",
    "floor_tilt_max_db",
    "service_cn_min_db",
    "faults_max",
)
MOST_PHOTO_BYTES = 10_000_000
_SHOWN_BYTES = 1_500_000  # what a report shows; a larger picture it only names
_MOST_PHOTOS = 20
_MOST_PAPERS = 40
_LONGEST = {"remark": 4000}
_KEPT_S = 24 * 3600.0
_MAGIC = {".png": b"\x89PNG\r\n\x1a\n", ".jpg": b"\xff\xd8\xff", ".jpeg": b"\xff\xd8\xff"}


@dataclass(slots=True)
class Photo:
    """A photo or text that goes with the report."""

    number: int
    name: str
    caption: str = ""
    shown: bool = True


@dataclass(slots=True)
class Paper:
    """The report on one visit, in the making.

    `since` is the key of the version of the archive that it began from; `changed` says whether there is more now.
    """

    key: str
    visit: str
    folder: Path
    texts: dict[str, str] | None = None
    photos: list[Photo] = field(default_factory=list)
    since: str | None = None
    changed: bool = False
    began: float = field(default_factory=time.monotonic)
    lock: threading.RLock = field(default_factory=threading.RLock)
    _made: tuple[Any, VisitReview] | None = None

    def add(self, name: str, data: bytes) -> Photo:
        """Take in a photo or a text.

        Raises
        ------
        UsageError
            If it is neither, or there are too many.
        """
        clean = safe_name(name)
        ending = Path(clean).suffix.lower()
        mend = "Save the picture as JPEG or PNG; a text as .txt in UTF-8."
        if ending not in (*_MAGIC, ".txt") or not _fits(ending, data):
            found = "a file that is no picture and no text" if ending in (*_MAGIC, ".txt") else f"the ending {ending!r}"
            raise UsageError(clean, None, found, "a picture (.jpg, .png) or a text (.txt)", mend)
        with self.lock:
            if len(self.photos) >= _MOST_PHOTOS:
                raise UsageError(
                    clean, None, f"more than {_MOST_PHOTOS} files", "fewer", "Choose those that tell most."
                )
            number = 1 + max((photo.number for photo in self.photos), default=0)
            path = self.folder / clean
            if any(photo.name == clean for photo in self.photos):
                clean = f"{number} {clean}"
                path = self.folder / clean
            self.folder.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
            photo = Photo(number, clean, shown=ending == ".txt" or len(data) <= _SHOWN_BYTES)
            self.photos.append(photo)
            self.changed = True
            return photo

    def remove(self, number: int) -> None:
        """Leave a photo out again."""
        with self.lock:
            self.photos = [photo for photo in self.photos if photo.number != number]
            self.changed = True

    def write(self, form: Mapping[str, Any]) -> None:
        """Take over texts and captions from the form (``text.title``, ``caption.3``)."""
        with self.lock:
            said = {key: str(form.get(f"text.{key}") or "")[: _LONGEST.get(key, 300)] for key in TEXTS}
            before = (self.texts, [photo.caption for photo in self.photos])
            self.texts = {key: text.strip() for key, text in said.items()}
            for photo in self.photos:
                photo.caption = str(form.get(f"caption.{photo.number}", photo.caption) or "")[:300].strip()
            self.changed |= before != (self.texts, [photo.caption for photo in self.photos])

    def review(self, stored: VisitReview, limits: Mapping[str, str]) -> VisitReview:
        """Return the review with these texts and photos, judged by these limits (none: the stored ones).

        Raises
        ------
        VisitError
            If a limit makes no sense.
        """
        from spectra.visit.review import judge

        with self.lock:
            if not self.changed and not limits:
                return stored  # what is kept is in it
            text = self._toml(limits)
            photos = tuple((photo.name, photo.caption) for photo in self.photos)
            key = (id(stored), text, photos)
            if self._made is not None and self._made[0] == key:
                return self._made[1]
            self.folder.mkdir(parents=True, exist_ok=True)
            path = self.folder / NAME
            path.write_text(text, encoding="utf-8")
            said = read_visit_file(path)
            head = stored.visit.head
            if self.texts is not None:
                head = replace(head, **{name: getattr(said.head, name) for name in TEXTS})
            visit = replace(
                stored.visit,
                head=head,
                limits=said.limits if limits else stored.visit.limits,
                attachments=said.attachments,  # those kept with the visit are among them
            )
            # texts and photos change no judgement; only other limits do
            made = judge(visit, stored.captures) if limits else replace(stored, visit=visit)
            self._made = key, made
            return made

    def _toml(self, limits: Mapping[str, str]) -> str:
        lines = ["[visit]"]
        lines += [f"{key} = {_quoted(text)}" for key, text in (self.texts or {}).items() if text]
        lines += ["", "[acceptance]"]
        lines += [f"{key} = {_value(limits[key])}" for key in LIMITS if limits.get(key, "").strip()]
        for photo in self.photos:
            lines += ["", "[[attachment]]", f"file = {_quoted(photo.name)}", f"caption = {_quoted(photo.caption)}"]
        return "\n".join(lines) + "\n"


def _fits(ending: str, data: bytes) -> bool:
    if ending == ".txt":
        try:
            data.decode("utf-8-sig")
        except UnicodeDecodeError:
            return False
        return b"\x00" not in data
    return data.startswith(_MAGIC[ending])


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(text: str) -> str:
    """Return a form's field as TOML: a number where it is one, else a text for the library to refuse."""
    plain = text.strip().replace(",", ".", 1)
    try:
        number = float(plain)
    except ValueError:
        return _quoted(text.strip())
    if number.is_integer() and abs(number) < 1e9:
        return str(int(number))
    return repr(number) if abs(number) < float("inf") else _quoted(text.strip())


class Papers:
    """All reports in the making, each under a key that nobody guesses; old ones are thrown away."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._papers: dict[str, Paper] = {}
        self._lock = threading.Lock()

    def begin(self, visit: str) -> Paper:
        """Begin the report on a visit."""
        key = secrets.token_hex(12)
        paper = Paper(key, visit, self._folder / key)
        with self._lock:
            self._papers[key] = paper
            by_age = sorted(self._papers.values(), key=lambda each: each.began)
            late = [each for each in by_age if each.began < time.monotonic() - _KEPT_S]
            for old in {e.key: e for e in (*by_age[: max(0, len(by_age) - _MOST_PAPERS)], *late)}.values():
                self._papers.pop(old.key, None)
                shutil.rmtree(old.folder, ignore_errors=True)
        return paper

    def get(self, key: str | None) -> Paper | None:
        """Return a report in the making by its key."""
        return self._papers.get(key or "")

    def take(self, key: str | None) -> Paper:
        """Return a report in the making.

        Raises
        ------
        UsageError
            If it is no longer there.
        """
        paper = self.get(key)
        if paper is None:
            mend = "Open the report's page anew; texts and photos have to be given again."
            raise UsageError("the report", None, "a page that has been open too long", "a page opened lately", mend)
        return paper


def rendered(review: VisitReview, what: str, language: str) -> tuple[str, str, bytes]:
    """Return the file to hand over: its name, its type, its bytes.

    Parameters
    ----------
    review : VisitReview
    what : {'html', 'pdf', 'zip'}
        ``zip`` holds page, PDF, evidence and the raw files, laid out so that ``sweepmuster report verify`` finds them.
    language : str

    Raises
    ------
    ReportError
        If there is no such language, or PDF cannot be written here.
    """
    from spectra.report import build_report, html_of, pdf_of

    made = datetime.now(UTC)
    head = review.visit.head
    named = head.title or " ".join(x for x in (review.visit.said("vessel"), review.visit.said("terminal")) if x)
    stem = file_name(named or "report", "")
    beside = f"{stem}.json" if what == "zip" else None
    report = build_report(review, language=language, made_at=made, evidence_file=beside)
    if what == "html":
        return f"{stem}.html", "text/html", html_of(report).encode("utf-8")
    if what == "pdf":
        return f"{stem}.pdf", "application/pdf", pdf_of(report, made_at=made)
    files = {f"{stem}.html": html_of(report).encode("utf-8"), f"{stem}.pdf": pdf_of(report, made_at=made)}
    return f"{stem}.zip", "application/zip", _evidence(review, stem, files, made)


def _evidence(review: VisitReview, stem: str, files: Mapping[str, bytes], made: datetime) -> bytes:
    from spectra.report.evidence import evidence_of

    out = io.BytesIO()
    with tempfile.TemporaryDirectory(prefix="sweepmuster-") as place, zipfile.ZipFile(out, "w") as packed:
        paths = []
        for name, data in files.items():
            path = Path(place) / name
            path.write_bytes(data)
            paths.append(path)
            packed.writestr(name, data, zipfile.ZIP_DEFLATED)
        evidence = evidence_of(review, made.isoformat(timespec="seconds"), paths)
        text = json.dumps(evidence, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        packed.writestr(f"{stem}.json", text.encode("utf-8"), zipfile.ZIP_DEFLATED)
        folder = review.visit.folder
        by_name = {item.path.name: item.path for item in review.visit.attachments}
        for entry in evidence["files"]:
            path = folder / entry["path"]
            source = path if path.is_file() else by_name.get(entry["path"])
            if source is not None:
                packed.write(source, f"{evidence['visit_folder']}/{entry['path']}", zipfile.ZIP_DEFLATED)
    return out.getvalue()
