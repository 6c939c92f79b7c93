"""Functions of many numbers at once, compiled: written without branches, so that a processor takes several at a time.

Exponential and logarithm are the textbook reductions to a short interval (W. J. Cody and W. Waite, Software Manual for
the Elementary Functions, 1980, from memory) with Taylor's polynomial, good to the last digit or two there. A carrier's
edge is that of `spectra.signal.blurred.edge`; the function of Faddeeva, which the compiler does not know, is that of
J. A. C. Weideman, "Computation of the complex error function", SIAM J. Numer. Anal. 31 (1994) 1497-1518, eq. (38) and
its listing (from memory). The tests hold all of them against the libraries' own.
"""

from __future__ import annotations

import math

import numpy as np

from spectra.measure.loops.special import compiled
from spectra.units import FloatArray

__all__ = ["SATURATED", "edges_of", "exp_of", "log_of"]

SATURATED = 6.5  # as in `spectra.signal.blurred`

_LN2_HIGH, _LN2_LOW = 0.693147180369123816490, 1.90821492927058770002e-10
_PER_LN2 = 1.0 / math.log(2.0)
_ROUND = 6755399441055744.0  # 1.5 * 2^52: what is added to it is rounded to a whole number, in its lowest bits
_ONE = 4607182418800017408  # the bits of 1.0
_WHOLE = 4841369599423283200  # the bits of 2^52
_TWO52 = 4503599627370496.0
_ROOT2 = math.sqrt(2.0)
_PER_ROOT_PI = 1.0 / math.sqrt(math.pi)
_TERMS = 24


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


@compiled
def exp_of(x: FloatArray, out: FloatArray) -> None:
    """Write exp(x) over `out`; x is taken to lie within -700..700."""
    bits = out.view(np.int64)
    for i in range(x.size):
        v = min(max(x[i], -700.0), 700.0)
        shifted = v * _PER_LN2 + _ROUND
        whole = shifted - _ROUND
        out[i] = shifted
        r = v - whole * _LN2_HIGH - whole * _LN2_LOW
        p = 1 / 39916800 + r * (1 / 479001600)
        p = 1 / 40320 + r * (1 / 362880 + r * (1 / 3628800 + r * p))
        p = 1 / 24 + r * (1 / 120 + r * (1 / 720 + r * (1 / 5040 + r * p)))
        p = 1.0 + r * (1.0 + r * (0.5 + r * (1 / 6 + r * p)))
        bits[i] = (bits[i] << 52) + _ONE
        out[i] *= p


@compiled
def log_of(x: FloatArray, out: FloatArray) -> None:
    """Write ln(x) over `out`, for x that are positive and no subnormal."""
    power, part = np.empty(x.size), np.empty(x.size)
    power_bits, part_bits, bits = power.view(np.int64), part.view(np.int64), x.view(np.int64)
    for i in range(x.size):
        power_bits[i] = (bits[i] >> 52) | _WHOLE
        part_bits[i] = (bits[i] & 0xFFFFFFFFFFFFF) | _ONE
    for i in range(x.size):
        large = part[i] > _ROOT2
        m = 0.5 * part[i] if large else part[i]
        whole = power[i] - _TWO52 - (1022.0 if large else 1023.0)
        s = (m - 1.0) / (m + 1.0)
        q = s * s
        p = 1 / 15 + q * (1 / 17 + q * (1 / 19 + q * (1 / 21)))
        p = 1 / 3 + q * (1 / 5 + q * (1 / 7 + q * (1 / 9 + q * (1 / 11 + q * (1 / 13 + q * p)))))
        out[i] = whole * _LN2_HIGH + (2.0 * s + (2.0 * s * q * p + whole * _LN2_LOW))


