"""By how much a cosine and a sine of each rate lower the sum of squares, beside columns that may vary freely.

At any rates by least squares written out; at the rates of a discrete Fourier transform of an even sweep by transforms,
of which those that do not change from ripple to ripple are kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spectra.units import FloatArray

__all__ = ["Grid", "columns_of", "gains_at"]

_OWN_SHARE = 0.02


def gains_at(
    f: FloatArray, rest: FloatArray, known: FloatArray, cycles: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return for every rate the drop of the sum of squares, and the amplitudes of cosine and sine."""
    middle = f.mean()
    gain, a, b = np.empty(cycles.size), np.empty(cycles.size), np.empty(cycles.size)
    for begin in range(0, cycles.size, 256):
        part = cycles[begin : begin + 256]
        phase = 2.0 * math.pi * np.outer(f - middle, part)
        c, s = np.cos(phase), np.sin(phase)
        c -= known @ (known.T @ c)
        s -= known @ (known.T @ s)
        cc, ss, cs = (c * c).sum(0), (s * s).sum(0), (c * s).sum(0)
        yc, ys = rest @ c, rest @ s
        here = slice(begin, begin + part.size)
        a[here], b[here] = _amplitudes(cc, ss, cs, yc, ys)
        gain[here] = np.where(_told(cc, ss, cs, f.size), a[here] * yc + b[here] * ys, 0.0)
    return gain, a, b


def _amplitudes(
    cc: FloatArray, ss: FloatArray, cs: FloatArray, yc: FloatArray, ys: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the amplitudes of cosine and sine by least squares."""
    det = np.maximum(cc * ss - cs * cs, 1e-9 * np.maximum(cc * ss, 1e-12))
    return (ss * yc - cs * ys) / det, (cc * ys - cs * yc) / det


def _told(cc: FloatArray, ss: FloatArray, cs: FloatArray, count: int) -> NDArray[np.bool_]:
    """Say which rates carry evidence of their own, beyond what plateaus and polynomials hold already."""
    least = 0.5 * (cc + ss) - np.sqrt(0.25 * (cc - ss) ** 2 + cs**2)
    return np.asarray(least >= _OWN_SHARE * count)


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The rates ``number / size`` per point of an even sweep, and what the search needs there, by Fourier transforms.

    `used` are the points (0-based, of the whole sweep) that the search has. `held` (k, m) are the transforms of the
    columns that may vary freely; `square` (3, m) the sums of squares of cosine and sine and of their product that
    those columns leave.
    """

    used: NDArray[np.intp]
    number: NDArray[np.intp]
    size: int
    mask: NDArray[np.complex128]
    held: NDArray[np.complex128]
    square: FloatArray

    @classmethod
    def of(cls, used: NDArray[np.intp], number: NDArray[np.intp], size: int, known: FloatArray) -> Grid:
        """Prepare the grid of a sweep."""
        place = np.zeros(size)
        place[used] = 1.0
        half = np.fft.rfft(place)
        mask = np.concatenate((half, np.conj(half[1 : size - half.size + 1][::-1])))
        twice = mask[(2 * number) % size]
        square = 0.5 * np.stack((used.size + twice.real, used.size - twice.real, -twice.imag))
        return cls(used, number, size, mask, np.empty((0, number.size), complex), square).with_more(known)

    def with_more(self, columns: FloatArray) -> Grid:
        """Return the grid with further columns (n, k) taken out, orthonormal to one another and to those before."""
        more = self.lines(columns)
        real, imaginary = more.real, more.imag
        taken = np.stack(((real**2).sum(axis=0), (imaginary**2).sum(axis=0), -(real * imaginary).sum(axis=0)))
        held = np.concatenate((self.held, more)) if self.held.size else more
        return replace(self, held=held, square=self.square - taken)

    def lines(self, columns: FloatArray) -> NDArray[np.complex128]:
        """Return the transforms of columns (n, k), given at the used points, at the rates of the grid, shape (k, m)."""
        full = np.zeros((columns.shape[1], self.size))
        full[:, self.used] = columns.T
        return np.asarray(np.fft.rfft(full, axis=1)[:, self.number])

    def _own(self, k: int) -> tuple[NDArray[np.complex128], FloatArray]:
        """Return the transforms (2, m) of cosine and sine of the rate `k` as the known columns leave them.

        Both are sums of two lines of the mask's transform; what the known columns take of them goes by their own
        transforms. With them comes the inverse of their two by two sums of squares.
        """
        at = self.number[k]
        below, above = self.mask[(self.number - at) % self.size], self.mask[(self.number + at) % self.size]
        plain = np.stack((0.5 * (below + above), 0.5j * (above - below)))
        # what the known columns hold of cosine and sine is their transform at that rate, real and imaginary part
        held = np.stack((self.held[:, k].real, -self.held[:, k].imag))
        cc, ss, cs = self.square[:, k]
        det = cc * ss - cs * cs
        return plain - held @ self.held, np.array([[ss, -cs], [-cs, cc]]) / det

    def gains(self, line: NDArray[np.complex128]) -> FloatArray:
        """Return what `gains_at` does at every rate, shape (m,), from the transform `line` of what is left."""
        return self._gains(line, self.square)

    def gains_without(self, line: NDArray[np.complex128], k: int) -> FloatArray:
        """Return the gains with cosine and sine of the rate `k` taken out as well."""
        own, inverse = self._own(k)
        c, s = own.real, -own.imag
        held_c, held_s = inverse @ c, inverse @ s
        taken = np.stack(((held_c * c).sum(axis=0), (held_s * s).sum(axis=0), (held_c * s).sum(axis=0)))
        levels = np.array([line[k].real, -line[k].imag])
        return self._gains(line - (inverse @ levels) @ own, self.square - taken)

    def _gains(self, line: NDArray[np.complex128], square: FloatArray) -> FloatArray:
        cc, ss, cs = square
        yc, ys = line.real, -line.imag
        a, b = _amplitudes(cc, ss, cs, yc, ys)
        return np.where(_told(cc, ss, cs, self.used.size), a * yc + b * ys, 0.0)


def columns_of(f: FloatArray, rate: float) -> FloatArray:
    """Return cosine and sine of a rate (cycles per hertz), shape (n, 2)."""
    phase = 2.0 * math.pi * rate * (f - f.mean())
    return np.column_stack([np.cos(phase), np.sin(phase)])
