"""The analyser's own noise, taken off as power."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from spectra.errors import MeasurementError
from spectra.finding import Evidence, Finding, Subjects, step
from spectra.measure.measurement import Carrier, Floor, Measurement
from spectra.units import DB_PER_NEPER, FloatArray

__all__ = ["without_analyser_noise"]

_MOST_SHARE = 0.95  # of the floor, beyond which nothing is left that could be told


def without_analyser_noise(measurement: Measurement, analyser: Measurement) -> Measurement:
    """Return the measurement with the analyser's own noise subtracted from floor and C/N.

    Parameters
    ----------
    measurement : Measurement
        Of the receive line.
    analyser : Measurement
        Of the same analyser at the same reference level and attenuation with a termination at its input (capture role
        ``analyser_floor``). Another RBW is scaled by the filters' widths.

    Raises
    ------
    MeasurementError
        If the two spans do not overlap, or the RBWs differ and one is not known.

    Notes
    -----
    Powers add: with s the analyser's share of the floor F, the line's floor is F (1 - s) and C/N rises by
    -10 log10(1 - s). Standard uncertainties by the law of propagation (JCGM 100 clause 5, from memory): that of the
    floor grows to sqrt(u(F)^2 + s^2 u(A)^2) / (1 - s). Where hardly anything is left, C/N is only bounded from below.
    Powers and widths of carriers stay. What the analyser's noise contributes to the readings' scatter stays too.
    """
    own_dbm, own_std = _own_noise(measurement, analyser)
    floor = measurement.floor
    share = 10.0 ** ((own_dbm - floor.level_dbm) / 10.0)
    rest = 1.0 - np.minimum(share, _MOST_SHARE)
    std = np.sqrt(floor.std_db**2 + (share * own_std) ** 2) / rest
    told = share + 2.0 * share * np.hypot(floor.std_db, own_std) / DB_PER_NEPER < _MOST_SHARE
    level = floor.level_dbm + 10.0 * np.log10(rest)
    seen = floor.observed & told
    use = seen if seen.any() else np.ones(seen.shape, dtype=bool)
    shift = float(np.median(level[use])) - floor.median_dbm
    quieter = Floor(
        floor.median_dbm + shift,
        None if floor.density_dbm_hz is None else floor.density_dbm_hz + shift,
        None
        if floor.density_std_db is None
        else math.hypot(floor.density_std_db, float(np.median(std[use])) - float(np.median(floor.std_db[use]))),
        float(level[-1] - level[0]),
        level,
        std,
        seen,
    )
    at = np.clip(
        np.searchsorted(measurement.sweep.frequency_hz, [c.centre_hz for c in measurement.carriers]), 0, share.size - 1
    )
    carriers = tuple(
        _over(carrier, float(share[i]), float(floor.std_db[i]), float(own_std[i]), bool(told[i]))
        for carrier, i in zip(measurement.carriers, at, strict=True)
    )
    return replace(
        measurement,
        floor=quieter,
        carriers=carriers,
        findings=(*measurement.findings, _finding(measurement, analyser, share, told)),
        analyser_noise={
            "file": analyser.sweep.origin.file,
            "share_median": float(np.median(share)),
            "cn_raised_db": float(-10.0 * np.log10(np.median(rest))),
        },
    )


def _own_noise(measurement: Measurement, analyser: Measurement) -> tuple[FloatArray, FloatArray]:
    """Return the analyser's noise and its std at the points of the measurement, in its RBW."""
    here, there = measurement.sweep, analyser.sweep
    rbw, own_rbw = here.settings.rbw_hz, there.settings.rbw_hz
    if rbw != own_rbw and (rbw is None or own_rbw is None):
        raise MeasurementError(
            there.origin.file, None, "an RBW known in one of the two sweeps only", "both RBWs", "State it (--rbw)."
        )
    if there.stop_hz < here.start_hz or there.start_hz > here.stop_hz:
        raise MeasurementError(
            there.origin.file,
            None,
            f"{there.start_hz / 1e6:.6g} to {there.stop_hz / 1e6:.6g} MHz",
            f"some of {here.start_hz / 1e6:.6g} to {here.stop_hz / 1e6:.6g} MHz",
            "Sweep the analyser alone over the same span.",
        )
    scale = 0.0 if rbw == own_rbw or rbw is None or own_rbw is None else 10.0 * math.log10(rbw / own_rbw)
    level = np.interp(here.frequency_hz, there.frequency_hz, analyser.floor.level_dbm) + scale
    std = np.interp(here.frequency_hz, there.frequency_hz, analyser.floor.std_db)
    if scale != 0.0:  # two filters' noise bandwidths, each within 2 % (common practice; see results)
        std = np.hypot(std, DB_PER_NEPER * math.sqrt(2.0) * 0.02 / math.sqrt(3.0))
    return level, std


def _over(carrier: Carrier, share: float, floor_std: float, own_std: float, told: bool) -> Carrier:
    """Return a carrier over the floor without the analyser's share."""
    if carrier.cn_db is None and carrier.cn0_dbhz is None:
        return carrier
    if not told:
        return replace(
            carrier,
            cn_db=None,
            cn_std_db=None,
            cn_lower_bound_db=None if carrier.cn_db is None else carrier.cn_db - 1.645 * (carrier.cn_std_db or 0.0),
            cn0_dbhz=None,
            cn0_std_db=None,
            es_n0_db=None,
            es_n0_std_db=None,
            flags=tuple(dict.fromkeys((*carrier.flags, "floor_not_seen"))),
            parts=None,
        )
    lift, turn = -10.0 * math.log10(1.0 - share), share / (1.0 - share)

    def wider(std: float | None) -> float | None:
        if std is None:  # an error of the floor lowers C/N and widens the share left over, both the same way
            return None
        return math.sqrt(std**2 + 2.0 * turn * floor_std**2 + turn**2 * (floor_std**2 + own_std**2))

    def lifted(value: float | None) -> float | None:
        return None if value is None else value + lift

    return replace(
        carrier,
        cn_db=lifted(carrier.cn_db),
        cn_std_db=wider(carrier.cn_std_db),
        cn0_dbhz=lifted(carrier.cn0_dbhz),
        cn0_std_db=wider(carrier.cn0_std_db),
        es_n0_db=lifted(carrier.es_n0_db),
        es_n0_std_db=wider(carrier.es_n0_std_db),
    )


def _finding(measurement: Measurement, analyser: Measurement, share: FloatArray, told: np.ndarray) -> Finding:
    middle = float(np.median(share))
    lost = "" if bool(np.all(told)) else " Where next to nothing of the floor is the line's, C/N is only bounded."
    return Finding(
        code="quality.analyser_noise_subtracted",
        severity="note" if bool(np.any(told)) else "warning",
        title=f"The analyser's own noise was {100.0 * min(middle, 1.0):.0f} % of the floor and is taken off",
        explanation=(
            f"Floor and C/N are those of the line without the analyser ({analyser.sweep.origin.file}); powers and "
            f"widths stay as they were.{lost}"
        ),
        evidence=(Evidence("analyser_share", middle, None, "1", _MOST_SHARE),),
        subjects=Subjects(captures=(measurement.sweep.origin.file, analyser.sweep.origin.file)),
        next_steps=(step("Less attenuation or a pre-amplifier lowers the share: sweep both again with the same."),),
    )
