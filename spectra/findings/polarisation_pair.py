"""Two ports, one satellite: which carriers belong to which port, and how far each is down on the other.

A carrier belongs to the port whose polarisation the table lists it on; where the table is silent, to the port where it
is ten decibels stronger. Its leak is looked for with its own shape at its own place on the other port, so that a leak
under the floor still gives an estimate, of either sign, and an honest bound. What belongs to the other port is masked.
Strengths are over the port's own noise density, which takes the gain difference of the ports out as far as both are
equally noisy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from spectra.findings.polarisation_levels import Levels, Shape, apart_from, fit_levels, floor_ratio
from spectra.units import DB_PER_NEPER, FloatArray

if TYPE_CHECKING:
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import LoState

__all__ = ["SEEN", "CarrierIsolation", "Home", "ListedShape", "Port", "PortPair", "compare_ports", "shape_of"]

Home = Literal["reference", "other"]

SEEN = 3.0
"""Standard uncertainties from which on a leak is a number; below it is a bound. Noise alone passes once in 740."""

_ONE_SIDED_95 = 1.645  # quantile of the normal law
_LEAST_UPPER = 0.5  # an estimate far below zero must not make a bound better than the noise allows
_REUSE_DB = 10.0  # nearer than this in strength, an unlisted twin may be a carrier of its own (common practice)
_OUTLIER_DB = 8.0
_PART_OF_LEAK = 0.3


@dataclass(frozen=True, slots=True)
class ListedShape:
    """A row of the table as one port should show it; `absent` where the roll call missed it."""

    shape: Shape
    absent: bool = False


@dataclass(frozen=True, slots=True)
class Port:
    """One port's sweep with what is known of it. `listed` is None where no table tells."""

    measurement: Measurement
    state: LoState | None = None
    polarisation: str | None = None
    listed: tuple[ListedShape, ...] | None = None


@dataclass(frozen=True, slots=True)
class CarrierIsolation:
    """One carrier on both ports.

    Attributes
    ----------
    home : {'reference', 'other'}
        The port it belongs to.
    shape, leak_shape : Shape
        As the home port and the other one show it.
    cn0_hz, cn0_std_hz : float
        Power over noise density on the home port.
    leak_hz, leak_std_hz : float or None
        The same on the other port, unbiased (possibly negative); None where it cannot be looked for.
    isolation_db, isolation_std_db : float or None
        Home minus other, gain difference taken out; None where the leak is not seen.
    lower_bound_db : float or None
        95 % lower bound, where the leak is not seen.
    counts : bool
        Whether it says something of the feed (no frequency reuse, not hidden).
    """

    home: Home
    shape: Shape
    leak_shape: Shape
    cn0_hz: float
    cn0_std_hz: float
    leak_hz: float | None
    leak_std_hz: float | None
    isolation_db: float | None
    isolation_std_db: float | None
    lower_bound_db: float | None
    counts: bool
    listed: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class PortPair:
    """Result of one pair: carriers by frequency, and the port gain difference (other minus reference) by floors."""

    reference: Port
    other: Port
    carriers: tuple[CarrierIsolation, ...]
    gain_db: float
    gain_std_db: float


def shape_of(carrier: Carrier) -> Shape:
    """Return the shape of a measured carrier."""
    if carrier.kind in ("cw", "unresolved"):
        return Shape(carrier.centre_hz, None)
    rate = carrier.symbol_rate_bd or carrier.occupied_bandwidth_hz or carrier.x_db_bandwidth_hz
    roll_off = 0.2 if carrier.roll_off is None else float(np.clip(carrier.roll_off, 0.0, 0.6))
    return Shape(carrier.centre_hz, rate, roll_off)


def _alike(a: Shape, b: Shape, rbw_hz: float) -> bool:
    """Say whether two shapes can be one carrier."""
    width = max(2.0 * a.half_width_hz, 2.0 * b.half_width_hz, rbw_hz)
    if abs(a.centre_hz - b.centre_hz) > max(0.12 * width, 1.5 * rbw_hz):
        return False
    ra, rb = a.symbol_rate_bd or rbw_hz, b.symbol_rate_bd or rbw_hz
    return max(ra, rb) < 1.35 * min(ra, rb) or max(ra, rb) < 1.5 * rbw_hz


