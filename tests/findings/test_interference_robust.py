"""Rules on interference and line hold their peace, and never fail, on sweeps that tell little."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from spectra.findings import capture_findings
from spectra.findings.interference_bursts import find_bursts
from spectra.findings.interference_guests import under_carriers
from spectra.findings.line_ripple import find_ripples
from spectra.measure import measure
from spectra.plan.chain import Cable, LoState, ReceiveChain
from spectra.sweep import Settings, Sweep

CHAIN = ReceiveChain(
    "test",
    950e6,
    2150e6,
    (LoState("low H", 9.75e9, "low", 1.07e10, 1.19e10),),
    line_gain_db=40.0,
    cable=Cable(40.0, None, 18.0, 1.0),
)


@pytest.mark.parametrize("points", [16, 40, 301])
@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"rbw_hz": 3e5, "detector": "peak", "trace_mode": "max_hold", "averages": 20},
        {"rbw_hz": 3e6, "detector": "negative_peak"},
        {"rbw_hz": 3e5, "detector": "sample"},
        {"rbw_hz": 3e5, "detector": "voltage_average", "averages": 10},
    ],
)
def test_little_is_told_and_nothing_claimed_of_noise(points: int, settings: dict) -> None:
    rng = np.random.default_rng(points)
    level = -80.0 + 10.0 * np.log10(rng.gamma(4.0, 0.25, points))
    measurement = measure(Sweep(np.linspace(1.2e9, 1.3e9, points), level, Settings(**settings)))
    findings = capture_findings(measurement, chain=CHAIN)
    told = [f.code for f in findings if f.code.startswith(("interference.", "line."))]
    assert set(told) <= {"line.ripple_not_visible", "line.gain_low", "line.gain_high"}


def test_flat_trace_and_steps() -> None:
    f = np.linspace(1.2e9, 1.3e9, 301)
    for level in (np.full(301, -80.0), np.where(np.arange(301) < 150, -80.0, -60.0)):
        measurement = measure(Sweep(f, level, Settings(rbw_hz=3e5, detector="rms")))
        assert under_carriers(measurement) == ()
        assert find_ripples(measurement) == ()
        assert find_bursts(measurement.sweep) == ()


def test_cw_campaign_thinned() -> None:
    """0.95 within 1 dB of the Neyman-Pearson limit, 1 false claim in 100: the campaign beside holds the full counts."""
    path = Path(__file__).parents[1] / "campaigns" / "interference_cw.py"
    spec = importlib.util.spec_from_file_location("interference_cw", path)
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    counted = module.count(module.CELLS[1], 3, (1.0,))
    assert counted["found_+1_db"] >= 2
    assert counted["clean_with_a_claim"] == 0
