"""Levels that a receive line should show: cable loss and slope, thermal noise through LNB and line, total power."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN
from spectra.signal.thermal import noise_density_dbm_hz

if TYPE_CHECKING:
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import Cable, ReceiveChain

__all__ = [
    "CABLE_SLOPE_STD_DB",
    "LEAST_EXCESS_SLOPE_DB",
    "cable_loss_db",
    "cable_slope_db",
    "expected_density_dbm_hz",
    "total_power_dbm",
]

CABLE_SLOPE_STD_DB = 1.0
"""Slope of LNB and analyser over the band, 3 dB either way at most, as a standard uncertainty (common practice)."""
LEAST_EXCESS_SLOPE_DB = 3.0
_COLDEST_K, _HOTTEST_K = 50.0, 150.0  # LNB and antenna together (common practice, no source)
_LINE_STD_DB = 3.0  # gain of an LNB from piece to piece (common practice, no source)


def cable_loss_db(cable: Cable, frequency_hz: float) -> float:
    """Return the cable's loss, a sqrt(f) + b f in dB per 100 m with f in GHz.

    Raises
    ------
    ValueError
        If the cable tells no attenuation.
    """
    if cable.attenuation_a is None:
        raise ValueError("the cable tells no attenuation")
    ghz = frequency_hz / 1e9
    per_100_m = cable.attenuation_a * math.sqrt(ghz) + (cable.attenuation_b or 0.0) * ghz
    return 0.01 * cable.length_m * per_100_m


def cable_slope_db(cable: Cable, low_hz: float, high_hz: float) -> float:
    """Return how much more the cable loses at `high_hz` than at `low_hz`."""
    return cable_loss_db(cable, high_hz) - cable_loss_db(cable, low_hz)


def expected_density_dbm_hz(chain: ReceiveChain) -> tuple[float, float] | None:
    """Return the noise density that LNB and antenna should show through the line, and its uncertainty.

    k T at 50 to 150 K (middle in dB), with `line_gain_db` of the chain: from the LNB's input to the analyser. None
    where the chain tells no gain.
    """
    if chain.line_gain_db is None:
        return None
    low, high = noise_density_dbm_hz(_COLDEST_K), noise_density_dbm_hz(_HOTTEST_K)
    spread = (high - low) / math.sqrt(12.0)  # rectangular
    return 0.5 * (low + high) + chain.line_gain_db, math.hypot(spread, _LINE_STD_DB)


def total_power_dbm(measurement: Measurement) -> float | None:
    """Return the power in the swept band, as displayed; None where the RBW is not known."""
    sweep = measurement.sweep
    rbw = sweep.settings.rbw_hz
    if rbw is None:
        return None
    power = float(np.sum(10.0 ** (sweep.level_dbm / 10.0))) * sweep.spacing_hz / (ENBW_PER_RBW_GAUSSIAN * rbw)
    return 10.0 * math.log10(power)
