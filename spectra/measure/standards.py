"""How well each standard roll-off explains a carrier."""

from __future__ import annotations

import numpy as np

from spectra.measure.profile import RollOffProfile
from spectra.units import FloatArray

__all__ = ["STANDARD_ROLL_OFFS", "likely_standard", "roll_off_weights"]

STANDARD_ROLL_OFFS = (0.05, 0.10, 0.15, 0.20, 0.25, 0.35)
"""EN 300 421 (0.35), EN 302 307-1 (0.20, 0.25, 0.35), EN 302 307-2 (0.05, 0.10, 0.15); from memory."""

_CLEAR = 0.9


def roll_off_weights(
    roll_off: float, std: float, profile: RollOffProfile | None = None, inflation: float = 1.0
) -> dict[str, float]:
    """Return the posterior weight of each standard roll-off, by its value written with two decimals.

    Conditioned on the carrier being a raised cosine whose roll-off is one of the six, each as likely as the others
    beforehand: the weights sum to one even where none of the six is right.

    Parameters
    ----------
    roll_off, std : float
        The fit and its standard uncertainty (a normal law), where there is no `profile`.
    profile : RollOffProfile, optional
        The likelihood itself, followed over the roll-off.
    inflation : float
        Of the variance, by the misfit of the shape.
    """
    standard = np.array(STANDARD_ROLL_OFFS)
    log_weight: FloatArray
    if profile is not None:
        told = np.log(np.maximum(np.interp(standard, profile.roll_off, profile.weight), 1e-300)) / inflation
        log_weight = np.asarray(told)
    else:
        log_weight = -0.5 * ((standard - roll_off) / max(std, 1e-6)) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return {f"{value:.2f}": float(share) for value, share in zip(STANDARD_ROLL_OFFS, weight, strict=True)}


def likely_standard(weights: dict[str, float] | None) -> tuple[str, float] | None:
    """Return the standard roll-off that holds more than nine tenths of the weight, and its weight."""
    if not weights:
        return None
    best = max(weights, key=lambda name: weights[name])
    return (best, weights[best]) if weights[best] > _CLEAR else None
