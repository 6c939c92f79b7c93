"""One carrier, one cause: what stands beside an unlisted carrier is what the findings say of it. Invented demo data."""

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest

from spectra import identify, load_capture, load_chain, load_table, measure
from spectra.findings import with_capture_findings
from spectra.findings.interference_causes import Unlisted, explain_unlisted, with_told_causes
from spectra.identify.identification import UnlistedCause

DEMO = Path(__file__).resolve().parents[2] / "captures_demo"


@lru_cache
def told(name: str):
    table, chain = load_table(DEMO / "carriers.csv"), load_chain(DEMO / "chain.toml")
    capture = load_capture(DEMO / name)
    measurement = measure(capture.sweeps[0])
    plain = identify(measurement, table, chain, context=capture.context)
    return measurement, plain, with_capture_findings(plain, [measurement], table, chain, [capture.context])


def test_a_neighbour_s_carriers_are_its_own_and_no_leak() -> None:
    """Rows 70 to 73 are Capstan 3's; the scene leaks 30 dB down, below what shows (by the scene)."""
    _, _, answer = told("9_adjacent_satellite.csv")
    codes = {finding.code for finding in answer.findings}
    assert "interference.adjacent_satellite" in codes
    assert "polarisation.leak_suspected" not in codes
    assert [(cause.likely, cause.row) for cause in answer.unlisted_causes] == [
        ("neighbour", row) for row in (70, 71, 72, 73)
    ]


def test_a_burst_in_the_band_of_the_ship_s_terminal_is_no_new_carrier() -> None:
    _, plain, answer = told("6_interfered.csv")
    before = {round(c.centre_hz / 1e6): u for (_, c), u in zip(plain.unlisted, plain.unlisted_causes, strict=True)}
    after = {round(c.centre_hz / 1e6): u for (_, c), u in zip(answer.unlisted, answer.unlisted_causes, strict=True)}
    assert after[1651].likely == "interferer"
    assert "ship's own L-band terminal" in after[1651].why
    assert after[1697] == before[1697]  # inside a listed carrier: the roll call says more


@pytest.mark.parametrize("likely", ["moved", "co-located"])
def test_what_the_roll_call_explains_is_no_newcomer(likely: str) -> None:
    measurement, plain, _ = told("2_right_wide.csv")
    assert len(explain_unlisted(measurement, plain, None, None)) == 1
    moved = replace(plain, unlisted_causes=(UnlistedCause(likely, "a row", 38),))
    assert explain_unlisted(measurement, moved, None, None) == ()


def test_newcomers_keep_what_the_identification_said() -> None:
    measurement, plain, _ = told("2_right_wide.csv")
    (one,) = explain_unlisted(measurement, plain, None, None)
    newcomer = Unlisted(one.index, one.carrier, one.shape, tuple(c for c in one.causes if c.name == "newcomer"))
    assert with_told_causes(plain, [(0, newcomer)]).unlisted_causes == plain.unlisted_causes


def test_the_own_carrier_comes_first_among_what_is_as_bad() -> None:
    _, _, answer = told("9_adjacent_satellite.csv")
    warnings = [finding.code for finding in answer.findings if finding.severity == "warning"]
    assert warnings[0] == "service.below_reference"
    ranks = [["fault", "warning", "note"].index(finding.severity) for finding in answer.findings]
    assert ranks == sorted(ranks)
