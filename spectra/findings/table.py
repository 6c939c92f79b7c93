"""The one ordered table of all rules: only here are they known together.

A subject's file holds pure functions; this table gives each its code and the facts that it needs (see
`spectra.findings.facts`). The order is that in which findings are told.
"""

from __future__ import annotations

from spectra.finding import Rule
from spectra.findings import clock, quality

__all__ = ["RULES"]

RULES: tuple[Rule, ...] = (
    Rule("quality.axis_is_rf", ("sweep", "rf_states"), quality.axis_is_rf),
    Rule("quality.span_outside_if", ("sweep", "chain", "axis_is_if"), quality.span_outside_if),
    Rule("quality.if_not_covered", ("spans", "window", "sweep", "axis_is_if"), quality.if_not_covered),
    Rule("quality.rows_not_covered", ("sweep", "expected_elsewhere"), quality.rows_not_covered),
    Rule("quality.rbw_too_wide", ("sweep", "expected"), quality.rbw_too_wide),
    Rule("quality.points_too_far_apart", ("sweep", "expected"), quality.points_too_far_apart),
    Rule("quality.carriers_below_limit", ("sweep", "outlook", "expected"), quality.carriers_below_limit),
    Rule("quality.analyser_floor", ("measurement", "analyser_floor", "role"), quality.analyser_floor),
    Rule(
        "quality.analyser_floor_unknown", ("measurement", "no_analyser_floor", "role"), quality.analyser_floor_unknown
    ),
    Rule("clock.wrong_by_years", ("times",), clock.wrong_by_years),
    Rule("clock.wrong_by_zone", ("times",), clock.wrong_by_zone),
    Rule("clock.ahead_of_file", ("times",), clock.ahead_of_file),
    Rule("clock.set_between", ("times",), clock.set_between),
)
