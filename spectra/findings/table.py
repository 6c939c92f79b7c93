"""The one ordered table of all rules: only here are they known together.

A subject's file holds pure functions; this table gives each its code and the facts that it needs (see
`spectra.findings.facts`). The order is that in which findings are told.
"""

from __future__ import annotations

from spectra.finding import Rule
from spectra.findings import (
    clock,
    interference,
    interference_bursts,
    interference_entry,
    interference_unlisted,
    line,
    line_baseline,
    oscillator,
    oscillator_pair,
    oscillator_state,
    oscillator_trend,
    polarisation,
    polarisation_feed,
    polarisation_single,
    quality,
    service,
    service_levels,
    sun,
)

__all__ = ["BASELINE_RULES", "PAIR_RULES", "RULES", "SERVICE_RULES", "SET_RULES", "TREND_RULES"]

RULES: tuple[Rule, ...] = (
    Rule("service.absent", ("identification", "table"), service.absent),
    Rule("service.below_reference", ("identification", "table", "own_noise_db"), service.below_reference),
    Rule("service.modem_disagrees", ("identification", "table", "circumstances"), service.modem_disagrees),
    Rule("service.present", ("identification", "table", "own_noise_db"), service.present),
    Rule("service.not_visible", ("identification", "table"), service.not_visible),
    Rule("quality.axis_is_rf", ("sweep", "rf_states"), quality.axis_is_rf),
    Rule("quality.span_outside_if", ("sweep", "chain", "axis_is_if"), quality.span_outside_if),
    Rule("quality.if_not_covered", ("spans", "window", "sweep", "axis_is_if"), quality.if_not_covered),
    Rule("quality.rows_not_covered", ("sweep", "expected_elsewhere"), quality.rows_not_covered),
    Rule("quality.rbw_too_wide", ("sweep", "expected"), quality.rbw_too_wide),
    Rule("quality.points_too_far_apart", ("sweep", "expected"), quality.points_too_far_apart),
    Rule("quality.carriers_below_limit", ("sweep", "outlook", "expected"), quality.carriers_below_limit),
    Rule("quality.nothing_as_meant", ("measurement", "identification", "role"), quality.nothing_as_meant),
    Rule("quality.analyser_floor", ("measurement", "analyser_floor", "role"), quality.analyser_floor),
    Rule(
        "quality.analyser_floor_unknown", ("measurement", "no_analyser_floor", "role"), quality.analyser_floor_unknown
    ),
    Rule("clock.wrong_by_years", ("times",), clock.wrong_by_years),
    Rule("clock.day_month_exchanged", ("times",), clock.day_month_exchanged),
    Rule("clock.wrong_by_zone", ("times",), clock.wrong_by_zone),
    Rule("clock.ahead_of_file", ("times",), clock.ahead_of_file),
    Rule("clock.set_between", ("times",), clock.set_between),
    Rule("oscillator.wrong_state", ("identification", "chain", "circumstances"), oscillator_state.wrong_state),
    Rule("oscillator.inverted_spectrum", ("identification", "chain"), oscillator.inverted_spectrum),
    Rule("oscillator.out_of_tolerance", ("oscillator", "finer_sweep"), oscillator.out_of_tolerance),
    Rule("oscillator.tolerance_unknown", ("oscillator",), oscillator.tolerance_unknown),
    Rule("oscillator.whose_error", ("oscillator",), oscillator.whose_error),
    Rule("oscillator.carrier_apart", ("oscillator",), oscillator.carrier_apart),
    Rule(
        "polarisation.other_than_expected",
        ("identification", "chain", "circumstances"),
        oscillator_state.other_polarisation,
    ),
    Rule("polarisation.leak_suspected", ("suspicion",), polarisation_single.leak_suspected),
    Rule("interference.cw_under_carrier", ("measurement", "guests"), interference.cw_under_carrier),
    Rule("interference.bursts", ("sweep", "bursts"), interference_bursts.bursts),
    Rule("interference.bump_under_carrier", ("measurement", "guests"), interference.bump_under_carrier),
    Rule(
        "interference.adjacent_satellite",
        ("unlisted", "measurement", "identification", "table", "circumstances"),
        interference_unlisted.adjacent_satellite,
    ),
    Rule("interference.two_satellites", ("identification", "measurement"), interference_unlisted.two_satellites),
    Rule("interference.other_polarisation", ("unlisted", "measurement"), interference_unlisted.other_polarisation),
    Rule("interference.image", ("unlisted", "measurement"), interference_unlisted.image),
    Rule("interference.second_lo", ("unlisted", "measurement"), interference_unlisted.second_lo),
    Rule("interference.intermodulation", ("unlisted", "measurement"), interference_unlisted.intermodulation),
    Rule("interference.reference_harmonic", ("unlisted", "measurement"), interference_unlisted.reference_harmonic),
    Rule("interference.comb", ("unlisted", "measurement"), interference_unlisted.comb),
    Rule("interference.own_radar", ("unlisted", "measurement"), interference_unlisted.own_radar),
    Rule("interference.by_the_cable", ("unlisted", "measurement", "bursts"), interference_unlisted.by_the_cable),
    Rule("interference.newcomer", ("unlisted", "measurement", "guests", "bursts"), interference_unlisted.newcomer),
    Rule("interference.sun_transit", ("measurement", "sun"), sun.sun_transit),
    Rule("line.ripple", ("measurement", "chain"), line.ripple),
    Rule("line.ripple_not_visible", ("sweep", "measurement", "chain"), line.ripple_not_visible),
    Rule("line.slope", ("measurement", "chain"), line.slope),
    Rule("line.gain_low", ("measurement", "chain", "role"), line.gain_low),
    Rule("line.gain_high", ("measurement", "chain", "role"), line.gain_high),
    Rule("line.compression_suspected", ("measurement", "products"), line.compression_suspected),
)
"""Rules over one capture."""

