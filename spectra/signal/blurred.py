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
    x : array_like, shape (...)
        Distance from the edge's centre.
    a : array_like, of a shape that broadcasts to that of `x`
        Half-width of the cosine, 0 or more.
    sigma : float
        Standard deviation of the Gaussian, positive; all in one unit.

    Returns
    -------
    value, by_x, by_a : ndarray, shape (...)
    """
    x = np.asarray(x, dtype=np.float64)
    a = np.asarray(a, dtype=np.float64)
    value = (x > 0.0).astype(np.float64)
    by_x, by_a = np.zeros(x.shape), np.zeros(x.shape)
    near = np.flatnonzero(np.abs(x) < a + _SATURATED * sigma)
    flat_x = x.ravel()[near]
    flat_a = (a if a.shape == x.shape else np.broadcast_to(a, x.shape)).ravel()[near]
    wide = flat_a < 0.5 * sigma
    for these, rule in ((~wide, _closed_form), (wide, _quadrature)):
        if these.all():
            where, own_x, own_a = near, flat_x, flat_a
        elif these.any():
            where, own_x, own_a = near[these], flat_x[these], flat_a[these]
        else:
            continue
        for out, found in zip((value, by_x, by_a), rule(own_x, own_a, sigma), strict=True):
            out.reshape(-1)[where] = found
    return value, by_x, by_a


def _closed_form(x: FloatArray, a: FloatArray, sigma: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    ends = np.empty((2, x.size))
    np.add(x, a, out=ends[0])
    np.subtract(x, a, out=ends[1])
    ends *= 1.0 / (_ROOT2 * sigma)
    k = (0.5 * math.pi) / a
    shift = k * (sigma / _ROOT2)
    plain = special.erf(ends)
    z = plain.astype(np.complex128)
    active = np.flatnonzero(np.abs(ends) < _SATURATED / _ROOT2)  # the complex function is slow
    turned = ends.reshape(-1)[active] + 1j * np.concatenate((shift, shift))[active]
    z.reshape(-1)[active] = special.erf(turned)
    pq = (0.25 * np.exp(1j * (k * x) - shift * shift)) * (z[0] - z[1])
    by_x = k * pq.real
    by_a = ((sigma * k) ** 2 * pq.imag - x * by_x) / a
    return 0.5 + 0.25 * (plain[0] + plain[1]) + pq.imag, by_x, by_a


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
