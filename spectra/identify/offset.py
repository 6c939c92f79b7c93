"""The LO error and the analyser's reference, from all matched carriers of the best system at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spectra.identify.joint import Scoring, System
from spectra.identify.prepared import Prepared
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    IntArray = NDArray[np.intp]

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
    prepared: Prepared, scorings: Sequence[Scoring], systems: Sequence[System], reference_ppm: float | None
) -> list[Offsets]:
    """Fit one LO error per LO frequency and one ppm to each system; weights know the table's rounding.

    How far the list is rounded is found from the residuals. What is returned belongs to the LO of a system's main
    option.
    """
    if not systems:
        return []
    prior = reference_ppm if reference_ppm is not None and reference_ppm > 0.0 else DEFAULT_REFERENCE_PPM
    c = _columns(prepared, scorings, systems)
    count = np.arange(len(systems))
    oscillators = np.where(c.lo[..., None] == np.arange(c.los.max()), -c.sign[..., None], 0.0)
    design = np.concatenate([oscillators, c.if_hz[..., None] * 1e-6], axis=2)
    # all assumptions on the rounding side by side, one a row: shape (system, assumption, pair)
    var = c.std_hz[:, None] ** 2 + _SHARES[:, None] * c.rounding_hz[:, None] ** 2
    weight = c.used[:, None] / var
    information = (weight[:, :, None, :] * np.swapaxes(design, 1, 2)[:, None]) @ design[:, None]
    information[..., -1, -1] += 1.0 / prior**2
    # an LO that a system has not is fitted to nothing, and changes nothing
    for place in range(int(c.los.max())):
        information[..., place, place] += (c.los <= place)[:, None]
    covs = np.linalg.inv(information)
    means = (covs @ ((weight * c.delta_hz[:, None]) @ design)[..., None])[..., 0]
    chi2 = ((c.delta_hz[:, None] - means @ np.swapaxes(design, 1, 2)) ** 2 * weight).sum(axis=2)
    logs = _LOG_SHARES - 0.5 * (chi2 + (c.used[:, None] * np.log(var)).sum(axis=2))
    logs += 0.5 * (np.linalg.slogdet(covs)[1] - (means[..., -1] / prior) ** 2)
    mine = weight * (c.lo == c.main[:, None])[:, None]
    references = (mine @ c.if_hz[..., None])[..., 0] / mine.sum(axis=2)
    widened = covs * _widening(chi2, (c.used.sum(axis=1) - c.los)[:, None])[..., None, None]
    widened[..., -1, :], widened[..., :, -1] = covs[..., -1, :], covs[..., :, -1]
    part = np.exp(logs - logs.max(axis=1, keepdims=True))
    part /= part.sum(axis=1, keepdims=True)
    mean, cov = _mixture(means, widened, part)
    reference = (part * references).sum(axis=1)
    sign = np.array([prepared.states[each.main.state].sign for each in systems])
    at = np.zeros(mean.shape)
    at[count, c.main], at[:, -1] = -sign, reference * 1e-6
    offset = (at * mean).sum(axis=1)
    offset_std = np.sqrt(np.maximum((at[:, None] @ cov @ at[..., None])[:, 0, 0], 0.0))
    error_std, ppm_std = np.sqrt(cov[count, c.main, c.main]), np.sqrt(cov[:, -1, -1])
    told = ppm_std < _ESTIMABLE * prior
    columns = (offset, offset_std, reference, mean[count, c.main], error_std, mean[:, -1], ppm_std, told)
    fits = zip(*(each.tolist() for each in columns), strict=True)
    return [
        Offsets(shift, std, at_hz, error, spread, ppm if tell else None, ppm_spread if tell else None)
        for shift, std, at_hz, error, spread, ppm, ppm_spread, tell in fits
    ]


def _widening(chi2: FloatArray, freedom: IntArray) -> FloatArray:
    """Return by how much the variance grows where the residuals are wider than two deviations of chance allow."""
    least = np.maximum(freedom, 2)
    widened = np.maximum(1.0, chi2 / least / (1.0 + 2.0 * np.sqrt(2.0 / least)))
    return np.where(freedom < 2, 1.0, widened)


def _mixture(means: FloatArray, covs: FloatArray, part: FloatArray) -> tuple[FloatArray, FloatArray]:
    mean = (part[..., None] * means).sum(axis=1)
    apart = means - mean[:, None]
    spread = covs + apart[..., :, None] * apart[..., None, :]
    return mean, (part[..., None, None] * spread).sum(axis=1)


@dataclass(frozen=True, slots=True)
class _Columns:
    """Accepted pairs of every system side by side, shape (system, pair), filled up where `used` is 0.

    `lo` numbers a system's LO frequencies by rising frequency; `los` says how many it has, `main` which is its main
    option's, both of shape (system,).
    """

    delta_hz: FloatArray
    if_hz: FloatArray
    std_hz: FloatArray
    rounding_hz: FloatArray
    sign: FloatArray
    lo: IntArray
    used: FloatArray
    los: IntArray
    main: IntArray


def _columns(prepared: Prepared, scorings: Sequence[Scoring], systems: Sequence[System]) -> _Columns:
    """Gather every accepted pair that sits in the core of its row."""
    lo_hz = [
        [prepared.states[option.state].lo_hz if option.entry >= 0 else -1.0 for option in system.options]
        for system in systems
    ]
    rising = [sorted(set(each) - {-1.0}) for each in lo_hz]
    parts: list[tuple[FloatArray, ...]] = []
    for number, scoring in enumerate(scorings):
        s = scoring.scored
        options = [system.options[number] for system in systems]
        entry = np.array([option.entry for option in options])
        low = np.where(entry >= 0, np.searchsorted(s.pair_entry, entry), 0)
        size = np.where(entry >= 0, np.searchsorted(s.pair_entry, entry, side="right"), 0) - low
        which = np.repeat(np.arange(entry.size), size)
        pair = np.arange(which.size) + np.repeat(low - (np.cumsum(size) - size), size)
        core = s.pair_core[pair]
        keep = (core > 0.05) | (np.bincount(which, core > 0.05, entry.size) == 0.0)[which]
        which, pair, core = which[keep], pair[keep], core[keep]
        row, carrier = s.pair_row[pair], s.pair_carrier[pair]
        sign = np.array([prepared.states[option.state].sign for option in options])
        lo = np.array(
            [own.index(hz[number]) if hz[number] >= 0.0 else 0 for own, hz in zip(rising, lo_hz, strict=True)]
        )
        parts.append(
            (
                which,
                s.pair_offset_hz[pair],
                scoring.group.if_hz[carrier],
                np.hypot(scoring.group.std_hz[carrier], prepared.shift_hz[row]) / np.sqrt(core),
                np.maximum(prepared.coarse_hz[row], prepared.round_hz[row]),
                sign[which],
                lo[which],
            )
        )
    which, *flat = (np.concatenate(each) for each in zip(*parts, strict=True))
    order = np.argsort(which, kind="stable")
    which = which[order]
    size = np.bincount(which, minlength=len(systems))
    place = np.arange(which.size) - np.repeat(np.cumsum(size) - size, size)
    shape = (len(systems), int(size.max()))
    used = np.zeros(shape)
    used[which, place] = 1.0

    def filled(number: int, empty: float) -> FloatArray:
        grid = np.full(shape, empty)
        grid[which, place] = flat[number][order]
        return grid

    main = [own.index(prepared.states[system.main.state].lo_hz) for own, system in zip(rising, systems, strict=True)]
    return _Columns(
        delta_hz=filled(0, 0.0),
        if_hz=filled(1, 0.0),
        std_hz=filled(2, 1.0),
        rounding_hz=filled(3, 1.0),
        sign=filled(4, 0.0),
        lo=filled(5, -1.0).astype(np.intp),
        used=used,
        los=np.array([len(own) for own in rising]),
        main=np.array(main),
    )
