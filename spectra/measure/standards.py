"""How well each standard roll-off explains a carrier."""

from __future__ import annotations

import numpy as np

from spectra.measure.cloud import Clouds, normalised
from spectra.units import FloatArray

__all__ = ["STANDARD_ROLL_OFFS", "likely_standard", "roll_off_weights"]

STANDARD_ROLL_OFFS = (0.05, 0.10, 0.15, 0.20, 0.25, 0.35)
"""EN 300 421 (0.35), EN 302 307-1 (0.20, 0.25, 0.35), EN 302 307-2 (0.05, 0.10, 0.15); from memory."""

_CLEAR = 0.9


def roll_off_weights(roll_off: FloatArray, std: FloatArray, clouds: Clouds | None = None) -> FloatArray:
    """Return the posterior weight of each standard roll-off.

    Conditioned on the carrier being a raised cosine whose roll-off is one of the six, each as likely as the others
    beforehand: the weights sum to one even where none of the six is right.

    Parameters
    ----------
    roll_off, std : ndarray, shape (k,)
        The fit and its standard uncertainty (a normal law), used where there are no `clouds`.
    clouds : Clouds, optional
        What the likelihood itself says of each.

    Returns
    -------
    weight : ndarray, shape (k, 6)
    """
    standard = np.array(STANDARD_ROLL_OFFS)
    if clouds is None:
        log_weight = -0.5 * ((standard - roll_off[:, None]) / np.maximum(std, 1e-6)[:, None]) ** 2
    else:
        log_weight = clouds.ln_density(standard)
    return normalised(log_weight)


def likely_standard(weights: dict[str, float] | None) -> tuple[str, float] | None:
    """Return the standard roll-off that holds more than nine tenths of the weight, and its weight."""
    if not weights:
        return None
    best = max(weights, key=lambda name: weights[name])
    return (best, weights[best]) if weights[best] > _CLEAR else None