@compiled
def _faddeeva(real: FloatArray, imaginary: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return real and imaginary part of w in the upper half-plane, and w (real) on the axis at the same height."""
    n = real.size
    inv_r, inv_i, z_r, z_i = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    square, high, low = np.empty(n), np.empty(n), np.empty(n)
    for i in range(n):  # 1 / (L - i z), and Z = (L + i z) / (L - i z)
        down_r, down_i, up_r = _SCALE + imaginary[i], -real[i], _SCALE - imaginary[i]
        size = 1.0 / (down_r * down_r + down_i * down_i)
        inv_r[i], inv_i[i] = down_r * size, -down_i * size
        z_r[i], z_i[i] = up_r * inv_r[i] - real[i] * inv_i[i], up_r * inv_i[i] + real[i] * inv_r[i]
    for i in range(n):
        square[i] = z_r[i] * z_r[i] + z_i[i] * z_i[i]
        high[i], low[i] = _COEFFICIENTS[0], _COEFFICIENTS[1]
    # real coefficients: divide by z^2 - 2 Re(z) z + |z|^2 (D. E. Knuth, The Art of Computer Programming, 4.6.4)
    for j in range(2, _TERMS):
        own = _COEFFICIENTS[j]
        for i in range(n):
            top = high[i]
            high[i] = low[i] + 2.0 * z_r[i] * top
            low[i] = own - square[i] * top
    w_r, w_i = square, z_i
    for i in range(n):
        p_r, p_i = 2.0 * (high[i] * z_r[i] + low[i]), 2.0 * high[i] * z_i[i]
        sq_r, sq_i = inv_r[i] * inv_r[i] - inv_i[i] * inv_i[i], 2.0 * inv_r[i] * inv_i[i]
        w_r[i] = p_r * sq_r - p_i * sq_i + inv_r[i] * _PER_ROOT_PI
        w_i[i] = p_r * sq_i + p_i * sq_r + inv_i[i] * _PER_ROOT_PI
    on_axis, ratio = inv_r, z_r
    for i in range(n):
        inv_i[i] = 1.0 / (_SCALE + imaginary[i])
        ratio[i] = (_SCALE - imaginary[i]) * inv_i[i]
        high[i] = _COEFFICIENTS[0]
    for j in range(1, _TERMS):
        own = _COEFFICIENTS[j]
        for i in range(n):
            high[i] = own + ratio[i] * high[i]
    for i in range(n):
        on_axis[i] = (2.0 * high[i] * inv_i[i] + _PER_ROOT_PI) * inv_i[i]
    return w_r, w_i, on_axis


@compiled
def _sharp(x: float, a: float, sigma: float) -> tuple[float, float, float]:
    """Return an edge that the filter is wide against, by the moments of the cosine."""
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


@compiled
def edges_of(
    x: FloatArray, a: FloatArray, sigma: float, value: FloatArray, slope: FloatArray, turn: FloatArray
) -> None:
    """Write smeared rising edges and their derivatives by `x` and `a`, as `spectra.signal.blurred.edge` has them.

    P + iQ of that module with erf(z) = 1 - exp(-z^2) w(iz): at both ends of the cosine the phases of exp(ikx) and
    exp(-z^2) differ by a quarter of a turn, so that only w is left, and exp(ikx) between the ends.
    """
    n, ends = x.size, 0
    place, owner, shift = np.empty(2 * n), np.empty(2 * n, np.intp), np.empty(2 * n)
    width, reach, last, down = 1.0 / (_ROOT2 * sigma), SATURATED / _ROOT2, -1.0, 0.0
    for i in range(n):
        slope[i], turn[i] = 0.0, 0.0
        if abs(x[i]) >= a[i] + SATURATED * sigma:
            value[i] = 1.0 if x[i] > 0.0 else 0.0
            continue
        if a[i] < 0.5 * sigma:
            value[i], slope[i], turn[i] = _sharp(x[i], a[i], sigma)
            continue
        k = 0.5 * math.pi / a[i]
        t = k * sigma / _ROOT2
        if -a[i] <= x[i] < a[i]:  # between the ends, of which each counts as beyond itself from there on: see `sign`
            if a[i] != last:
                last, down = a[i], 2.0 * math.exp(-t * t)
            sine = math.sin(k * x[i])
            slope[i], turn[i] = down * math.sqrt(max(1.0 - sine * sine, 0.0)), down * sine  # P and Q so far
        value[i] = 0.5
        for side in (1.0, -1.0):
            end = (x[i] + side * a[i]) * width
            if abs(end) < reach:
                place[ends], owner[ends], shift[ends] = end, i, t
                ends += 1
            else:
                value[i] += 0.25 if end > 0.0 else -0.25
    if ends:
        height, size = np.empty(ends), np.empty(ends)
        for j in range(ends):
            height[j] = abs(place[j])
            size[j] = -place[j] * place[j]
        exp_of(size, size)
        w_r, w_i, on_axis = _faddeeva(shift[:ends], height)
        for j in range(ends):
            i, sign = owner[j], 1.0 if place[j] >= 0.0 else -1.0
            slope[i] += size[j] * w_i[j]
            turn[i] += sign * size[j] * w_r[j]
            value[i] += 0.25 * sign * (1.0 - size[j] * on_axis[j])
    for i in range(n):
        if a[i] >= 0.5 * sigma and abs(x[i]) < a[i] + SATURATED * sigma:
            k = 0.5 * math.pi / a[i]
            q = 0.25 * turn[i]
            value[i] += q
            slope[i] *= 0.25 * k
            turn[i] = ((sigma * k) ** 2 * q - x[i] * slope[i]) / a[i]
