"""Room report: pages that can be handed over, self-contained and offline, with their evidence beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from spectra.lazy import lazy_face

if TYPE_CHECKING:
    from spectra.report.build import build_report as build_report
    from spectra.report.evidence import verify_evidence as verify_evidence
    from spectra.report.html import html_of as html_of
    from spectra.report.page import write_figures as write_figures
    from spectra.report.pdf import pdf_of as pdf_of
    from spectra.report.write import write_visit_report as write_visit_report

_HOME = {
    "build_report": "build",
    "html_of": "html",
    "pdf_of": "pdf",
    "verify_evidence": "evidence",
    "write_figures": "page",
    "write_visit_report": "write",
}

__all__ = sorted(_HOME)

__getattr__, __dir__ = lazy_face(__name__, _HOME)
