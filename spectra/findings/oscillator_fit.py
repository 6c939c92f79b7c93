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
from numpy.typing import NDArray

from spectra.findings.lookup import places
from spectra.findings.middle import median
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
_STEPS = 40
_ROUNDING_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
_LIKELY_SHARES = (
    0.4,
    0.06,
    0.07,
    0.07,
    0.4,
)  # a list is mostly exact, or rounded as it is printed; seldom some of both
_OUTLIER_RATE = 0.1
_OUTLIER_WIDTH = 30.0  # how much wider outliers lie, in standard uncertainties
_LOG_INSIDE, _LOG_OUTSIDE = math.log(1.0 - _OUTLIER_RATE), math.log(_OUTLIER_RATE / _OUTLIER_WIDTH)
_MOST_CONDITION = 1e14
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
    place = places(table)
    found = []
    for entry in identification.roll_call:
        if entry.status != "present" or entry.centre_hz is None or entry.row not in place:
            continue
        rf_hz, step = float(table.rf_hz[place[entry.row]]), float(table.rf_step_hz[place[entry.row]])
        centre = entry.centre_hz
        seen = min(chain.lo_states, key=lambda s: abs(s.sign * (rf_hz - s.lo_hz) - centre))
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
    shares = _shares(y, own, rows, design, prior)
    part = np.exp(shares.log - float(shares.log.max()))
    part /= part.sum()
    mean = part @ shares.mean
    apart = shares.mean - mean
    cov = np.einsum("k,kij->ij", part, shares.cov + apart[:, :, None] * apart[:, None, :])
    best = int(np.argmax(part))
    belongs, var, excess = shares.belongs[best], shares.var[best], float(shares.excess[best])
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
class _Shares:
    """The fit under every assumption on the table's rounding, one a row, and ln of how well each explains the rest.

    Means are (k, 2), covariances (k, 2, 2), `belongs` and `var` (k, n), the others (k,).
    """

    mean: FloatArray
    cov: FloatArray
    log: FloatArray
    belongs: FloatArray
    var: FloatArray
    excess: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Departures, their design (n, 2) and prior; weighted sums of all that a fit needs are one product."""

    y: FloatArray
    design: FloatArray
    prior_ppm: float
    products: FloatArray

    @classmethod
    def of(cls, y: FloatArray, design: FloatArray, prior_ppm: float) -> _Lines:
        first, second = design[:, 0], design[:, 1]
        products = np.column_stack((first * first, first * second, second * second, first * y, second * y))
        return cls(y, design, prior_ppm, products)

    def solve(self, weight: FloatArray) -> tuple[FloatArray, tuple[FloatArray, ...], FloatArray]:
        """Return means (k, 2), the three entries of the information's inverse times its determinant, and the latter."""
        aa, ab, bb, ya, yb = (weight @ self.products).T
        bb = bb + self.prior_ppm**-2
        det = aa * bb - ab * ab
        mean = np.empty((det.size, 2))
        mean[:, 0] = (bb * ya - ab * yb) / det
        mean[:, 1] = (aa * yb - ab * ya) / det
        return mean, (bb, -ab, aa), det

    def rest(self, mean: FloatArray) -> FloatArray:
        """Return what each mean leaves of the departures, (k, n)."""
        return np.asarray(self.y - mean @ self.design.T)


def _shares(y: FloatArray, own: FloatArray, rows: FloatArray, design: FloatArray, prior_ppm: float) -> _Shares:
    """Fit with each share of the rounding that the digits of the table allow: many lists round coarser than they are.

    A listed 11050 MHz may be rounded to the MHz or exact; only the residuals tell. Of every share, the second row also
    lets the rows scatter by what neither explains. All are fitted side by side.
    """
    lines = _Lines.of(y, design, prior_ppm)
    share = np.repeat(np.array(_ROUNDING_SHARES), 2)[:, None]
    more = np.arange(share.size) % 2 == 1
    base = own**2 + (share * rows) ** 2
    belongs, excess = _belonging(lines, base, more)
    var = base + excess[:, None] ** 2
    mean = lines.solve(belongs / var)[0]
    # a carrier outside still tells the little that its class allows: without it, none would tell an infinity
    entries, det = lines.solve((belongs + (1.0 - belongs) / _OUTLIER_WIDTH**2) / var)[1:]
    cov = (np.stack(entries) / det)[[0, 1, 1, 2]].T.reshape(-1, 2, 2)
    square = lines.rest(mean) ** 2 / var
    # of both classes, so that no assumption is the better for leaving carriers out
    told = np.logaddexp(_LOG_INSIDE - 0.5 * square, _LOG_OUTSIDE - 0.5 / _OUTLIER_WIDTH**2 * square)
    log = (told - 0.5 * np.log(var)).sum(axis=1)
    log += -0.5 * np.log(det) - 0.5 * (mean[:, 1] / prior_ppm) ** 2
    # scatter that neither carriers nor rounding explain is an assumption of its own, and costs as one
    log += np.log(np.repeat(_LIKELY_SHARES, 2)) - np.where(excess > 0.0, 2.0, 0.0)
    return _Shares(mean, cov, log, belongs, var, excess)


