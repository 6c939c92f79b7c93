"""The table of rules: codes are unique and stable, needs are facts, steps carry their cautions."""

import ast
import inspect
from pathlib import Path

from spectra.cautions import required_for
from spectra.findings import capture_findings, clock, quality
from spectra.findings.facts import capture_facts
from spectra.findings.table import RULES, SET_RULES

# codes are never renamed and never used for something else: adding to this list is free, changing it is not
CODES = [
    "quality.axis_is_rf",
    "quality.span_outside_if",
    "quality.if_not_covered",
    "quality.rows_not_covered",
    "quality.rbw_too_wide",
    "quality.points_too_far_apart",
    "quality.carriers_below_limit",
    "quality.analyser_floor",
    "quality.analyser_floor_unknown",
    "clock.wrong_by_years",
    "clock.day_month_exchanged",
    "clock.wrong_by_zone",
    "clock.ahead_of_file",
    "clock.set_between",
    "interference.cw_under_carrier",
    "interference.bump_under_carrier",
    "line.ripple",
    "line.ripple_not_visible",
    "line.slope",
    "line.gain_low",
    "line.gain_high",
    "line.compression_suspected",
    "interference.adjacent_satellite",
    "interference.other_polarisation",
    "interference.two_satellites",
    "interference.image",
    "interference.second_lo",
    "interference.intermodulation",
    "interference.reference_harmonic",
    "interference.comb",
    "interference.own_radar",
    "interference.by_the_cable",
    "interference.newcomer",
    "service.absent",
    "service.below_reference",
    "service.modem_disagrees",
    "service.present",
    "service.not_visible",
    "interference.bursts",
    "interference.sun_transit",
]
SET_CODES = [
    "interference.enters_by_cable",
    "interference.enters_by_antenna",
    "interference.not_from_the_satellite",
    "interference.comes_and_goes",
    "interference.with_heading",
    "interference.on_both_ports",
    "interference.radar_spikes",
    "interference.from_the_satellite",
    "interference.aboard_one_vessel",
]


def test_codes_are_unique_and_kept() -> None:
    codes = [rule.code for rule in RULES]
    assert len(set(codes)) == len(codes)
    assert set(CODES) <= set(codes)


def test_codes_over_sets_are_kept() -> None:
    assert [rule.code for rule in SET_RULES] == SET_CODES


def test_every_need_is_a_fact_and_an_argument(make_measurement, table, chain) -> None:
    facts = capture_facts(
        make_measurement(),
        table=table,
        chain=chain,
        context=None,
        lo_state=None,
        satellite=None,
        polarisation=None,
        analyser_floor=None,
        times=(),
        spans_hz=(),
    )
    for rule in RULES:
        assert set(rule.needs) <= set(facts), rule.code
        assert tuple(inspect.signature(rule.run).parameters) == rule.needs, rule.code


def test_rules_run_without_table_and_chain(make_measurement) -> None:
    assert capture_findings(make_measurement()) == ()


def test_only_the_table_knows_the_subjects() -> None:
    """No subject imports another, so that each can be read alone (axis and facts are no subjects)."""
    for subject in (quality, clock):
        tree = ast.parse(Path(subject.__file__).read_text(encoding="utf-8"))
        imported = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert not imported & {"spectra.findings.table", "spectra.findings.quality", "spectra.findings.clock"}


def test_steps_carry_their_cautions(make_measurement, table, chain) -> None:
    own = make_measurement(density_dbm_hz=-140.0, file="own.csv")
    findings = capture_findings(make_measurement(), table=table, chain=chain, lo_state="low H", analyser_floor=own)
    steps = [step for finding in findings for step in finding.next_steps]
    assert steps
    assert all(set(required_for(step.text)) <= set(step.cautions) for step in steps)
    supply = next(step for step in steps if "supply voltage" in step.text)
    assert {"dc_on_coax", "transmitter_isolated"} <= set(supply.cautions)