def _moved(shape: Shape, source: Port, target: Port) -> Shape:
    """Return a shape at the IF where another port's LO puts it."""
    if source.state is None or target.state is None or source.state == target.state:
        return shape
    rf = source.state.rf_from_if(shape.centre_hz)
    return replace(shape, centre_hz=float(target.state.if_from_rf(rf)))


@dataclass(frozen=True, slots=True)
class _Owned:
    shape: Shape
    listed: bool
    cn0_hz: float


def _carried(port: Port) -> list[_Owned]:
    """Return what a port shows: listed rows (their shape is better known than a fit's), then the rest as measured."""
    measured = [(shape_of(c), c) for c in port.measurement.carriers]
    sweep = port.measurement.sweep
    rbw = sweep.settings.rbw_hz or sweep.spacing_hz
    found: list[_Owned] = []
    taken: set[int] = set()
    for entry in port.listed or ():
        shape = entry.shape
        if entry.absent or not sweep.start_hz < shape.centre_hz < sweep.stop_hz:
            continue
        mine = [k for k, (other, _) in enumerate(measured) if k not in taken and _alike(shape, other, rbw)]
        inside = [
            k
            for k, (other, _) in enumerate(measured)
            if k not in taken
            and shape.symbol_rate_bd is not None
            and abs(other.centre_hz - shape.centre_hz) < shape.half_width_hz
            and other.half_width_hz < 1.3 * shape.half_width_hz
            and other.symbol_rate_bd is not None
        ]
        if mine:
            best = min(mine, key=lambda k: abs(measured[k][0].centre_hz - shape.centre_hz))
            shape = replace(shape, centre_hz=measured[best][0].centre_hz)
            taken.add(best)
        taken.update(inside)
        found.append(_Owned(shape, True, 0.0))
    found += [_Owned(s, False, _cn0(c)) for k, (s, c) in enumerate(measured) if k not in taken]
    return found


def _cn0(carrier: Carrier) -> float:
    if carrier.cn0_dbhz is not None:
        return float(10.0 ** (carrier.cn0_dbhz / 10.0))
    return (
        0.0
        if carrier.cn_lower_bound_db is None
        else float(10.0 ** (carrier.cn_lower_bound_db / 10.0)) * carrier.width_hz
    )


def _strengths(port: Port, owned: Sequence[_Owned]) -> Levels:
    shapes = [one.shape for one in owned]
    return fit_levels(port.measurement, shapes)


def compare_ports(reference: Port, other: Port) -> PortPair:
    """Return the isolation of every carrier that either port shows.

    Parameters
    ----------
    reference, other : Port
        Co-polar and cross-polar port, swept one soon after the other.
    """
    gain, gain_std = floor_ratio(reference.measurement, other.measurement)
    sides: dict[Home, list[_Owned]] = {"reference": _seen(reference), "other": _seen(other)}
    sides, twins = _assign(sides, reference, other)
    found = _isolations("reference", sides["reference"], sides["other"], reference, other)
    found += _isolations("other", sides["other"], sides["reference"], other, reference)
    found = [_judged(one, twins) for one in found]
    return PortPair(reference, other, tuple(_without_outliers(sorted(found, key=_place))), gain, gain_std)


def _place(one: CarrierIsolation) -> float:
    return one.shape.centre_hz if one.home == "reference" else one.leak_shape.centre_hz


def _seen(port: Port) -> list[_Owned]:
    """Return what a port carries with its strength there; listed rows stay even where they are too weak to see."""
    owned = _carried(port)
    if not owned:
        return []
    levels = _strengths(port, owned)
    return [
        replace(one, cn0_hz=float(levels.cn0[k]) if np.isfinite(levels.cn0[k]) else one.cn0_hz)
        for k, one in enumerate(owned)
        if one.listed or not np.isfinite(levels.cn0[k]) or levels.cn0[k] > 4.0 * levels.std[k]
    ]


