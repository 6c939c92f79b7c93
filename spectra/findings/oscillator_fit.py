"""The oscillator's error from the carriers that answered a roll call, with everything that makes it uncertain.

Each carrier's departure from its listed frequency is ``-sign x LO error + reference error x IF`` plus its own
measurement error, the rounding of the listed frequency, and what else makes the rows differ, estimated from the
residuals. A carrier that does not share the departure gets no say: its weight is the chance that it belongs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spectra.units import FloatArray

if TYPE_CHECKING:
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["DEFAULT_REFERENCE_PPM", "Departure", "OscillatorFit", "departures", "fit_oscillator"]

DEFAULT_REFERENCE_PPM = 2.0
"""Standard uncertainty of an analyser's reference where the chain states none (common practice, no source)."""

_ROUNDS = 12
_HALVINGS = 30
_ROUNDING_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
_OUTLIER_RATE = 0.1
_OUTLIER_WIDTH = 30.0  # how much wider outliers lie, in standard uncertainties
_LIKELY_OUT = 0.2  # a carrier with less weight than this does not share the departure


@dataclass(frozen=True, slots=True)
class Departure:
    """One carrier against its row: measured minus expected IF, and what is known of its uncertainty."""

    row: int
    if_hz: float
    offset_hz: float
    carrier_std_hz: float
    rounding_std_hz: float
    capture: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class OscillatorFit:
    """LO error and reference error of one LO state.

    Attributes
    ----------
    lo_error_hz, lo_error_std_hz : float
        True LO minus nominal; the analyser's reference, the table's rounding and the carriers are in the std.
    carriers_std_hz, reference_std_hz, rows_std_hz : float
        Its parts: carriers alone, reference alone, rounding and other differences of the rows alone.
    analyser_ppm, analyser_ppm_std : float
        With what was known of it beforehand.
    free_ppm_std : float
        What this sweep alone would tell of the reference.
    chi2_constant, chi2_proportional : float
        Of all departures explained by the LO alone, and by the analyser's reference alone.
    outliers : tuple of Departure
        Carriers that do not share the departure.
    """

    state: LoState
    lo_error_hz: float
    lo_error_std_hz: float
    carriers_std_hz: float
    reference_std_hz: float
    rows_std_hz: float
    analyser_ppm: float
    analyser_ppm_std: float
    free_ppm: float | None
    free_ppm_std: float | None
    chi2_constant: float
    chi2_proportional: float
    proportional_ppm: float
    reference_prior_ppm: float
    reference_stated: bool
    if_reference_hz: float
    used: tuple[Departure, ...]
    outliers: tuple[Departure, ...]
    excess_hz: float
    captures: tuple[str, ...]

    @property
    def lo_error_ppm(self) -> float:
        """LO error over the LO's nominal frequency."""
        return self.lo_error_hz / self.state.lo_hz * 1e6


def departures(
    identification: Identification,
    measurements: Sequence[Measurement],
    table: CarrierTable,
    chain: ReceiveChain,
    state: LoState,
) -> tuple[Departure, ...]:
    """Return the departures, from the nominal IF of an LO, of the rows that were present through it.

    States of the same LO and side count as one; a row seen through another LO is left out.
    """
    place = {int(line): k for k, line in enumerate(table.line)}
    found = []
    for entry in identification.roll_call:
        if entry.status != "present" or entry.centre_hz is None or entry.row not in place:
            continue
        rf_hz, step = float(table.rf_hz[place[entry.row]]), float(table.rf_step_hz[place[entry.row]])
        centre = entry.centre_hz
        seen = min(chain.lo_states, key=lambda s: abs(float(s.if_from_rf(rf_hz)) - centre))
        sweep = measurements[min(entry.sweep, len(measurements) - 1)]
        carrier_std = _carrier_std(centre, sweep)
        if carrier_std is None or (seen.lo_hz, seen.injection) != (state.lo_hz, state.injection):
            continue
        found.append(
            Departure(
                row=entry.row,
                if_hz=centre,
                offset_hz=centre - float(state.if_from_rf(rf_hz)),
                carrier_std_hz=carrier_std,
                rounding_std_hz=step / math.sqrt(12.0) if math.isfinite(step) else 0.0,
                capture=sweep.sweep.origin.file,
            )
        )
    return tuple(found)


