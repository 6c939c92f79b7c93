"""The information matrix and gradient of all parameters of a scene, as a band along the frequency axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spectra.measure.linear import Band, assemble
from spectra.measure.model import CW, MOST_ROLL_OFF, Evaluation, Scene, Trace
from spectra.units import FloatArray

__all__ = ["Information", "information"]

_ROW, _COLUMN = np.tril_indices(4)
_FOUR = np.arange(4)
_Entries = tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]


@dataclass(frozen=True, slots=True)
class Information:
    """Information and gradient at a scene; parameters are four per carrier, then the floor's coefficients.

    Attributes
    ----------
    band : Band
        Penalty of the floor included.
    rough : ndarray
        The penalty alone at unit strength, laid out as the band.
    diagonal : ndarray, shape (q,)
        Information of the points alone, by row of the band.
    gradient : ndarray, shape (q,)
        Of minus the objective: where to go, penalty included.
    free : ndarray of bool, shape (q,)
        Parameters that are not held: no roll-off at a bound that pulls outward, no width of a CW.
    """

    band: Band
    rough: FloatArray
    diagonal: FloatArray
    gradient: FloatArray
    free: NDArray[np.bool_]


def information(trace: Trace, scene: Scene, at: Evaluation, frozen: NDArray[np.bool_] | None = None) -> Information:
    """Return information and gradient; the roll-offs of carriers that are `frozen` (k,) are held."""
    k, basis = scene.count, trace.basis
    pull = at.misfit * at.weight
    gradient = np.zeros(4 * k + basis.size)
    entries: list[_Entries] = []
    if at.index.size:
        weighted = at.jacobian * at.weight[at.index]
        shown = np.flatnonzero(np.diff(at.start))
        segments = at.start[:-1][shown]
        sums = np.add.reduceat(at.jacobian * pull[at.index], segments, axis=1)
        gradient[: 4 * k].reshape(k, 4)[shown] = sums.T
        own = np.add.reduceat(at.jacobian[_ROW] * weighted[_COLUMN], segments, axis=1)
        entries.append((4 * shown + _ROW[:, None], 4 * shown + _COLUMN[:, None], own))
        entries += _between(at, weighted)
        if basis.size:
            entries.append(_with_floor(trace, at, weighted, k))
    penalty: list[FloatArray] = []
    if basis.size:
        place = np.arange(basis.size) + 4 * k
        gradient[4 * k :] = basis.project(pull * at.by_noise) - scene.strength * basis.bend(scene.beta)
        gram = basis.gram(at.weight * at.by_noise**2)
        for d in range(4):
            one, two = place[: basis.size - d], place[d:]
            entries.append((one, two, gram[d, : one.size]))
            penalty.append(basis.penalty[d, : one.size])
    band, flat = assemble(_order(trace, scene), entries)
    rough = np.zeros_like(band.lower)
    if penalty:  # its entries are those of the floor alone, which came last
        values = np.concatenate(penalty)
        rough.reshape(-1)[flat[-values.size :]] = values
    diagonal = band.lower[:, 0].copy()
    band.lower[...] += scene.strength * rough
    return Information(band, rough, diagonal, gradient, _free(scene, gradient, frozen))


def _order(trace: Trace, scene: Scene) -> NDArray[np.intp]:
    """Return the row of each parameter along the frequency axis."""
    size = scene.beta.size
    knot = float(trace.x[-1] - trace.x[0]) / max(size - 3, 1)
    centre = 0.5 * (scene.theta[:, 0] + scene.theta[:, 1])
    position = np.concatenate((np.repeat(centre, 4), trace.x[0] + (np.arange(size) - 1.0) * knot))
    place = np.empty(position.size, dtype=np.intp)
    place[np.argsort(position, kind="stable")] = np.arange(position.size)
    return place


def _between(at: Evaluation, weighted: FloatArray) -> list[_Entries]:
    """Return what carriers that overlap share."""
    low = np.maximum(at.first[:, None], at.first)
    length = np.minimum(at.last[:, None], at.last) - low
    one, two = np.nonzero(np.triu(length > 0, 1))
    if one.size == 0:
        return []
    low, length = low[one, two], length[one, two]
    begin = np.cumsum(length) - length
    point = np.arange(begin[-1] + length[-1]) - np.repeat(begin, length)
    mine = point + np.repeat(at.start[one] + low - at.first[one], length)
    other = point + np.repeat(at.start[two] + low - at.first[two], length)
    products = weighted[:, None, mine] * at.jacobian[None, :, other]
    sums = np.add.reduceat(products.reshape(16, -1), begin, axis=1).reshape(4, 4, -1)
    return [(4 * one + _FOUR[:, None, None], 4 * two + _FOUR[:, None], sums)]


def _with_floor(trace: Trace, at: Evaluation, weighted: FloatArray, k: int) -> _Entries:
    """Return what carriers and floor share."""
    basis = trace.basis
    interval = basis.interval[at.index]
    fresh = np.empty(interval.size, dtype=bool)
    fresh[0] = True
    np.not_equal(interval[1:], interval[:-1], out=fresh[1:])
    shown = at.start[:-1][np.diff(at.start) > 0]
    fresh[shown] = True
    cut = np.flatnonzero(fresh)
    owner = np.searchsorted(at.start, cut, side="right") - 1
    scaled = weighted * at.by_noise[at.index]
    products = scaled[:, None] * basis.values[None, :, at.index]
    sums = np.add.reduceat(products.reshape(16, -1), cut, axis=1).reshape(4, 4, -1)
    return 4 * owner + _FOUR[:, None, None], 4 * k + interval[cut] + _FOUR[:, None], sums


def _free(scene: Scene, gradient: FloatArray, frozen: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    free = np.ones(gradient.size, dtype=bool)
    four = free[: 4 * scene.count].reshape(-1, 4)
    four[scene.kind == CW, 1:3] = False
    slope, roll_off = gradient[2 : 4 * scene.count : 4], scene.theta[:, 2]
    four[(roll_off <= 0.0) & (slope <= 0.0), 2] = False
    four[(roll_off >= MOST_ROLL_OFF) & (slope >= 0.0), 2] = False
    if frozen is not None:
        four[frozen, 2] = False
    return free