def _assign(
    sides: dict[Home, list[_Owned]], reference: Port, other: Port
) -> tuple[dict[Home, list[_Owned]], list[Shape]]:
    """Give every unlisted carrier that both ports show to the port it belongs to.

    Returns the sides, and the places (at the reference's IF) where an unlisted carrier shows on both ports at about the
    same strength: leak or frequency reuse, nobody can tell.
    """
    rbw = max(m.sweep.settings.rbw_hz or m.sweep.spacing_hz for m in (reference.measurement, other.measurement))
    kept: dict[Home, list[_Owned]] = {"reference": [], "other": []}
    unsure: list[Shape] = []
    ports: dict[Home, tuple[Port, Port]] = {"reference": (reference, other), "other": (other, reference)}
    for home, (own, far) in ports.items():
        rivals = [
            (replace(one, shape=_moved(one.shape, far, own)))
            for one in sides["other" if home == "reference" else "reference"]
        ]
        for one in sides[home]:
            if one.listed:
                kept[home].append(one)
                continue
            stronger = [r for r in rivals if _covers(r.shape, one.shape, rbw) and _density(r) > _density(one)]
            if any(
                r.listed and (_density(r) > _density(one) or _alike(r.shape, one.shape, rbw))
                for r in rivals
                if _covers(r.shape, one.shape, rbw)
            ):
                continue  # the table knows it on the other port only: a leak, however strong (ports may be swapped)
            if any(_density(r) >= _density(one) * 10.0 ** (_REUSE_DB / 10.0) for r in stronger):
                continue  # the leak of an unlisted one
            within = [r for r in rivals if r.shape.symbol_rate_bd is not None and one.shape.overlaps(r.shape)]
            if len(within) > 1 and all(_density(r) >= _density(one) * 10.0 ** (_REUSE_DB / 10.0) for r in within):
                continue  # several leaks taken for one wide carrier
            if any(
                _alike(r.shape, one.shape, rbw)
                and not r.listed
                and _density(r) * 10.0 ** (_REUSE_DB / 10.0) > _density(one)
                for r in rivals
            ):
                unsure.append(one.shape if home == "reference" else _moved(one.shape, own, far))
            kept[home].append(one)
    return kept, unsure


def _density(one: _Owned) -> float:
    return one.cn0_hz / (one.shape.symbol_rate_bd or 1.0)


def _covers(large: Shape, small: Shape, rbw_hz: float) -> bool:
    """Say whether a carrier can be (part of) the leak of another."""
    if _alike(large, small, rbw_hz):
        return True
    if large.symbol_rate_bd is None or small.symbol_rate_bd is None:
        return False
    inside = abs(large.centre_hz - small.centre_hz) + small.half_width_hz < 1.15 * large.half_width_hz + rbw_hz
    return inside and small.symbol_rate_bd > _PART_OF_LEAK * large.symbol_rate_bd


def _isolations(
    home: Home, own: Sequence[_Owned], far: Sequence[_Owned], port: Port, target: Port
) -> list[CarrierIsolation]:
    """Look for the leak of every carrier of a port on the other one."""
    sweep = target.measurement.sweep
    here: list[tuple[_Owned, Shape]] = []
    for one in own:
        moved = _moved(one.shape, port, target)
        if sweep.start_hz < moved.centre_hz < sweep.stop_hz:
            here.append((one, _nudged(moved, target, far)))
    if not here:
        return []
    mine = [one.shape for one, _ in here]
    beside = [_moved(one.shape, target, port) for one in far]
    beside = apart_from(beside, mine)
    levels = fit_levels(port.measurement, [*mine, *beside])
    masks = [one.shape for one in far]
    floor_dbm, floor_std = _floor_on(port.measurement, target)
    leaks = fit_levels(
        target.measurement, [shape for _, shape in here], masks, floor_dbm=floor_dbm, floor_std_db=floor_std
    )
    found = []
    for k, (one, shape) in enumerate(here):
        strong = float(levels.cn0[k]), float(levels.std[k])
        if not np.isfinite(strong[0]):
            continue
        seen_somewhere = strong[0] > 4.0 * strong[1] or (
            np.isfinite(leaks.cn0[k]) and leaks.cn0[k] > 4.0 * leaks.std[k]
        )
        if not seen_somewhere:
            continue  # a listed row that neither port shows
        found.append(_isolation(home, one, shape, strong, leaks, k))
    return found


def _nudged(shape: Shape, target: Port, far: Sequence[_Owned]) -> Shape:
    """Return a narrow carrier's leak at the place where the target's sweep shows it, if it does."""
    sweep = target.measurement.sweep
    rbw = sweep.settings.rbw_hz or sweep.spacing_hz
    if shape.symbol_rate_bd is not None and shape.symbol_rate_bd > 5.0 * rbw:
        return shape
    seen = [shape_of(c) for c in target.measurement.carriers]
    near = [s for s in seen if _alike(s, shape, rbw) and not any(_alike(s, one.shape, rbw) for one in far)]
    if not near:
        return shape
    return replace(shape, centre_hz=min((s.centre_hz for s in near), key=lambda c: abs(c - shape.centre_hz)))


