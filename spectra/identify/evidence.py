"""What the sweeps show, gathered into groups that must be explained by one hypothesis each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, log
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from spectra.capture import Context
from spectra.errors import IdentificationError
from spectra.identify.prepared import KIND_CW, KIND_MODULATED, KIND_UNKNOWN
from spectra.measure.measurement import Carrier, Measurement
from spectra.units import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Group", "View", "gather"]

# 99 % occupied bandwidth over symbol rate for roll-offs 0.05 to 0.35 is 1.00 to 1.17 (derived from the raised cosine)
_OCCUPIED_PER_RATE, _OCCUPIED_SPREAD = 1.075, 0.05
_SYSTEMATIC_WIDTH = 0.003  # part of the width by which slopes and ripple may pull a centre (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """What one sweep could have shown."""

    sweep: int
    start_hz: float
    stop_hz: float
    rbw_hz: float
    spacing_hz: float
    readings: float
    cn_median_db: float
    cn_spread_db: float


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Carriers of all sweeps taken in one setting (port, LO state), each carrier once, by rising frequency.

    `members` holds for each carrier the ``(sweep, index)`` at which it was measured.
    """

    port: str | None
    lo_state: str | None
    views: tuple[View, ...]
    members: tuple[tuple[tuple[int, int], ...], ...]
    carriers: tuple[Carrier, ...]
    if_hz: FloatArray
    std_hz: FloatArray
    log_rate: FloatArray
    log_rate_std: FloatArray
    width_hz: FloatArray
    roll_off: FloatArray
    roll_off_std: FloatArray
    kind: NDArray[np.int8]
    unresolved: NDArray[np.bool_]

    @property
    def count(self) -> int:
        """Number of carriers."""
        return int(self.if_hz.size)

    @property
    def span_hz(self) -> float:
        """Width of the union of the views."""
        edges = sorted((view.start_hz, view.stop_hz) for view in self.views)
        total, reach = 0.0, -np.inf
        for start, stop in edges:
            total += max(0.0, stop - max(start, reach))
            reach = max(reach, stop)
        return total


def gather(
    measurements: Sequence[Measurement], contexts: Sequence[Context | None], lo_state: str | None
) -> tuple[Group, ...]:
    """Sort the sweeps into groups by port and LO state.

    Sweeps of one setting whose spans mostly coincide and that show different carriers cannot be segments of one span:
    they stay groups of their own, so that each may have its own polarisation.

    Raises
    ------
    IdentificationError
        If there is no sweep, or contexts and sweeps do not go together.
    """
    if not measurements:
        raise IdentificationError("evidence", None, "no sweep", "one Measurement or more", "Give at least one sweep.")
    if len(contexts) != len(measurements):
        raise IdentificationError(
            "context",
            None,
            f"{len(contexts)} contexts for {len(measurements)} sweeps",
            "one context, or one for each sweep",
            "Give as many contexts as sweeps.",
        )
    settings: dict[tuple[str | None, str | None, int], list[int]] = {}
    for index, (measurement, context) in enumerate(zip(measurements, contexts, strict=True)):
        port = context.port if context is not None else None
        state = (context.lo_state if context is not None else None) or lo_state
        copy = 0
        while _clashes(measurement, [measurements[i] for i in settings.get((port, state, copy), [])]):
            copy += 1
        settings.setdefault((port, state, copy), []).append(index)
    groups = [
        _group(port, state, [(index, measurements[index]) for index in indices])
        for (port, state, _), indices in settings.items()
    ]
    # the answer speaks of the first group: the co-polar port where there is one
    return tuple(sorted(groups, key=lambda group: group.port == "cross"))


def _clashes(measurement: Measurement, others: list[Measurement]) -> bool:
    """Say whether a sweep covers the span of another yet shows something else."""
    sweep = measurement.sweep
    for other in others:
        low, high = max(sweep.start_hz, other.sweep.start_hz), min(sweep.stop_hz, other.sweep.stop_hz)
        shorter = min(sweep.stop_hz - sweep.start_hz, other.sweep.stop_hz - other.sweep.start_hz)
        if high - low < 0.5 * shorter:
            continue
        mine = [c for c in measurement.carriers if low <= c.centre_hz <= high]
        theirs = np.array([c.centre_hz for c in other.carriers if low <= c.centre_hz <= high])
        if not mine or not theirs.size:
            if len(mine) + theirs.size >= 3:
                return True
            continue
        tolerance = max(_rbw(measurement), _rbw(other))
        shared = sum(np.abs(theirs - c.centre_hz).min() <= max(tolerance, 0.2 * c.width_hz) for c in mine)
        if shared < 0.5 * min(len(mine), theirs.size):
            return True
    return False


def _rbw(measurement: Measurement) -> float:
    return measurement.sweep.settings.rbw_hz or 2.0 * measurement.sweep.spacing_hz


def _view(index: int, measurement: Measurement) -> View:
    cn = [c.cn_db for c in measurement.carriers if c.cn_db is not None]
    enough = len(cn) >= 3
    middle = median(cn) if enough else 10.0
    spread = 1.48 * median([abs(each - middle) for each in cn]) if enough else 4.0
    return View(
        sweep=index,
        start_hz=measurement.sweep.start_hz,
        stop_hz=measurement.sweep.stop_hz,
        rbw_hz=_rbw(measurement),
        spacing_hz=measurement.sweep.spacing_hz,
        readings=max(1.0, (measurement.readings_per_point or 10.0) / max(1.0, measurement.correlated_points)),
        # with few carriers a C/N of 10 +- 4 dB is taken, as marine terminals show (common practice, no source)
        cn_median_db=middle,
        cn_spread_db=min(max(spread, 2.5), 6.0),
    )


