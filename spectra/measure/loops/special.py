"""Functions of one number, compiled: a carrier's edge as in `spectra.signal.blurred.edge`, and some of scipy's.

The function of Faddeeva, which the compiler does not know, is that of J. A. C. Weideman, "Computation of the complex
error function", SIAM J. Numer. Anal. 31 (1994) 1497-1518, eq. (38) and its listing (from memory; the tests hold it
against the library's). Compiled code is kept beside the module that calls it: after a change here, touch `loops`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spectra.units import FloatArray

__all__ = ["SATURATED", "Flags", "Index", "compiled", "edge_at", "exp1", "gamma_slopes"]

Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

_ROOT2 = math.sqrt(2.0)
SATURATED = 6.5  # as in `spectra.signal.blurred`
_TERMS = 24
_PER_ROOT_PI = 1.0 / math.sqrt(math.pi)


def _weideman(terms: int) -> tuple[float, FloatArray]:
    """Return scale and coefficients, highest power first."""
    count = 4 * terms
    scale = math.sqrt(terms / _ROOT2)
    angle = np.arange(-count // 2 + 1, count // 2) * (2.0 * math.pi / count)
    t = scale * np.tan(0.5 * angle)
    values = np.concatenate((np.zeros(1), np.exp(-t * t) * (scale * scale + t * t)))
    transformed = np.real(np.fft.fft(np.fft.fftshift(values))) / count
    return scale, np.ascontiguousarray(transformed[1 : terms + 1][::-1])


_SCALE, _COEFFICIENTS = _weideman(_TERMS)

_POWERS = 7


def _moments() -> FloatArray:
    """Return E[s^(2j)] / (2j)! of a half-period of a cosine over -1..1, j = 0.._POWERS."""
    node, weight = np.polynomial.legendre.leggauss(40)
    density = 0.25 * math.pi * np.cos(0.5 * math.pi * node) * weight
    return np.array([float(density @ node ** (2 * j)) / math.factorial(2 * j) for j in range(_POWERS + 1)])


_MOMENTS = _moments()
_F = TypeVar("_F", bound=Callable[..., object])


def compiled(function: _F) -> _F:
    """Return a function compiled when it is first called; what comes of it is kept on disk."""
    try:
        return cast(_F, njit(cache=True, error_model="numpy", fastmath={"contract"})(function))
    except RuntimeError as error:  # no folder may be written to: every process would compile for half a minute
        raise ImportError("compiled loops cannot be kept on disk") from error


@compiled
def _faddeeva(one_r: float, one_i: float, two_r: float, two_i: float) -> tuple[float, float, float, float]:
    """Return w at two places of the upper half-plane, as four floats."""
    # L - i z, and Z = (L + i z) / (L - i z), of each
    down_r, down_i, up_r = _SCALE + one_i, -one_r, _SCALE - one_i
    size = 1.0 / (down_r * down_r + down_i * down_i)
    inv1_r, inv1_i = down_r * size, -down_i * size
    z1_r, z1_i = up_r * inv1_r - one_r * inv1_i, up_r * inv1_i + one_r * inv1_r
    down_r, down_i, up_r = _SCALE + two_i, -two_r, _SCALE - two_i
    size = 1.0 / (down_r * down_r + down_i * down_i)
    inv2_r, inv2_i = down_r * size, -down_i * size
    z2_r, z2_i = up_r * inv2_r - two_r * inv2_i, up_r * inv2_i + two_r * inv2_r
    # real coefficients: divide by z^2 - 2 Re(z) z + |z|^2 (D. E. Knuth, The Art of Computer Programming, 4.6.4)
    twice1, square1, twice2, square2 = 2.0 * z1_r, z1_r * z1_r + z1_i * z1_i, 2.0 * z2_r, z2_r * z2_r + z2_i * z2_i
    high1, low1, high2, low2 = _COEFFICIENTS[0], _COEFFICIENTS[1], _COEFFICIENTS[0], _COEFFICIENTS[1]
    for j in range(2, _TERMS):
        high1, low1 = low1 + twice1 * high1, _COEFFICIENTS[j] - square1 * high1
        high2, low2 = low2 + twice2 * high2, _COEFFICIENTS[j] - square2 * high2
    p_r, p_i = 2.0 * (high1 * z1_r + low1), 2.0 * high1 * z1_i
    sq_r, sq_i = inv1_r * inv1_r - inv1_i * inv1_i, 2.0 * inv1_r * inv1_i
    w1_r, w1_i = p_r * sq_r - p_i * sq_i + inv1_r * _PER_ROOT_PI, p_r * sq_i + p_i * sq_r + inv1_i * _PER_ROOT_PI
    p_r, p_i = 2.0 * (high2 * z2_r + low2), 2.0 * high2 * z2_i
    sq_r, sq_i = inv2_r * inv2_r - inv2_i * inv2_i, 2.0 * inv2_r * inv2_i
    w2_r, w2_i = p_r * sq_r - p_i * sq_i + inv2_r * _PER_ROOT_PI, p_r * sq_i + p_i * sq_r + inv2_i * _PER_ROOT_PI
    return w1_r, w1_i, w2_r, w2_i


@compiled
def edge_at(x: float, a: float, sigma: float) -> tuple[float, float, float]:
    """Return a smeared rising edge and its derivatives by `x` and `a`, as `spectra.signal.blurred.edge` does."""
    if abs(x) >= a + SATURATED * sigma:
        return (1.0 if x > 0.0 else 0.0), 0.0, 0.0
    if a < 0.5 * sigma:
        u, ratio = x / sigma, a / sigma
        square = ratio * ratio
        density = 0.3989422804014327 * math.exp(-0.5 * u * u)
        value = 0.5 * (1.0 + math.erf(u / _ROOT2))
        slope, turn, power = 1.0, 0.0, 1.0
        odd, even = u, u * u - 1.0  # Hermite polynomials of degree 2j - 1 and 2j
        moved = 0.0
        for j in range(1, _POWERS + 1):
            turn -= 2.0 * j * _MOMENTS[j] * power * odd
            power *= square
            moved -= _MOMENTS[j] * power * odd
            slope += _MOMENTS[j] * power * even
            odd = u * even - 2.0 * j * odd
            even = u * odd - (2.0 * j + 1.0) * even
        return value + density * moved, density * slope / sigma, density * turn * ratio / sigma
    # P + iQ of `spectra.signal.blurred` with erf(z) = 1 - exp(-z^2) w(iz): at both ends of the cosine the phases of
    # exp(ikx) and exp(-z^2) differ by a quarter of a turn, so that only w is left, and exp(ikx) between the ends.
    k = 0.5 * math.pi / a
    t = k * sigma / _ROOT2
    width = 1.0 / (_ROOT2 * sigma)
    high, low = (x + a) * width, (x - a) * width
    sign_high, sign_low = (1.0 if high >= 0.0 else -1.0), (1.0 if low >= 0.0 else -1.0)
    one_r, one_i, two_r, two_i = _faddeeva(-sign_high * t, abs(high), -sign_low * t, abs(low))
    size_high, size_low = sign_high * math.exp(-high * high), sign_low * math.exp(-low * low)
    # -(-i) e w(high) + (i) e w(low)
    p = -size_high * one_i - size_low * two_i
    q = size_high * one_r + size_low * two_r
    if sign_high != sign_low:
        down = 2.0 * math.exp(-t * t)
        p += down * math.cos(k * x)
        q += down * math.sin(k * x)
    slope, q = 0.25 * k * p, 0.25 * q
    value = 0.5 + 0.25 * (math.erf(high) + math.erf(low)) + q
    return value, slope, ((sigma * k) ** 2 * q - x * slope) / a


@compiled
def exp1(r: float) -> float:
    """Return the exponential integral: Abramowitz and Stegun 5.1.11, and 5.1.22 by Lentz (from memory)."""
    if r < 1.5:
        term, total = -1.0, 0.0
        for j in range(1, 40):
            term *= -r / j
            total += term / j
        return total - math.log(r) - np.euler_gamma
    b = r + 1.0
    c, d = 1e300, 1.0 / b
    h = d
    for j in range(1, 200):
        a = -j * j
        b += 2.0
        d = 1.0 / (a * d + b)
        c = b + a / c
        h *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return h * math.exp(-r)


@compiled
def gamma_slopes(x: float) -> tuple[float, float]:
    """Return digamma and trigamma of a positive number: A. and S. 6.3.5, 6.3.18, 6.4.12 (from memory)."""
    one, two = 0.0, 0.0
    while x < 12.0:
        one -= 1.0 / x
        two += 1.0 / (x * x)
        x += 1.0
    s = 1.0 / (x * x)
    one += math.log(x) - 0.5 / x
    one -= s * (1 / 12 - s * (1 / 120 - s * (1 / 252 - s * (1 / 240 - s * (1 / 132 - s * (691 / 32760 - s / 12))))))
    inner = s * (1 / 6 - s * (1 / 30 - s * (1 / 42 - s * (1 / 30 - s * (5 / 66 - s * (691 / 2730 - s * 7 / 6))))))
    two += 1.0 / x + 0.5 * s + inner / x
    return one, two
