"""A raised-cosine carrier seen through a Gaussian resolution filter, with its derivatives, in closed form.

A raised-cosine spectrum is a rectangle of width Rs smeared by a half-period of a cosine of half-width a = roll-off
Rs / 2, so it is the difference of two edges; the filter smears each edge once more. With k = pi / (2 a) and the
Gaussian's sigma, one complex error-function difference z gives the edge and its derivatives (derived)::

    z    = erf((x + a) / (sqrt2 sigma) + i k sigma / sqrt2) - erf((x - a) / (sqrt2 sigma) + i k sigma / sqrt2)
    P+iQ = exp(-(k sigma)^2 / 2) exp(i k x) z / 4
    edge = (Phi((x + a)/sigma) + Phi((x - a)/sigma)) / 2 + Q,   edge' = k P,   edge'' = -k^2 Q

The derivative by a follows from the scaling law x E_x + a E_a + sigma E_sigma = 0 and the heat equation
E_sigma = sigma E_xx. Where the filter is wide against the edge, Gauss-Legendre quadrature over the cosine is exact
to rounding and does not cancel.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spectra.units import FloatArray

__all__ = ["carrier_shape", "edge"]

_ROOT2 = math.sqrt(2.0)
_SATURATED = 6.5  # standard deviations beyond which an error function is 1 to 1e-10
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_COSINE = 0.25 * math.pi * np.cos(0.5 * math.pi * _NODES) * _WEIGHTS


def edge(x: ArrayLike, a: ArrayLike, sigma: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a smeared rising edge and its derivatives by `x` and by `a`.

    Parameters
    ----------
    x : array_like, shape (n,)
        Distance from the edge's centre.
    a : array_like, shape (n,) or scalar
        Half-width of the cosine, 0 or more.
    sigma : float
        Standard deviation of the Gaussian, positive; all in one unit.

    Returns
    -------
    value, by_x, by_a : ndarray, shape (n,)
    """
    x, a = np.broadcast_arrays(np.asarray(x, dtype=np.float64), np.asarray(a, dtype=np.float64))
    value = np.where(x > 0.0, 1.0, 0.0)
    by_x, by_a = np.zeros(x.shape), np.zeros(x.shape)
    near = np.abs(x) < a + _SATURATED * sigma
    wide = near & (sigma > 2.0 * a)
    narrow = near & ~wide
    if narrow.any():
        value[narrow], by_x[narrow], by_a[narrow] = _closed_form(x[narrow], a[narrow], sigma)
    if wide.any():
        value[wide], by_x[wide], by_a[wide] = _quadrature(x[wide], a[wide], sigma)
    return value, by_x, by_a


def _clipped_erf(u: FloatArray, shift: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.complex128]]:
    """Return erf(u + i shift), +-1 where that is all it can be (the complex function is slow)."""
    result = np.sign(u).astype(np.complex128)
    active = np.abs(u) < _SATURATED / _ROOT2
    result[active] = special.erf(u[active] + 1j * shift[active])
    return result


def _closed_form(x: FloatArray, a: FloatArray, sigma: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    k = math.pi / (2.0 * a)
    upper, lower = (x + a) / (_ROOT2 * sigma), (x - a) / (_ROOT2 * sigma)
    shift = k * (sigma / _ROOT2)
    z = _clipped_erf(upper, shift) - _clipped_erf(lower, shift)
    pq = 0.25 * np.exp(1j * k * x - shift**2) * z
    flat = 0.5 + 0.25 * (special.erf(upper) + special.erf(lower))
    by_x = k * pq.real
    by_a = -(x * by_x - (sigma * k) ** 2 * pq.imag) / a
    return flat + pq.imag, by_x, by_a


def _quadrature(x: FloatArray, a: FloatArray, sigma: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    u = (x[:, None] - a[:, None] * _NODES) / sigma
    density = np.exp(-0.5 * u * u) / (math.sqrt(2.0 * math.pi) * sigma)
    return special.ndtr(u) @ _COSINE, density @ _COSINE, -(density @ (_COSINE * _NODES))


def carrier_shape(
    frequency_hz: ArrayLike, centre_hz: float, symbol_rate_bd: float, roll_off: float, sigma_hz: float
) -> FloatArray:
    """Return a carrier's power spectrum (plateau 1, area `symbol_rate_bd`) through a Gaussian filter of unit area."""
    x = np.asarray(frequency_hz, dtype=np.float64) - centre_hz
    a = 0.5 * roll_off * symbol_rate_bd
    return edge(x + 0.5 * symbol_rate_bd, a, sigma_hz)[0] - edge(x - 0.5 * symbol_rate_bd, a, sigma_hz)[0]