def _floor_on(source: Measurement, target: Port) -> tuple[FloatArray, FloatArray] | tuple[None, None]:
    """Return the floor of the home port on the target's axis: under its own carriers no leak has lifted it."""
    sweep, floor = source.sweep, source.floor
    f = target.measurement.sweep.frequency_hz
    outside = (f < sweep.start_hz) | (f > sweep.stop_hz)
    if outside.mean() > 0.3:
        return None, None
    rbw = (target.measurement.sweep.settings.rbw_hz or 1.0) / (sweep.settings.rbw_hz or 1.0)
    level = np.interp(f, sweep.frequency_hz, floor.level_dbm) + 10.0 * math.log10(rbw)
    level += float(np.median(target.measurement.floor.level_dbm - level))
    return level, np.interp(f, sweep.frequency_hz, floor.std_db)


def _isolation(
    home: Home, one: _Owned, shape: Shape, strong: tuple[float, float], leaks: Levels, k: int
) -> CarrierIsolation:
    leak, std = float(leaks.cn0[k]), float(leaks.std[k])
    base = CarrierIsolation(
        home, one.shape, shape, strong[0], strong[1], None, None, None, None, None, False, one.listed
    )
    if not np.isfinite(leak) or not std > 0.0:
        return replace(base, why="hidden on the other port by a carrier of the other polarisation")
    found = replace(base, leak_hz=leak, leak_std_hz=std, counts=True)
    if strong[0] <= 4.0 * strong[1]:
        # it belongs here by the table and is only seen there: how far down it is at least on its own port
        return replace(
            found,
            isolation_db=_db(max(strong[0], strong[1]) / leak),
            isolation_std_db=_ratio_std(strong, leak, std),
            why="seen on the port it does not belong to",
        )
    if leak > SEEN * std:
        return replace(found, isolation_db=_db(strong[0] / leak), isolation_std_db=_ratio_std(strong, leak, std))
    upper = max(leak + _ONE_SIDED_95 * std, _LEAST_UPPER * std)
    why = "the leak lies under the floor: a bound"
    if leak < -SEEN * std:  # more is missing than noise explains: the floor there is not what was taken
        upper, why = abs(leak) + _ONE_SIDED_95 * std, "the floor under the leak is not understood: a wide bound"
    return replace(found, lower_bound_db=_db(strong[0] / upper), why=why)


def _ratio_std(strong: tuple[float, float], leak: float, std: float) -> float:
    return DB_PER_NEPER * math.hypot(strong[1] / max(strong[0], strong[1]), std / leak)


def _db(ratio: float) -> float:
    return 10.0 * math.log10(ratio)


def _judged(one: CarrierIsolation, unsure: Sequence[Shape]) -> CarrierIsolation:
    """Take out what may be frequency reuse."""
    at = one.shape if one.home == "reference" else one.leak_shape
    if not one.listed and any(abs(at.centre_hz - s.centre_hz) <= 0.2 * max(s.half_width_hz, 1.0) for s in unsure):
        return replace(
            one,
            isolation_db=None,
            isolation_std_db=None,
            lower_bound_db=None,
            counts=False,
            why="about as strong on both ports and not in the table: a leak, or one carrier on each",
        )
    return one


def _without_outliers(found: Sequence[CarrierIsolation]) -> list[CarrierIsolation]:
    """Do not count a carrier whose 'leak' is far stronger than everybody else's: it will be one of its own."""
    told = [one.isolation_db if one.isolation_db is not None else one.lower_bound_db for one in found if one.counts]
    values = [value for value in told if value is not None]
    if len(values) < 3:
        return list(found)
    middle = float(np.median(values))
    kept = []
    for one in found:
        value = one.isolation_db
        std = one.isolation_std_db or 0.0
        if one.counts and value is not None and value < _REUSE_DB and value + 3.0 * std < middle - _OUTLIER_DB:
            kept.append(
                replace(
                    one, counts=False, why=f"{middle - value:.0f} dB worse than the rest: probably one of its own there"
                )
            )
        else:
            kept.append(one)
    return kept
