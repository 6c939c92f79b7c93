"""The information matrix and gradient of all parameters of a scene, as a band along the frequency axis."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spectra.measure.compiled import loops
from spectra.measure.linear import Band
from spectra.measure.model import Evaluation, to_loops
from spectra.measure.pairs import COLUMN, ROW
from spectra.measure.scene import CW, LEAST_ROLL_OFF, MOST_ROLL_OFF, Scene
from spectra.units import FloatArray

__all__ = ["Information", "gradient", "information", "refreshed"]


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


def information(at: Evaluation, frozen: NDArray[np.bool_] | None = None) -> Information:
    """Return information and gradient at an evaluated scene; the roll-offs of carriers that are `frozen` are held."""
    scene, compiled = at.scene, loops()
    order, pairs = at.pairs.order, at.pairs
    if compiled is None:
        points = _vectorised(at)
    else:
        shown = (pairs.first, pairs.last, pairs.start, order.place, order.width)
        points = compiled.information(at.trace.packed, to_loops(at), *shown)
    diagonal, rough = points[:, 0].copy(), order.rough
    slope = gradient(at)
    band = Band(points + scene.strength * rough, order.place)
    return Information(band, rough, diagonal, slope, _free(scene, slope, frozen))


def _vectorised(at: Evaluation) -> FloatArray:
    scene, basis, layout = at.scene, at.trace.basis, at.pairs.layout
    size = 4 * scene.count + basis.size
    values: list[FloatArray] = []
    if at.index.size:
        weighted = at.jacobian * at.weight[at.index]
        own = np.add.reduceat(at.jacobian[ROW] * weighted[COLUMN], layout.segments, axis=1)
        values.append(own.ravel())
        if layout.one.size:
            products = weighted[:, None, layout.one] * at.jacobian[None, :, layout.two]
            values.append(np.add.reduceat(products.reshape(16, -1), layout.begin, axis=1).ravel())
        if basis.size:
            scaled = weighted * at.by_noise[at.index]
            products = scaled[:, None] * basis.values[None, :, at.index]
            values.append(np.add.reduceat(products.reshape(16, -1), layout.cut, axis=1).ravel())
    if basis.size:
        gram = basis.gram(at.weight * at.by_noise**2)
        values += [gram[d, : basis.size - d] for d in range(4)]
    flat = np.bincount(layout.flat, np.concatenate(values), size * at.pairs.order.width)
    return np.asarray(flat, dtype=np.float64).reshape(size, -1)


def gradient(at: Evaluation) -> FloatArray:
    """Return the gradient of minus the objective at an evaluated scene, by parameter."""
    scene, basis, compiled = at.scene, at.trace.basis, loops()
    if compiled is not None:
        shown = (at.first, at.last, at.start)
        return np.asarray(compiled.gradient(at.trace.packed, to_loops(at), *shown, scene.beta, scene.strength))
    layout, pull = at.pairs.layout, at.misfit * at.weight
    result = np.zeros(4 * scene.count + basis.size)
    if at.index.size:
        sums = np.add.reduceat(at.jacobian * pull[at.index], layout.segments, axis=1)
        result[: 4 * scene.count].reshape(-1, 4)[layout.shown] = sums.T
    if basis.size:
        result[4 * scene.count :] = basis.project(pull * at.by_noise) - scene.strength * basis.bend(scene.beta)
    return result


def refreshed(here: Information, at: Evaluation, frozen: NDArray[np.bool_] | None = None) -> Information:
    """Return the gradient of another scene near by with the information as it was."""
    slope = gradient(at)
    return replace(here, gradient=slope, free=_free(at.scene, slope, frozen))


def _free(scene: Scene, gradient: FloatArray, frozen: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    free = np.ones(gradient.size, dtype=bool)
    four = free[: 4 * scene.count].reshape(-1, 4)
    four[scene.kind == CW, 1:3] = False
    slope, roll_off = gradient[2 : 4 * scene.count : 4], scene.theta[:, 2]
    four[(roll_off <= LEAST_ROLL_OFF) & (slope <= 0.0), 2] = False
    four[(roll_off >= MOST_ROLL_OFF) & (slope >= 0.0), 2] = False
    if frozen is not None:
        four[frozen, 2] = False
    return free