def _carrier_std(centre_hz: float, measurement: Measurement) -> float | None:
    """Return the uncertainty of the carrier that stands at a centre."""
    if not measurement.carriers:
        return None
    carrier = min(measurement.carriers, key=lambda c: abs(c.centre_hz - centre_hz))
    if carrier.centre_std_hz is None or abs(carrier.centre_hz - centre_hz) > 0.5 * max(carrier.width_hz, 1e6):
        return None
    return carrier.centre_std_hz


def fit_oscillator(
    found: Sequence[Departure], state: LoState, reference_ppm: float | None = None
) -> OscillatorFit | None:
    """Fit LO error and reference error; None without departures.

    Parameters
    ----------
    found : sequence of Departure
    state : LoState
        Whose LO it is; its side gives the sign.
    reference_ppm : float or None
        Standard uncertainty of the analyser's reference as the chain states it.
    """
    if not found:
        return None
    y = np.array([d.offset_hz for d in found])
    f = np.array([d.if_hz for d in found])
    own = np.array([d.carrier_std_hz for d in found])
    rows = np.array([d.rounding_std_hz for d in found])
    stated = reference_ppm is not None and reference_ppm > 0.0
    prior = float(reference_ppm) if stated and reference_ppm is not None else DEFAULT_REFERENCE_PPM
    design = np.column_stack((np.full(y.size, -state.sign), f * 1e-6))
    shares = [_with_share(share, y, own, rows, design, prior, more) for share in _ROUNDING_SHARES for more in (0, 1)]
    part = np.exp(np.array([one.log for one in shares]) - max(one.log for one in shares))
    part /= part.sum()
    mean = np.asarray(sum(p * one.mean for p, one in zip(part, shares, strict=True)))
    cov = np.asarray(
        sum(p * (one.cov + np.outer(one.mean - mean, one.mean - mean)) for p, one in zip(part, shares, strict=True))
    )
    best = shares[int(np.argmax(part))]
    belongs, var, excess = best.belongs, best.var, best.excess
    weight = belongs / var
    own_part = float(np.sum(weight**2 * own**2) ** 0.5 / weight.sum())
    reference_hz = float(np.average(f, weights=weight))
    reference_part = math.sqrt(float(cov[1, 1])) * reference_hz * 1e-6
    rows_part = math.sqrt(max(float(cov[0, 0]) - own_part**2 - reference_part**2, 0.0))
    free, free_std = _free_ppm(y, var, belongs, design)
    a = float(np.sum(weight * y) / weight.sum())
    ppm = float(np.sum(weight * y * design[:, 1]) / np.sum(weight * design[:, 1] ** 2))
    inside = belongs >= _LIKELY_OUT
    return OscillatorFit(
        state=state,
        lo_error_hz=float(mean[0]),
        lo_error_std_hz=math.sqrt(float(cov[0, 0])),
        carriers_std_hz=own_part,
        reference_std_hz=reference_part,
        rows_std_hz=rows_part,
        analyser_ppm=float(mean[1]),
        analyser_ppm_std=math.sqrt(float(cov[1, 1])),
        free_ppm=free,
        free_ppm_std=free_std,
        chi2_constant=float(np.sum(weight * (y - a) ** 2)),
        chi2_proportional=float(np.sum(weight * (y - ppm * design[:, 1]) ** 2)),
        proportional_ppm=ppm,
        reference_prior_ppm=prior,
        reference_stated=stated,
        if_reference_hz=reference_hz,
        used=tuple(d for d, keep in zip(found, inside, strict=True) if keep),
        outliers=tuple(d for d, keep in zip(found, inside, strict=True) if not keep),
        excess_hz=excess,
        captures=tuple(dict.fromkeys(d.capture for d in found)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Share:
    """The fit under one assumption on the table's rounding, and ln of how well it explains the residuals."""

    mean: FloatArray
    cov: FloatArray
    log: float
    belongs: FloatArray
    var: FloatArray
    excess: float


def _with_share(
    share: float, y: FloatArray, own: FloatArray, rows: FloatArray, design: FloatArray, prior_ppm: float, more: int
) -> _Share:
    """Fit with this share of the rounding that the digits of the table allow: many lists round coarser than they are.

    A listed 11050 MHz may be rounded to the MHz or exact; only the residuals tell. `more` 1 also lets the rows scatter
    by what neither explains.
    """
    base = own**2 + (share * rows) ** 2
    belongs, excess = _belonging(y, base, design, prior_ppm, more)
    var = base + excess**2
    mean, cov = _solve(y, var, belongs, design, prior_ppm)
    residual = y - design @ mean
    log = -0.5 * float(np.sum(belongs * (residual**2 / var + np.log(var))))
    log += 0.5 * float(np.linalg.slogdet(cov)[1]) - 0.5 * float(mean[1] / prior_ppm) ** 2
    # scatter that neither carriers nor rounding explain is an assumption of its own, and costs as one
    log -= 2.0 if excess > 0.0 else 0.0
    return _Share(mean, cov, log, belongs, var, excess)


def _solve(
    y: FloatArray, var: FloatArray, belongs: FloatArray, design: FloatArray, prior_ppm: float
) -> tuple[FloatArray, FloatArray]:
    """Return mean and covariance of LO and reference error; two by two, written out because it is called so often."""
    weight = belongs / var
    first, second = design[:, 0], design[:, 1]
    one, two = weight * first, weight * second
    aa, ab, bb = float(one @ first), float(one @ second), float(two @ second) + prior_ppm**-2
    ya, yb = float(one @ y), float(two @ y)
    det = aa * bb - ab * ab
    cov = np.array([[bb / det, -ab / det], [-ab / det, aa / det]])
    return np.array([(bb * ya - ab * yb) / det, (aa * yb - ab * ya) / det]), cov


def _belonging(
    y: FloatArray, base: FloatArray, design: FloatArray, prior_ppm: float, more: int
) -> tuple[FloatArray, float]:
    """Return how likely each carrier shares the departure, and the scatter of the rows beyond what is known of them.

    Two classes, of which one scatters widely (an outlier model in the sense of Box and Tiao, from memory), started from
    the median; the excess is the least that makes the members agree with their uncertainties (Paule and Mandel, from
    memory), and is not asked for below three carriers.
    """
    if y.size < 3:
        return np.ones(y.size), 0.0
    start = float(np.median(y))
    scatter = 1.4826 * float(np.median(np.abs(y - start)))
    var = base + scatter**2
    mean = np.array([start * design[0, 0], 0.0])
    belongs, excess = np.ones(y.size), scatter
    widest = 10.0 * float(np.max(np.abs(y - start))) + 1.0
    for _ in range(_ROUNDS):
        before = belongs
        residual = (y - design @ mean) / np.sqrt(var)
        inside = (1.0 - _OUTLIER_RATE) * np.exp(-0.5 * residual**2)
        outside = _OUTLIER_RATE / _OUTLIER_WIDTH * np.exp(-0.5 * (residual / _OUTLIER_WIDTH) ** 2)
        belongs = inside / (inside + outside + 1e-300)
        excess = _excess(y, base, belongs, design, prior_ppm, widest) if more else 0.0
        var = base + excess**2
        mean, _ = _solve(y, var, belongs, design, prior_ppm)
        if float(np.max(np.abs(belongs - before))) < 1e-6:
            break
    return np.maximum(belongs, 1e-9), excess


def _excess(
    y: FloatArray, base: FloatArray, belongs: FloatArray, design: FloatArray, prior_ppm: float, widest: float
) -> float:
    freedom = float(belongs.sum()) - 1.0
    if freedom < 2.0:
        return 0.0

    def surplus(excess: float) -> float:
        var = base + excess**2
        mean, _ = _solve(y, var, belongs, design, prior_ppm)
        rest = y - design @ mean
        return float((belongs / var) @ (rest * rest)) - freedom

    # a chi-square a little above its mean is no sign of anything: ask for an excess only beyond one deviation
    if surplus(0.0) <= math.sqrt(2.0 * freedom):
        return 0.0
    low, high = 0.0, widest
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if surplus(middle) > 0.0 else (low, middle)
    return 0.5 * (low + high)


def _free_ppm(
    y: FloatArray, var: FloatArray, belongs: FloatArray, design: FloatArray
) -> tuple[float | None, float | None]:
    """Return what the sweep alone tells of the reference; None from fewer than three carriers."""
    if float(belongs.sum()) < 2.5 or float(np.ptp(design[belongs > 0.5, 1])) <= 0.0:
        return None, None
    weight = belongs / var
    information = design.T @ (design * weight[:, None])
    if np.linalg.cond(information) > 1e14:
        return None, None
    cov = np.linalg.inv(information)
    mean = cov @ (design.T @ (weight * y))
    return float(mean[1]), math.sqrt(float(cov[1, 1]))