PAIR_RULES: tuple[Rule, ...] = (
    Rule("polarisation.ports_swapped", ("swap",), polarisation.ports_swapped),
    Rule("polarisation.one_state_for_both", ("copied_state",), polarisation.copied_state),
    Rule("polarisation.isolation_acceptance", ("pooled", "isolation_limit_db"), polarisation.isolation_acceptance),
    Rule("polarisation.isolation", ("pooled", "gain"), polarisation.isolation),
    Rule("polarisation.skew_error", ("pooled", "skew", "sign", "purity_db"), polarisation_feed.skew_error),
    Rule("polarisation.not_alignment", ("pooled", "variation", "skew"), polarisation_feed.not_alignment),
    Rule("polarisation.axial_ratio", ("pooled", "circular"), polarisation_feed.axial_ratio),
    Rule("polarisation.rain", ("pooled", "rain"), polarisation_feed.rain_depolarisation),
    Rule("oscillator.state_did_not_change", ("state_change",), oscillator_pair.state_did_not_change),
    Rule("quality.nothing_in_common", ("kind", "pairs", "captures"), oscillator_pair.nothing_in_common),
    Rule("oscillator.changed", ("kind", "shifts"), oscillator_pair.changed),
    Rule("oscillator.unstable", ("kind", "shifts"), oscillator_pair.unstable),
)
"""Rules over two or more captures; their facts are those of `spectra.findings.compare`."""

TREND_RULES: tuple[Rule, ...] = (
    Rule("oscillator.drift", ("trend",), oscillator_trend.drift),
    Rule("oscillator.step", ("trend",), oscillator_trend.stepped),
    Rule("oscillator.warm_up", ("trend",), oscillator_trend.warm_up),
    Rule("oscillator.temperature", ("trend",), oscillator_trend.swing),
    Rule("oscillator.lnb_exchanged", ("swap",), oscillator_trend.lnb_exchanged),
    Rule("oscillator.captures_left_out", ("trend",), oscillator_trend.left_out),
)
"""Rules over a series of captures."""

SET_RULES: tuple[Rule, ...] = (
    Rule("interference.enters_by_cable", ("emissions",), interference_entry.enters_by_cable),
    Rule("interference.enters_by_antenna", ("emissions",), interference_entry.enters_by_antenna),
    Rule("interference.not_from_the_satellite", ("emissions",), interference_entry.not_from_the_satellite),
    Rule("interference.comes_and_goes", ("emissions",), interference_entry.comes_and_goes),
    Rule("interference.with_heading", ("emissions",), interference_entry.with_heading),
    Rule("interference.on_both_ports", ("emissions",), interference_entry.on_both_ports),
    Rule("interference.radar_spikes", ("emissions",), interference_entry.radar_spikes),
    Rule("interference.from_the_satellite", ("emissions",), interference_entry.from_the_satellite),
    Rule("interference.aboard_one_vessel", ("emissions",), interference_entry.aboard_one_vessel),
)
"""Rules over the log of interferers that sets of captures show."""

BASELINE_RULES: tuple[Rule, ...] = (
    Rule("line.level_changed", ("measurement", "baseline"), line_baseline.level_changed),
    Rule("line.floor_changed", ("measurement", "baseline"), line_baseline.floor_changed),
    Rule("line.floor_raised", ("measurement", "baseline"), line_baseline.floor_raised),
    Rule("line.carrier_changed", ("measurement", "baseline"), line_baseline.carrier_changed),
    Rule("interference.sun_transit", ("measurement", "sun"), sun.sun_transit),
)
"""Rules over a capture and its baseline."""

SERVICE_RULES: tuple[Rule, ...] = (
    Rule("service.blockage", ("service_levels",), service_levels.blockage),
    Rule("service.tracking_loss", ("service_levels",), service_levels.tracking_loss),
    Rule("service.not_peaked", ("service_levels",), service_levels.not_peaked),
    Rule("service.peaked", ("service_levels",), service_levels.peaked),
)
"""Rules over the own carrier's level in many captures."""
