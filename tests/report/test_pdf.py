"""The PDF says what the page says, with vectors and real text, small, and the same bytes for the same report."""

import re
import shutil
import subprocess
import zlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from spectra.cautions import DISCLAIMER
from spectra.report import build_report, pdf_of, write_visit_report
from spectra.visit import Attachment, VisitHead

pytest.importorskip("reportlab", reason="the extra 'pdf' is not installed")
MADE = datetime(2026, 3, 15, 8, 30, tzinfo=UTC)


def streams(data: bytes) -> bytes:
    """Return the page contents: ASCII85 and Flate undone, as reportlab packs them (ISO 32000-1, 7.4)."""
    import base64

    found = b""
    for body in re.findall(rb"stream\r?\n(.*?)endstream", data, re.S):
        try:
            text = body.strip()
            found += zlib.decompress(base64.a85decode(text.removesuffix(b"~>")) if text.endswith(b"~>") else body)
        except (ValueError, zlib.error):
            continue
    return found


def test_pages_vectors_and_size(make_review, tmp_path: Path) -> None:
    """Issue's limit: under 3 MB for 12 captures; here three, with sweeps of 10001 points."""
    data = pdf_of(build_report(make_review(tmp_path, points=10001), made_at=MADE))
    assert data.startswith(b"%PDF-1.")
    assert len(data) / 3 < 3e6 / 12
    pages = len(re.findall(rb"/Type /Page\b", data))
    assert 5 <= pages <= 20
    assert b"/Subtype /Image" not in data
    drawn = streams(data)
    assert len(re.findall(rb" l\b", drawn)) > 3000  # line segments of three traces
    assert b"/JavaScript" not in data
    assert b"/URI" not in data


def test_same_report_same_bytes(review) -> None:
    report = build_report(review, made_at=MADE)
    assert pdf_of(report) == pdf_of(report)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext on this machine to read the text back")
@pytest.mark.parametrize("language", ["en", "de"])
def test_text_is_that_of_the_page(review, tmp_path: Path, language: str) -> None:
    """Poppler's pdftotext reads back what the model holds."""
    path, evidence = write_visit_report(review, tmp_path / "r.pdf", language=language, made_at=MADE)
    assert evidence.name == "r.json"
    out = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True).stdout
    text = " ".join(out.decode("utf-8").split())
    first = {"en": ("What was asked", "For the vessel"), "de": ("Was gefragt war", "Für das Schiff")}[language]
    for words in (*first, "200.0 ± 4.0 kHz", "24.00 ± 0.50 dB", "1219.8000 ± 0.0020"):
        assert words in text
    if language == "en":
        assert DISCLAIMER in text
    joined = text.replace(" ", "")
    for capture in review.captures:
        assert capture.source.capture.sweeps[0].origin.sha256 in joined
    assert re.search(r"\b1 ?/ ?[5-9]", text)


def test_anything_can_be_written_in_it(make_review, tmp_path: Path) -> None:
    """Markup, signs that no face has, a word longer than a page is wide, a damaged photo."""
    evil = '<b>&amp;<para> </font> "quoted" \u202e \U0001f6f0 Мурманск ' + "x" * 400
    (tmp_path / "photo.png").write_bytes(b"\x89PNG\r\n\x1a\n broken")
    head = VisitHead(title=evil, asked=evil, vessel=evil, remark=evil)
    review = make_review(tmp_path, head=head, remark=evil, attachments=(Attachment(tmp_path / "photo.png", evil),))
    assert pdf_of(build_report(review, made_at=MADE)).startswith(b"%PDF")