def _centre_std(carrier: Carrier, rbw_hz: float) -> float:
    width = carrier.width_hz or rbw_hz
    std = carrier.centre_std_hz if carrier.centre_std_hz else max(0.5 * rbw_hz, 0.05 * width)
    std = hypot(std, _SYSTEMATIC_WIDTH * width)
    if "cut_by_span" in carrier.flags:
        std = max(std, 0.3 * width)
    if carrier.kind == "other":
        std = max(std, 0.02 * width)
    return std


def _rate(carrier: Carrier) -> tuple[float, float]:
    """Log symbol rate and its standard deviation, from rate or occupied bandwidth; NaN where neither tells."""
    if carrier.kind == "cw" or "cut_by_span" in carrier.flags:
        return np.nan, np.nan
    if carrier.symbol_rate_bd:
        std = (carrier.symbol_rate_std_bd or 0.05 * carrier.symbol_rate_bd) / carrier.symbol_rate_bd
        return log(carrier.symbol_rate_bd), min(max(std, 0.002), 1.0)
    if carrier.occupied_bandwidth_hz and carrier.kind != "unresolved":
        width = carrier.occupied_bandwidth_hz
        std = (carrier.occupied_bandwidth_std_hz or 0.1 * width) / width
        return log(width / _OCCUPIED_PER_RATE), min(max(hypot(std, _OCCUPIED_SPREAD), 0.01), 1.0)
    return np.nan, np.nan


def _group(port: str | None, state: str | None, sweeps: list[tuple[int, Measurement]]) -> Group:
    found = [
        (carrier, index, number, _centre_std(carrier, _rbw(measurement)))
        for index, measurement in sweeps
        for number, carrier in enumerate(measurement.carriers)
    ]
    found.sort(key=lambda each: (each[0].centre_hz, each[1], each[2]))
    pieces = {(index, number): whole for _, index, number, _ in found if (whole := _whole_of(index, number, sweeps))}
    found = [item for item in found if (item[1], item[2]) not in pieces]
    merged: list[list[tuple[Carrier, int, int, float]]] = []
    for item in found:
        last = merged[-1] if merged else None
        if last is not None and item[1] not in {i for _, i, _, _ in last} and _same(last[-1], item):
            last.append(item)
        else:
            merged.append([item])
    best = [min(each, key=lambda item: item[3]) for each in merged]
    weight = [[1.0 / std**2 for *_, std in each] for each in merged]
    rates = np.array([_rate(carrier) for carrier, *_ in best]).reshape(-1, 2)
    carriers = tuple(carrier for carrier, *_ in best)

    def column(name: str) -> FloatArray:
        return np.array([np.nan if (v := getattr(c, name)) is None else v for c in carriers], dtype=np.float64)

    kinds = {"cw": KIND_CW, "modulated": KIND_MODULATED, "other": KIND_MODULATED, "unresolved": KIND_UNKNOWN}
    return Group(
        port=port,
        lo_state=state,
        views=tuple(_view(index, measurement) for index, measurement in sweeps),
        members=tuple(
            (*mine, *(piece for piece, whole in pieces.items() if whole in mine))
            for mine in (tuple((index, number) for _, index, number, _ in each) for each in merged)
        ),
        carriers=carriers,
        if_hz=np.array(
            [
                sum(w * c.centre_hz for (c, *_), w in zip(each, own, strict=True)) / sum(own)
                for each, own in zip(merged, weight, strict=True)
            ],
            dtype=np.float64,
        ),
        std_hz=np.array([sum(own) ** -0.5 for own in weight], dtype=np.float64),
        log_rate=rates[:, 0],
        log_rate_std=rates[:, 1],
        width_hz=np.array([c.width_hz for c in carriers], dtype=np.float64),
        roll_off=column("roll_off"),
        roll_off_std=column("roll_off_std"),
        kind=np.array([kinds[c.kind] for c in carriers], dtype=np.int8),
        unresolved=np.array([c.kind == "unresolved" for c in carriers], dtype=bool),
    )


def _whole_of(index: int, number: int, sweeps: list[tuple[int, Measurement]]) -> tuple[int, int] | None:
    """Return the carrier, whole in another sweep, of which the end of this sweep shows a piece; None where none is.

    The piece tells nothing that the whole carrier does not, and its centre and width are those of the cut.
    """
    measurement = next(each for i, each in sweeps if i == index)
    piece = measurement.carriers[number]
    if "cut_by_span" not in piece.flags:
        return None
    start, stop = measurement.sweep.start_hz, measurement.sweep.stop_hz
    place = min(max(piece.centre_hz, start), stop)  # its width is not known
    edge = start if place - start < stop - place else stop
    low, high = min(place, edge), max(place, edge)
    for other, each in sweeps:
        if other == index or not each.sweep.start_hz < edge < each.sweep.stop_hz:
            continue
        for k, carrier in enumerate(each.carriers):
            half = 0.55 * carrier.width_hz + _rbw(each)
            if (
                "cut_by_span" not in carrier.flags
                and carrier.centre_hz - half < low
                and high < carrier.centre_hz + half
            ):
                return other, k
    return None


def _same(one: tuple[Carrier, int, int, float], other: tuple[Carrier, int, int, float]) -> bool:
    """Say whether two sweeps measured one carrier."""
    apart = abs(one[0].centre_hz - other[0].centre_hz)
    if apart > max(4.0 * float(np.hypot(one[3], other[3])), 0.1 * min(one[0].width_hz, other[0].width_hz)):
        return False
    widths = sorted((one[0].width_hz, other[0].width_hz))
    cut = "cut_by_span" in one[0].flags + other[0].flags
    return cut or widths[0] == 0.0 or widths[1] / widths[0] < 1.6
