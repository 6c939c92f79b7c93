"""Writing a report: the page, and the evidence file beside it."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.atomic import write_atomic
from spectra.errors import ReportError
from spectra.report.build import build_report
from spectra.report.evidence import evidence_of

if TYPE_CHECKING:
    from spectra.report.model import Report
    from spectra.visit.review import VisitReview

__all__ = ["write_visit_report"]


def write_visit_report(
    review: VisitReview, path: str | Path, *, language: str = "en", made_at: datetime | None = None
) -> list[Path]:
    """Write the report on a visit, and its evidence as JSON under the same name.

    Parameters
    ----------
    review : VisitReview
    path : str or Path
        Ends in ``.html`` or ``.pdf``.
    language : str
    made_at : datetime or None
        None takes now.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    ReportError
        If the form or the language is not known, or a raw file would be written over.
    UsageError
        If the folder cannot be written to.
    """
    path = Path(path)
    if path.suffix.lower() not in (".html", ".htm", ".pdf"):
        found = f"a name that ends in {path.suffix!r}"
        raise ReportError(str(path), None, found, ".html or .pdf", "Name it like visit.html.")
    beside = path.with_suffix(".json")
    raw = {file.resolve() for capture in review.visit.captures for file in capture.files}
    if path.resolve() in raw or beside.resolve() in raw:
        raise ReportError(str(path), None, "the name of a sweep file", "a new name", "Choose another name.")
    moment = (made_at or datetime.now(UTC)).astimezone(UTC)
    report = build_report(review, language=language, made_at=moment, evidence_file=beside.name)
    write_atomic(path, _rendered(report, path, moment))
    evidence = evidence_of(review, moment.isoformat(timespec="seconds"), [path])
    write_atomic(beside, json.dumps(evidence, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    return [path, beside]


def _rendered(report: Report, path: Path, made_at: datetime) -> str | bytes:
    if path.suffix.lower() == ".pdf":
        from spectra.report.pdf import pdf_of

        return pdf_of(report, made_at=made_at)
    from spectra.report.html import html_of

    return html_of(report)
