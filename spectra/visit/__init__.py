"""Room visit: one piece of work on one terminal, its captures analysed side by side, held against acceptance limits.

`load_visit(folder)` reads what came off the stick; `review_visit(visit)` measures, identifies, judges and says what to
do next. Names are looked up when first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from spectra.lazy import lazy_face

if TYPE_CHECKING:
    from spectra.visit.acceptance import Criterion as Criterion
    from spectra.visit.acceptance import Statement as Statement
    from spectra.visit.analysis import CaptureReview as CaptureReview
    from spectra.visit.analysis import analyse as analyse
    from spectra.visit.analysis import analyse_capture as analyse_capture
    from spectra.visit.checklist import ChecklistItem as ChecklistItem
    from spectra.visit.folder import load_visit as load_visit
    from spectra.visit.hints import Suggestion as Suggestion
    from spectra.visit.review import VisitReview as VisitReview
    from spectra.visit.review import VisitStep as VisitStep
    from spectra.visit.review import judge as judge
    from spectra.visit.review import review_visit as review_visit
    from spectra.visit.visit import Attachment as Attachment
    from spectra.visit.visit import Limits as Limits
    from spectra.visit.visit import Visit as Visit
    from spectra.visit.visit import VisitCapture as VisitCapture
    from spectra.visit.visit import VisitHead as VisitHead

_HOME = {
    "Attachment": "visit",
    "CaptureReview": "analysis",
    "ChecklistItem": "checklist",
    "Criterion": "acceptance",
    "Limits": "visit",
    "Statement": "acceptance",
    "Suggestion": "hints",
    "Visit": "visit",
    "VisitCapture": "visit",
    "VisitHead": "visit",
    "VisitReview": "review",
    "VisitStep": "review",
    "analyse": "analysis",
    "analyse_capture": "analysis",
    "judge": "review",
    "load_visit": "folder",
    "review_visit": "review",
}

__all__ = sorted(_HOME)

__getattr__, __dir__ = lazy_face(__name__, _HOME)
