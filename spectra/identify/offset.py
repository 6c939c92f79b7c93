"""The LO error and the analyser's reference, from all matched carriers of the best system at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spectra.identify.joint import Scoring, System
from spectra.identify.prepared import Prepared
from spectra.units import FloatArray

__all__ = ["Offsets", "fit_offsets"]

DEFAULT_REFERENCE_PPM = 2.0
"""Standard uncertainty of an analyser's reference where the chain states none (common practice, no source)."""
_ESTIMABLE = 0.7  # the ppm is told when the sweep makes it this much better known than before
# share of the rounding's variance and the log of its prior: printed frequencies are rounded or exact, seldom between;
# rounded ones are the rule in lists as users keep them (common practice, no source)
_SHARES = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
_LOG_SHARES = np.log([0.25, 0.05, 0.05, 0.05, 0.6])


@dataclass(frozen=True, slots=True)
class Offsets:
    """Offset and errors at the reference IF; standard uncertainties in the same unit."""

    if_offset_hz: float
    if_offset_std_hz: float
    if_reference_hz: float
    lo_error_hz: float
    lo_error_std_hz: float
    analyser_ppm: float | None
    analyser_ppm_std: float | None


def fit_offsets(
    prepared: Prepared, scorings: Sequence[Scoring], system: System, reference_ppm: float | None
) -> Offsets:
    """Fit one LO error per LO frequency and one ppm; weights know the table's rounding, found from the residuals.

    What is returned belongs to the LO of the system's main option.
    """
    main_state = prepared.states[system.main.state]
    delta, if_hz, std, fine, coarse, sign, lo = _columns(prepared, scorings, system)
    prior = reference_ppm if reference_ppm is not None and reference_ppm > 0.0 else DEFAULT_REFERENCE_PPM
    los: list[float] = sorted(set(lo.tolist()))
    design = np.column_stack([np.where(lo == each, -sign, 0.0) for each in los] + [if_hz * 1e-6])
    # all assumptions on the rounding side by side, one a row
    var = std**2 + _SHARES[:, None] * np.maximum(coarse, fine) ** 2
    weight = 1.0 / var
    information = (weight[:, None, :] * design.T) @ design
    information[:, -1, -1] += 1.0 / prior**2
    covs = np.linalg.inv(information)
    means = np.einsum("kij,kj->ki", covs, (weight * delta) @ design)
    chi2 = ((delta - means @ design.T) ** 2 * weight).sum(axis=1)
    logs = _LOG_SHARES - 0.5 * (chi2 + np.log(var).sum(axis=1)) - 0.5 * (means[:, -1] / prior) ** 2
    logs += 0.5 * np.linalg.slogdet(covs)[1]
    mine = weight[:, lo == main_state.lo_hz]
    references = mine @ if_hz[lo == main_state.lo_hz] / mine.sum(axis=1)
    widened = covs * _widening(chi2, delta.size - len(los))[:, None, None]
    widened[:, -1, :], widened[:, :, -1] = covs[:, -1, :], covs[:, :, -1]
    part = np.exp(logs - logs.max())
    part /= part.sum()
    mean, cov = _mixture(means, widened, part)
    reference = float(part @ references)
    at = np.zeros(len(los) + 1)
    at[los.index(main_state.lo_hz)], at[-1] = -main_state.sign, reference * 1e-6
    error = los.index(main_state.lo_hz)
    ppm_std = float(np.sqrt(cov[-1, -1]))
    told = ppm_std < _ESTIMABLE * prior
    return Offsets(
        if_offset_hz=float(at @ mean),
        if_offset_std_hz=float(np.sqrt(max(float(at @ cov @ at), 0.0))),
        if_reference_hz=reference,
        lo_error_hz=float(mean[error]),
        lo_error_std_hz=float(np.sqrt(cov[error, error])),
        analyser_ppm=float(mean[-1]) if told else None,
        analyser_ppm_std=ppm_std if told else None,
    )


def _widening(chi2: FloatArray, freedom: int) -> FloatArray:
    """Return by how much the variance grows where the residuals are wider than two deviations of chance allow."""
    if freedom < 2:
        return np.ones(chi2.shape)
    return np.maximum(1.0, chi2 / freedom / (1.0 + 2.0 * float(np.sqrt(2.0 / freedom))))


def _mixture(means: FloatArray, covs: FloatArray, part: FloatArray) -> tuple[FloatArray, FloatArray]:
    mean = part @ means
    apart = means - mean
    cov: FloatArray = np.einsum("i,ijk->jk", part, covs) + np.einsum("i,ij,ik->jk", part, apart, apart)
    return mean, cov


def _columns(prepared: Prepared, scorings: Sequence[Scoring], system: System) -> tuple[FloatArray, ...]:
    """Offsets, IF, stds and LO of every accepted pair that sits in the core of its row."""
    parts: list[tuple[FloatArray, ...]] = []
    for scoring, option in zip(scorings, system.options, strict=True):
        if option.entry < 0:
            continue
        s = scoring.scored
        mine = np.flatnonzero((s.pair_entry == option.entry) & (s.pair_core > 0.05))
        if not mine.size:
            mine = np.flatnonzero(s.pair_entry == option.entry)
        row, carrier = s.pair_row[mine], s.pair_carrier[mine]
        state = prepared.states[option.state]
        core = s.pair_core[mine]
        parts.append(
            (
                s.pair_offset_hz[mine],
                scoring.group.if_hz[carrier],
                np.hypot(scoring.group.std_hz[carrier], prepared.shift_hz[row]) / np.sqrt(core),
                prepared.round_hz[row],
                prepared.coarse_hz[row],
                np.full(mine.size, state.sign),
                np.full(mine.size, state.lo_hz),
            )
        )
    return tuple(np.concatenate(each) for each in zip(*parts, strict=True))
