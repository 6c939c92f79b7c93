"""Captures side by side: before and after, repeats, LO states, and what kind they are."""

import math
from datetime import UTC, datetime, timedelta

import jsonschema
import pytest

import spectra
from spectra import schemas
from spectra.capture import Capture, Context
from spectra.findings.compare import kind_of
from spectra.findings.figures import comparison_figure
from spectra.plan.chain import LoState, ReceiveChain
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum

LOW = LoState("low V", 9.75e9, "low", 10.7e9, 11.9e9, "V", 13.0, False, 500e3)
HIGH = LoState("high V", 9.90e9, "low", 10.7e9, 11.9e9, "V", 13.0, True, 500e3)
CHAIN = ReceiveChain("test", 950e6, 2150e6, (LOW, HIGH))
NOON = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
CARRIERS = ((11120.0, 8e6, 13.0), (11150.0, 12e6, 12.0), (11190.0, 5e6, 14.0), (11230.0, 10e6, 12.0))


def capture(
    name: str, shift_hz: float = 0.0, gain_db: float = 0.0, state: LoState = LOW, seed: int = 1, drop=None, **context
) -> Capture:
    emissions = tuple(
        Emission(
            float(state.if_from_rf(rf * 1e6)) + shift_hz,
            rate,
            0.2,
            -140.0 + cn + 10 * math.log10(rate) - (3.0 if k == drop else 0.0),
        )
        for k, (rf, rate, cn) in enumerate(CARRIERS)
    )
    start = 1.2e9 if state is LOW else 1.19e9
    analyser = Analyser(start, start + 0.32e9, 801, 5e5, averages=20, readings=10, level_error_db=gain_db)
    sweep = sweep_spectrum(Spectrum(-140.0, emissions=emissions), analyser, seed, file=name)
    return Capture((sweep,), Context(**{"lo_state": state.name, "captured_at": NOON, **context}), name)


def codes(comparison) -> dict:
    return {finding.code: finding for finding in comparison.findings}


def test_captures_that_share_nothing_are_said_to() -> None:
    """The other LO puts every carrier 150 MHz lower; both are said to be of one state."""
    other = capture("other.csv", state=HIGH, seed=5)
    told = Capture(other.sweeps, Context(lo_state="low V", captured_at=NOON + timedelta(minutes=5)), "other.csv")
    found = codes(spectra.compare([capture("one.csv"), told], chain=CHAIN, kind="repeat"))
    assert found["quality.nothing_in_common"].answer == "no"
    again = codes(spectra.compare([capture("one.csv"), capture("two.csv", seed=3)], chain=CHAIN, kind="repeat"))
    assert "quality.nothing_in_common" not in again


def test_before_and_after_parts_common_from_individual() -> None:
    """Sign: other minus reference."""
    later = capture("after.csv", 90e3, 2.0, seed=2, drop=2, captured_at=NOON + timedelta(days=3))
    result = spectra.compare([capture("before.csv"), later])
    assert result.kind == "before_after"
    assert result.common.level_change_db == pytest.approx(2.0, abs=0.4)
    assert result.common.if_change_hz == pytest.approx(90e3, abs=4 * result.common.if_change_std_hz)
    fallen = min((p for p in result.pairs if p.level_change_db is not None), key=lambda p: p.level_change_db)
    assert fallen.level_change_db == pytest.approx(-1.0, abs=0.8) and fallen.reference_centre_hz == pytest.approx(
        1440e6, abs=0.3e6
    )
    assert "oscillator.changed" in codes(result)
    jsonschema.Draft202012Validator(schemas.load("comparison")).validate(result.to_dict())
    assert comparison_figure(result).data


def test_repeats_of_a_steady_oscillator_are_quiet_and_of_a_jittery_one_are_not() -> None:
    steady = [capture(f"{k}.csv", seed=10 + k) for k in range(5)]
    assert "oscillator.unstable" not in codes(spectra.compare(steady))
    jumpy = [capture(f"{k}.csv", jump, seed=20 + k) for k, jump in enumerate((0.0, 300e3, 0.0, -250e3, 280e3))]
    result = spectra.compare(jumpy)
    assert result.kind == "repeat" and codes(result)["oscillator.unstable"].severity == "warning"


def test_an_lnb_that_did_not_switch() -> None:
    """The other LO would move every carrier by 150 MHz."""
    stuck = capture("high.csv", seed=4)
    stuck = Capture(stuck.sweeps, Context(lo_state="high V"), "high.csv")
    result = spectra.compare([capture("low.csv", seed=3), stuck], chain=CHAIN)
    assert result.kind == "lo_state"
    finding = codes(result)["oscillator.state_did_not_change"]
    assert finding.severity == "fault" and {e.name: e.value for e in finding.evidence}[
        "expected_shift"
    ] == pytest.approx(-150e6)
    moved = spectra.compare([capture("low.csv", seed=3), capture("high.csv", state=HIGH, seed=5)], chain=CHAIN)
    assert "oscillator.state_did_not_change" not in codes(moved)
    assert sum(p.reference_centre_hz is not None and p.other_centre_hz is not None for p in moved.pairs) == 4


def test_kind_from_the_contexts() -> None:
    one = capture("a.csv")

    def like(**context) -> Capture:
        return Capture(one.sweeps, Context(**{"captured_at": NOON, "lo_state": "low V", **context}), "b.csv")

    assert kind_of([one, like(captured_at=NOON + timedelta(minutes=10))], CHAIN) == "repeat"
    assert kind_of([one, like(role="baseline")], CHAIN) == "before_after"
    assert kind_of([one, like(lo_state="high V")], CHAIN) == "lo_state"
    assert kind_of([like(port="co"), like(port="cross")], None) == "polarisation"


def test_module_and_function_share_a_name() -> None:
    import spectra.findings
    import spectra.findings.compare as module

    assert callable(spectra.findings.compare) and callable(module)
