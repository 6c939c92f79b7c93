"""The curves of a measurement, small enough to be kept with its result: floor, its uncertainty, the fit.

Levels are kept to a hundredth of a decibel, below what any analyser resolves, as differences from point to point.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from spectra.measure.measurement import Measurement

__all__ = ["curves_of", "floor_of"]

_LEVEL = 4
"""Of zlib: half the time of the usual one, a twentieth more (sweeps of 1001 points)."""
_STEP_DB = 0.01
_STEP_STD_DB = 0.0001


def curves_of(measurement: Measurement) -> dict[str, Any]:
    """Return floor, its standard uncertainty, where it is seen, the fit, and how far the noise of points is shared."""
    floor = measurement.floor
    return {
        "points": int(floor.level_dbm.size),
        "correlated_points": float(measurement.correlated_points),
        "floor": _packed(floor.level_dbm, _STEP_DB),
        "floor_std": _packed(floor.std_db, _STEP_STD_DB),
        "observed": _text(np.packbits(np.asarray(floor.observed, bool)).tobytes()),
        "model": _packed(measurement.model_dbm - floor.level_dbm, _STEP_DB),
    }


def floor_of(curves: Mapping[str, Any]) -> tuple[FloatArray, FloatArray, NDArray[np.bool_], FloatArray]:
    """Return floor in dBm, its standard uncertainty in dB, where it is seen, and the fit in dBm, each of shape (n,).

    Raises
    ------
    ValueError
        If they are not what `curves_of` wrote.
    """
    points = int(curves["points"])
    level = _unpacked(curves["floor"], _STEP_DB, points)
    std = _unpacked(curves["floor_std"], _STEP_STD_DB, points)
    bits = np.frombuffer(_bytes(curves["observed"]), dtype=np.uint8)
    observed = np.unpackbits(bits, count=points).astype(bool)
    return level, std, observed, level + _unpacked(curves["model"], _STEP_DB, points)


def _packed(values: FloatArray, step: float) -> str:
    steps = np.rint(values / step)
    if not np.isfinite(steps).all():
        steps = np.nan_to_num(steps)  # what is not finite cannot be kept; a floor that far down is no floor
    whole = np.clip(steps, -(2**30), 2**30).astype("<i4")
    whole[1:] -= whole[:-1].copy()
    return _text(whole.tobytes())


def _unpacked(text: str, step: float, points: int) -> FloatArray:
    steps = np.frombuffer(_bytes(text), dtype="<i4")
    if steps.size != points:
        raise ValueError(f"{steps.size} points where {points} belong")
    return np.asarray(np.cumsum(steps, dtype=np.int64) * step, float)


def _text(data: bytes) -> str:
    return base64.b85encode(zlib.compress(data, _LEVEL)).decode("ascii")


def _bytes(text: str) -> bytes:
    return zlib.decompress(base64.b85decode(text))
