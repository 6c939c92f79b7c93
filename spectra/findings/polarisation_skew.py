"""From isolations to the angle by which a feed is turned, with what feed and satellite leak of themselves.

On the other port a carrier arrives with the voltage ``tan(angle) + x``: x is the purity of satellite and feed, of known
size at best and of unknown phase. One x for all carriers (the feed's) and one of its own for each (the satellite's
transponders) are both tried, and weighted by how well they explain the scatter. Power is what is measured, so the
likelihood is normal in the leak's power ratio, which keeps carriers whose leak is not seen in the sum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spectra.findings.polarisation_formulas import misalignment_deg
from spectra.findings.polarisation_pair import CarrierIsolation
from spectra.units import FloatArray

__all__ = ["PURITY_DB", "Skew", "Variation", "angle_variation", "fit_skew", "signed_candidates"]

PURITY_DB = (27.0, 40.0)
"""Purity of satellite and feed together where none is stated: anything between (common practice, no source)."""

_ANGLES_DEG = np.concatenate((np.linspace(0.0, 10.0, 101), np.linspace(10.5, 45.0, 70)))
_SIZES, _PHASES = 12, 24
_COMMON_ODDS = 4.0  # one phase for all is the careful choice: it does not average out


@dataclass(frozen=True, slots=True, eq=False)
class Skew:
    """Angle between feed and wave, its sign unknown.

    Attributes
    ----------
    angle_deg : float
        Of an ideal feed and satellite: arc cot of the isolation over all carriers.
    low_deg, high_deg : float
        95 % interval with the purity allowed for; `low_deg` is 0 where no turn is needed to explain the leaks.
    std_deg : float
        Half the central 68 % of the same.
    isolation_db : float or None
        Of all carriers together, None where no leak is seen.
    isolation_std_db : float or None
    angles_deg, density : ndarray
        The posterior on its grid, for a second pair.
    """

    angle_deg: float
    low_deg: float
    high_deg: float
    std_deg: float
    isolation_db: float | None
    isolation_std_db: float | None
    carriers: int
    angles_deg: FloatArray
    density: FloatArray


@dataclass(frozen=True, slots=True)
class Variation:
    """Whether isolation is the same over frequency: chi-square of the leak ratios about their mean, and its p-value."""

    chi2: float
    freedom: int
    probability: float
    slope_db_per_100_mhz: float | None = None
    slope_std: float | None = None


def _ratios(carriers: Sequence[CarrierIsolation]) -> tuple[FloatArray, FloatArray, np.ndarray]:
    """Return leak over carrier in power, its uncertainty, and which way it went, for all that count."""
    use = [c for c in carriers if c.counts and c.leak_hz is not None and c.leak_std_hz and c.cn0_hz > 0.0]
    ratio = np.array([c.leak_hz / c.cn0_hz for c in use if c.leak_hz is not None], dtype=np.float64)
    std = np.array(
        [math.hypot((c.leak_std_hz or 0.0) / c.cn0_hz, (c.leak_hz or 0.0) * c.cn0_std_hz / c.cn0_hz**2) for c in use],
        dtype=np.float64,
    )
    way = np.array([c.home == "reference" for c in use], dtype=np.bool_)
    return ratio, std, way


def fit_skew(carriers: Sequence[CarrierIsolation], purity_db: float | tuple[float, float] = PURITY_DB) -> Skew | None:
    """Return the angle that explains the isolation over all carriers, None where none counts.

    Parameters
    ----------
    carriers : sequence of CarrierIsolation
    purity_db : float or (low, high)
        Cross-polar purity of satellite and feed together; a range is taken as evenly likely in dB.
    """
    ratio, std, way = _ratios(carriers)
    if ratio.size == 0:
        return None
    density = _posterior(ratio, std, way, purity_db)
    cumulated = np.cumsum(density)
    low, high, lower, upper = (float(np.interp(p, cumulated, _ANGLES_DEG)) for p in (0.025, 0.975, 0.16, 0.84))
    weight = 1.0 / std**2
    mean = float(np.average(ratio, weights=weight))
    mean_std = math.sqrt(1.0 / float(weight.sum()))
    seen = mean > 3.0 * mean_std
    isolation = -10.0 * math.log10(mean) if seen else None
    angle = misalignment_deg(isolation) if isolation is not None else float(_ANGLES_DEG[int(np.argmax(density))])
    if density[0] > 0.05 * density.max():
        low, high = 0.0, float(np.interp(0.95, cumulated, _ANGLES_DEG))
    return Skew(
        angle_deg=angle,
        low_deg=low,
        high_deg=high,
        std_deg=0.5 * (upper - lower),
        isolation_db=isolation,
        isolation_std_db=10.0 / math.log(10.0) * mean_std / mean if seen else None,
        carriers=int(ratio.size),
        angles_deg=_ANGLES_DEG,
        density=density,
    )


def _posterior(
    ratio: FloatArray, std: FloatArray, way: np.ndarray, purity_db: float | tuple[float, float]
) -> FloatArray:
    """Return the posterior of the angle on the grid (sums to 1), flat before."""
    low, high = (purity_db, purity_db) if isinstance(purity_db, int | float) else purity_db
    size = 10.0 ** (-(low + (high - low) * (np.arange(_SIZES) + 0.5) / _SIZES) / 20.0)
    turn = np.cos(math.pi * np.arange(_PHASES + 1) / _PHASES)  # cosines repeat beyond half a turn
    slope = np.tan(np.radians(_ANGLES_DEG))[:, None, None]
    expected = slope**2 + size[:, None] ** 2 + 2.0 * slope * size[:, None] * turn  # (angles, sizes, ends of phases)
    each = np.zeros((_ANGLES_DEG.size, _SIZES))
    for k in range(ratio.size):  # a phase of its own for each carrier
        each += _over_phases(ratio[k], std[k], expected)
    common = np.zeros_like(each)
    for direction in (True, False):  # one phase for all carriers that go the same way: their weighted mean says it all
        mine = way == direction
        if mine.any():
            weight = 1.0 / std[mine] ** 2
            mean, mean_std = float(np.average(ratio[mine], weights=weight)), float(weight.sum()) ** -0.5
            scatter = float(np.sum(weight * (ratio[mine] - mean) ** 2))
            common += _over_phases(mean, mean_std, expected) - 0.5 * scatter
            common += math.log(mean_std) - float(np.log(std[mine]).sum())
            common -= 0.5 * (int(mine.sum()) - 1) * math.log(2.0 * math.pi)
    top = max(float(common.max()), float(each.max()))
    # one size for all carriers and both ways: averaged over last
    both = (_COMMON_ODDS * np.exp(common - top) + np.exp(each - top)).mean(axis=1) * np.gradient(_ANGLES_DEG)
    result: FloatArray = both / both.sum()
    return result


def _over_phases(value: float, std: float, expected: FloatArray) -> FloatArray:
    """Return ln of the density of a ratio, averaged over the phases of the purity.

    `expected` is the ratio at the ends of each phase's interval. Half an interval is added to the uncertainty: a leak
    measured better than the grid is fine would else fall between two phases.
    """
    middle = 0.5 * (expected[..., 1:] + expected[..., :-1])
    var = std**2 + 0.25 * np.diff(expected, axis=-1) ** 2
    log = -0.5 * ((value - middle) ** 2 / var + np.log(2.0 * math.pi * var))
    top = float(log.max())
    return np.asarray(top + np.log(np.mean(np.exp(log - top), axis=-1) + 1e-300))


def angle_variation(carriers: Sequence[CarrierIsolation]) -> Variation | None:
    """Return whether the isolation differs between carriers by more than its uncertainty; None for fewer than three."""
    from scipy.special import chdtrc

    ratio, std, _ = _ratios(carriers)
    if ratio.size < 3:
        return None
    weight = 1.0 / std**2
    mean = float(np.average(ratio, weights=weight))
    chi2 = float(np.sum(weight * (ratio - mean) ** 2))
    freedom = int(ratio.size - 1)
    seen = [c for c in carriers if c.counts and c.isolation_db is not None]
    slope = slope_std = None
    if len(seen) >= 4:
        f = np.array([c.shape.centre_hz for c in seen]) / 1e8
        y = np.array([c.isolation_db for c in seen], dtype=np.float64)
        w = 1.0 / np.maximum(np.array([c.isolation_std_db for c in seen], dtype=np.float64), 0.05) ** 2
        u = f - np.average(f, weights=w)
        if float(np.sum(w * u * u)) > 0.0:
            slope = float(np.sum(w * u * y) / np.sum(w * u * u))
            slope_std = float(np.sum(w * u * u) ** -0.5)
    return Variation(chi2, freedom, float(chdtrc(freedom, chi2)), slope, slope_std)


def signed_candidates(first: Skew, second: Skew, turned_deg: float) -> tuple[float, float] | None:
    """Return the signed angle at the first pair, and how probable that sign is, from a second pair.

    Parameters
    ----------
    first, second : Skew
    turned_deg : float
        Antenna skew at the second pair minus that at the first, positive clockwise seen from behind.

    Returns
    -------
    (angle_deg, probability) or None
        Positive: the feed stands too far clockwise. None where the turn was too small to tell.
    """
    grid, density = first.angles_deg, first.density
    other = second.density / np.maximum(np.gradient(second.angles_deg), 1e-12)

    def evidence(sign: float) -> float:
        there = np.abs(sign * grid + turned_deg)
        return float(np.sum(density * np.interp(there, second.angles_deg, other, right=0.0)))

    plus, minus = evidence(1.0), evidence(-1.0)
    if plus + minus <= 0.0:
        return None
    sign, probability = (1.0, plus / (plus + minus)) if plus >= minus else (-1.0, minus / (plus + minus))
    return (sign * first.angle_deg, probability) if probability >= 0.95 else None