def _belonging(lines: _Lines, base: FloatArray, more: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Return how likely each carrier shares the departure, and the scatter of the rows beyond what is known of them.

    Two classes, of which one scatters widely (an outlier model in the sense of Box and Tiao, from memory), started from
    the median; the excess is the least that makes the members agree with their uncertainties (Paule and Mandel, from
    memory), and is not asked for below three carriers. `base` and what comes back are (k, n), the excess (k,); `more`
    says for which rows an excess is asked.
    """
    y, count = lines.y, len(base)
    excess = np.zeros(count)
    belongs = np.ones(base.shape)
    if y.size < 3:
        return belongs, excess
    start = median(y)
    scatter = 1.4826 * median(np.abs(y - start))
    var = base + scatter**2
    mean = np.tile([start * lines.design[0, 0], 0.0], (count, 1))
    left = np.arange(count)  # rows that still change
    for _ in range(_ROUNDS):
        square = lines.rest(mean) ** 2 / var
        # held where it is past all doubt, so that no row is left without any weight
        odds = np.minimum(_LOG_OUTSIDE - _LOG_INSIDE + 0.5 * (1.0 - _OUTLIER_WIDTH**-2) * square, 500.0)
        now = np.maximum(1.0 / (1.0 + np.exp(odds)), 1e-9)
        changed = np.abs(now - belongs[left]).max(axis=1) >= 1e-6
        belongs[left] = now
        asked = np.flatnonzero(more[left])
        excess[left[asked]] = _excess(lines, base[left[asked]], now[asked], excess[left[asked]])
        if not changed.any():
            break
        left = left[changed]
        var = base[left] + excess[left, None] ** 2
        mean = lines.solve(belongs[left] / var)[0]
    return belongs, excess


def _excess(lines: _Lines, base: FloatArray, belongs: FloatArray, near: FloatArray) -> FloatArray:
    """Return for each row the scatter that brings chi-square to its freedom, 0 where it is not far enough above.

    The reciprocal of chi-square is concave in the variance that is added, so Newton's steps on it come from below,
    whatever `near` they start from (derived; the common mean follows the weights, which only slows the last steps).
    """
    found = np.zeros(len(base))
    freedom = belongs.sum(axis=1) - 1.0
    plain = _chi_square(lines, base, belongs)[0]
    # a chi-square a little above its mean is no sign of anything: ask for an excess only beyond one deviation
    left = np.flatnonzero((freedom >= 2.0) & (plain - freedom > np.sqrt(2.0 * np.maximum(freedom, 0.0))))
    added = near**2
    for _ in range(_STEPS):
        if not left.size:
            break
        total, slope = _chi_square(lines, base[left] + added[left, None], belongs[left])
        step = (total / freedom[left] - 1.0) * total / slope
        added[left] = np.maximum(added[left] + step, 0.0)
        found[left] = added[left]
        left = left[np.abs(step) > 1e-13 * added[left]]
    return np.asarray(np.sqrt(found))


def _chi_square(lines: _Lines, var: FloatArray, belongs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return chi-square of each row about its own mean, and how it falls with a variance that is added, (k,) each."""
    weight = belongs / var
    part = weight * lines.rest(lines.solve(weight)[0]) ** 2
    return part.sum(axis=1), (part / var).sum(axis=1)


def _free_ppm(
    y: FloatArray, var: FloatArray, belongs: FloatArray, design: FloatArray
) -> tuple[float | None, float | None]:
    """Return what the sweep alone tells of the reference; None from fewer than three carriers."""
    if float(belongs.sum()) < 2.5 or float(np.ptp(design[belongs > 0.5, 1])) <= 0.0:
        return None, None
    weight = belongs / var
    (aa, ab), (_, bb) = design.T @ (design * weight[:, None])
    det = aa * bb - ab * ab
    largest = 0.5 * (aa + bb + math.hypot(aa - bb, 2.0 * ab))
    if det * _MOST_CONDITION < largest**2:  # the smaller eigenvalue is the determinant over the larger one
        return None, None
    first, second = design.T @ (weight * y)
    return float((aa * second - ab * first) / det), math.sqrt(float(aa / det))
