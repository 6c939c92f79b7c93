"""Room findings: rules over captures, one file a subject; `table.py` alone knows them all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from spectra.lazy import lazy_face

if TYPE_CHECKING:
    from spectra.findings.axis import sweep_at_if as sweep_at_if
    from spectra.findings.axis import sweep_to_if as sweep_to_if
    from spectra.findings.capture import capture_findings as capture_findings
    from spectra.findings.capture import each_once as each_once
    from spectra.findings.capture import with_capture_findings as with_capture_findings
    from spectra.findings.clock import CaptureTime as CaptureTime
    from spectra.findings.clock import capture_time as capture_time
    from spectra.findings.compare import compare as compare
    from spectra.findings.emissions import Emissions as Emissions
    from spectra.findings.interference_entry import emission_findings as emission_findings
    from spectra.findings.interference_guests import under_carriers as under_carriers
    from spectra.findings.interference_report import interference_reports as interference_reports
    from spectra.findings.interference_report import reports_from_log as reports_from_log
    from spectra.findings.interference_sets import follow as follow
    from spectra.findings.line_baseline import baseline_findings as baseline_findings
    from spectra.findings.service_levels import service_findings as service_findings
    from spectra.findings.trend import trend as trend

_HOME = {
    "CaptureTime": "clock",
    "Emissions": "emissions",
    "baseline_findings": "line_baseline",
    "capture_findings": "capture",
    "capture_time": "clock",
    "compare": "compare",
    "each_once": "capture",
    "emission_findings": "interference_entry",
    "follow": "interference_sets",
    "interference_reports": "interference_report",
    "reports_from_log": "interference_report",
    "service_findings": "service_levels",
    "sweep_at_if": "axis",
    "sweep_to_if": "axis",
    "trend": "trend",
    "under_carriers": "interference_guests",
    "with_capture_findings": "capture",
}

__all__ = sorted(_HOME)

__getattr__, __dir__ = lazy_face(__name__, _HOME)
