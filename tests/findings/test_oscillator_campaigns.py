"""The campaigns, thinned: the same code with fewer draws; limits are 3-sigma about what the campaigns found."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

HERE = Path(__file__).resolve().parents[1] / "campaigns"


def campaign(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules.setdefault(name, module)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("swing", ["none", "not noted", "noted"])
def test_drift_and_step(swing: str) -> None:
    """Drift of 3.5 least-squares limits found in 90 %, a step of three uncertainties hardly ever called a drift."""
    trend = campaign("findings_trend")
    drift = trend.run("drift", swing, 60, 3)
    step = trend.run("step", swing, 60, 3)
    constant = trend.run("constant", swing, 60, 3)
    assert drift["drift"] + drift["not_told_apart"] >= 0.90 - 3.0 * (0.9 * 0.1 / 60) ** 0.5
    assert step["step"] >= 0.80 - 3.0 * (0.8 * 0.2 / 60) ** 0.5
    assert step["drift"] <= 2 / 60
    assert constant["none"] >= 0.94 - 3.0 * (0.94 * 0.06 / 60) ** 0.5


def test_isolation_numbers_and_bounds() -> None:
    isolation = campaign("findings_isolation")
    figures = isolation.summary(list(isolation.run(12, 11)))
    assert figures["reuse counted as leaks"] == 0
    assert figures["given as numbers"] >= 0.6
    assert figures["rmse over bound"] < 2.0
    assert figures["bounds true"] >= 0.8


def test_skew_with_an_ideal_feed_and_with_impure_ones() -> None:
    """0.5 degrees at 25 dB; intervals hold the truth."""
    skew = campaign("findings_skew")
    assert skew.run("ideal feed at 25 dB", 4, 2e-4, 12, 5)["worst_error_deg"] < 0.5
    assert skew.run("feed", 4, 2e-4, 24, 5)["coverage_95"] > 0.8


def test_lo_error_and_wrong_states_from_sweeps() -> None:
    oscillator = campaign("findings_oscillator")
    figures = oscillator.summary(list(oscillator.run(6, 21)))
    assert figures["false claims of any, right ones"] == 0
    assert figures["wrong state found"] == figures["other polarisation found (as wrong state)"] == 1.0
    assert figures["tolerance answered wrongly"] == 0
