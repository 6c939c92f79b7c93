"""Functions of one number, compiled, that numba's library of mathematics does not have."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeVar, cast

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["Flags", "Index", "compiled", "exp1", "gamma_slopes", "summing"]

Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

_F = TypeVar("_F", bound=Callable[..., object])


def compiled(function: _F) -> _F:
    """Return a function compiled when it is first called; what comes of it is kept on disk."""
    return _kept(function, {"contract"})


def summing(function: _F) -> _F:
    """Return a function compiled as `compiled` does, its sums in whatever order the processor takes several at once."""
    return _kept(function, {"contract", "reassoc"})


def _kept(function: _F, freedom: set[str]) -> _F:
    try:
        return cast(_F, njit(cache=True, error_model="numpy", fastmath=freedom)(function))
    except RuntimeError as error:  # no folder may be written to: every process would compile for half a minute
        raise ImportError("compiled loops cannot be kept on disk") from error


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
