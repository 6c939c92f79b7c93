"""From captures with their contexts, table and chain to ports that can be compared, and the facts for the rules."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.findings.comparison import Pair, Polarisation
from spectra.findings.lookup import widths
from spectra.findings.polarisation import OneState, Pooled, swap_of
from spectra.findings.polarisation_feed import RainContext, Sign
from spectra.findings.polarisation_formulas import axial_ratio_db
from spectra.findings.polarisation_gain import PortGain, port_gain
from spectra.findings.polarisation_levels import Shape
from spectra.findings.polarisation_pair import CarrierIsolation, ListedShape, Port, PortPair, compare_ports
from spectra.findings.polarisation_skew import Skew, Variation, angle_variation, fit_skew, signed_candidates
from spectra.units import DB_PER_NEPER

if TYPE_CHECKING:
    from spectra.capture import Capture, Context
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["OPPOSITE", "listed_shapes", "polarisation_facts", "port_couples", "state_of"]

OPPOSITE = {"H": "V", "V": "H", "L": "R", "R": "L"}
_RAIN_WORDS = ("rain", "drizzle", "shower", "storm", "sleet", "snow", "hail", "squall")


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One capture of a pair with what is known of its port."""

    index: int
    capture: Capture
    measurements: tuple[Measurement, ...]
    state: LoState | None
    polarisation: str | None


def state_of(context: Context, chain: ReceiveChain | None) -> LoState | None:
    """Return the LO state that a capture was taken in, None where that is not told."""
    if chain is None:
        return None
    named = [state for state in chain.lo_states if state.name == context.lo_state]
    if named:
        return named[0]
    return chain.lo_states[0] if len(chain.lo_states) == 1 else None


def port_couples(captures: Sequence[Capture]) -> list[tuple[int, int]]:
    """Return (co, cross) by index: every cross-polar capture with the co-polar one that is nearest in time.

    Without ports in the contexts, captures go two by two in their order, as long as the two differ.
    """
    ports = [capture.context.port for capture in captures]
    if "co" in ports and "cross" in ports:
        co = [k for k, port in enumerate(ports) if port == "co"]
        cross = [k for k, port in enumerate(ports) if port == "cross"]
        used: list[tuple[int, int]] = []
        for k in cross:
            free = [j for j in co if all(j != pair[0] for pair in used)] or co
            used.append((min(free, key=lambda j: (_apart(captures[j], captures[k]), abs(j - k))), k))
        return sorted(used)
    return [(k, k + 1) for k in range(0, len(captures) - 1, 2)]


def _apart(one: Capture, other: Capture) -> float:
    a, b = (c.context.captured_at or (c.sweeps[0].origin.captured_at if c.sweeps else None) for c in (one, other))
    return math.inf if a is None or b is None else abs((a - b).total_seconds())


def listed_shapes(
    table: CarrierTable,
    satellite: str,
    polarisation: str,
    state: LoState,
    *,
    beam: str | None,
    lo_error_hz: float,
    absent: frozenset[int],
) -> tuple[ListedShape, ...]:
    """Return the rows of a satellite and polarisation at the IF where an LO state puts them."""
    rate, roll_off = widths(table)
    text = table.text
    found = []
    received = (table.rf_hz >= state.rf_min_hz) & (table.rf_hz <= state.rf_max_hz)
    here = np.flatnonzero((text["satellite"] == satellite) & (text["polarisation"] == polarisation) & received)
    centres = state.if_from_rf(table.rf_hz[here]) - state.sign * lo_error_hz
    columns = (here, centres, rate[here], roll_off[here], table.line[here])
    for k, centre, own_rate, own_roll_off, line in zip(*(column.tolist() for column in columns), strict=True):
        if beam and text["beam"][k] and text["beam"][k] != beam:
            continue
        known = math.isfinite(own_rate)
        if not known and str(text["kind"][k]).lower() != "cw":
            continue  # the table does not say how wide it is
        shape = Shape(centre, own_rate if known else None, own_roll_off, line)
        found.append(ListedShape(shape, line in absent))
    return tuple(found)


def _sides(
    couple: tuple[int, int],
    captures: Sequence[Capture],
    measurements: Sequence[tuple[Measurement, ...]],
    chain: ReceiveChain | None,
) -> tuple[_Side, _Side]:
    one, other = (_Side(k, captures[k], measurements[k], state_of(captures[k].context, chain), None) for k in couple)
    if _one_state(one, other):
        assert one.state is not None
        other = replace(other, state=_opposite(one.state, chain))
    first = _polarisation(one)
    second = _polarisation(other)
    if other.state is None or other.state.polarisation is None:
        # a wish noted on both captures is that of the carrier wanted, which is the co-polar port's
        second = OPPOSITE.get(first or "") if second in (None, first) else second
    if first is None and second is not None:
        first = OPPOSITE[second]
    return replace(one, polarisation=first), replace(other, polarisation=second)


def _one_state(one: _Side, other: _Side) -> bool:
    """Say whether co-polar and cross-polar port are both said to be in an LO state of one polarisation.

    Nobody means that: the context was copied from one capture to the other.
    """
    ports = {one.capture.context.port, other.capture.context.port}
    if ports != {"co", "cross"} or one.state is None or other.state is None:
        return False
    return one.state.polarisation is not None and one.state.polarisation == other.state.polarisation


def _opposite(state: LoState, chain: ReceiveChain | None) -> LoState:
    """Return the state of the same oscillator for the other polarisation."""
    wanted = OPPOSITE.get(state.polarisation or "")
    there = [
        each
        for each in (chain.lo_states if chain is not None else ())
        if (each.lo_hz, each.injection, each.polarisation) == (state.lo_hz, state.injection, wanted)
    ]
    return there[0] if there else replace(state, polarisation=wanted)


def _polarisation(side: _Side) -> str | None:
    state = side.state
    if state is not None and state.polarisation is not None:
        return state.polarisation
    return side.capture.context.expected_polarisation


def _satellite(
    identification: Identification | None, captures: Sequence[Capture]
) -> tuple[str | None, float, str | None]:
    """Return satellite, LO error and beam: identified, else expected (with the oscillator taken as right)."""
    if identification is not None and identification.satellite is not None:
        return identification.satellite, identification.lo_error_hz or 0.0, identification.beam
    expected = next((c.context.expected_satellite for c in captures if c.context.expected_satellite), None)
    return expected, 0.0, None


def _port(
    side: _Side,
    measurement: Measurement,
    table: CarrierTable | None,
    satellite: str | None,
    lo_error_hz: float,
    beam: str | None,
    absent: frozenset[int],
) -> Port:
    listed = None
    if table is not None and satellite is not None and side.state is not None and side.polarisation is not None:
        when = side.capture.context.captured_at
        rows = table if when is None else table.valid_on(when)
        listed = listed_shapes(
            rows, satellite, side.polarisation, side.state, beam=beam, lo_error_hz=lo_error_hz, absent=absent
        )
    return Port(measurement, side.state, side.polarisation, listed)


def _best_overlap(reference: Measurement, others: Sequence[Measurement]) -> Measurement | None:
    """Return the other port's sweep that shares most of a span."""

    def shared(other: Measurement) -> float:
        a, b = reference.sweep, other.sweep
        return min(a.stop_hz, b.stop_hz) - max(a.start_hz, b.start_hz)

    best = max(others, key=shared, default=None)
    return best if best is not None and shared(best) > 0.0 else None


@dataclass(frozen=True, slots=True, eq=False)
class _Couple:
    """One pair of captures, compared."""

    one: _Side
    other: _Side
    pairs: tuple[PortPair, ...]
    gains: tuple[PortGain, ...]
    pooled: Pooled
    skew: Skew | None
    variation: Variation | None


def polarisation_facts(
    couples: Sequence[tuple[int, int]],
    captures: Sequence[Capture],
    measurements: Sequence[tuple[Measurement, ...]],
    table: CarrierTable | None,
    chain: ReceiveChain | None,
    identification: Identification | None,
    *,
    isolation_limit_db: float | None,
    purity_db: tuple[float, float],
) -> tuple[tuple[Pair, ...], Polarisation, dict[str, Any]]:
    """Compare the ports of every couple; return pairs, the whole of the first couple, and the facts for the rules."""
    satellite, lo_error, beam = _satellite(identification, captures)
    absent = frozenset(
        entry.row
        for entry in (identification.roll_call if identification is not None else ())
        if entry.status == "absent"
    )

    def compared(exchanged: bool) -> list[_Couple]:
        done = []
        for couple in couples:
            one, other = _sides(couple, captures, measurements, chain)
            if exchanged:
                one, other = (
                    replace(one, state=other.state, polarisation=other.polarisation),
                    replace(other, state=one.state, polarisation=one.polarisation),
                )
            found = []
            for measurement in one.measurements:
                partner = _best_overlap(measurement, other.measurements)
                if partner is not None:
                    pair = compare_ports(
                        _port(one, measurement, table, satellite, lo_error, beam, absent),
                        _port(other, partner, table, satellite, lo_error, beam, absent),
                    )
                    found.append(port_gain(pair))
            done.append(_couple(one, other, found, purity_db))
        return done

    done = compared(False)
    swap = swap_of(done[0].pooled)
    if swap is not None:
        done = compared(True)
    first = done[0]
    linear = _is_linear(first, table, satellite)
    signed = _signed(done)
    pairs = tuple(itertools.chain.from_iterable(_rows(each) for each in done))
    sides = (_Side(k, captures[k], (), state_of(captures[k].context, chain), None) for k in couples[0])
    facts: dict[str, Any] = {
        "swap": swap,
        "copied_state": OneState.of(first.one.state, first.pooled.captures) if _one_state(*sides) else None,
        "pooled": first.pooled if first.pairs else None,
        "gain": first.gains[0] if first.gains else None,
        "isolation_limit_db": isolation_limit_db,
        "skew": first.skew if linear else None,
        "sign": Sign(signed),
        "purity_db": purity_db,
        "circular": None if linear else True,
        "variation": first.variation,
        "rain": _rain(first, table, satellite, identification),
    }
    return pairs, _whole(first, signed, purity_db, linear), facts


def _couple(
    one: _Side, other: _Side, found: Sequence[tuple[PortGain, PortPair]], purity_db: tuple[float, float]
) -> _Couple:
    pairs, gains = tuple(pair for _, pair in found), tuple(gain for gain, _ in found)
    carriers = tuple(itertools.chain.from_iterable(pair.carriers for pair in pairs))
    counted = [c for c in carriers if c.counts and c.leak_hz is not None and c.leak_std_hz]
    ratio, ratio_std = 0.0, math.inf
    if counted:
        r = np.array([(c.leak_hz or 0.0) / c.cn0_hz for c in counted])
        s = np.array(
            [
                math.hypot((c.leak_std_hz or 0.0) / c.cn0_hz, (c.leak_hz or 0.0) * c.cn0_std_hz / c.cn0_hz**2)
                for c in counted
            ]
        )
        ratio, ratio_std = float(np.average(r, weights=s**-2.0)), float(np.sum(s**-2.0) ** -0.5)
    sweeps = [m.sweep for m in one.measurements]
    rates = [c.shape.symbol_rate_bd for c in counted if c.shape.symbol_rate_bd]
    pooled = Pooled(
        carriers,
        ratio,
        ratio_std,
        (one.capture.name, other.capture.name),
        sweeps[0].settings.averages if sweeps else None,
        sweeps[0].settings.rbw_hz if sweeps else None,
        min(rates, default=None),
    )
    return _Couple(one, other, pairs, gains, pooled, fit_skew(carriers, purity_db), angle_variation(carriers))


def _is_linear(couple: _Couple, table: CarrierTable | None, satellite: str | None) -> bool:
    for polarisation in (couple.one.polarisation, couple.other.polarisation):
        if polarisation is not None:
            return polarisation in "HV"
    if table is not None and satellite is not None:
        mine = table.text["polarisation"][table.text["satellite"] == satellite]
        return bool(mine.size == 0 or mine[0] in ("H", "V"))
    return True


def _signed(done: Sequence[_Couple]) -> tuple[float, float] | None:
    """Return the signed skew of the first couple, where another one at another antenna skew tells it."""
    first = done[0]
    stands = first.one.capture.context.antenna_skew_deg
    if first.skew is None or stands is None:
        return None
    for other in done[1:]:
        there = other.one.capture.context.antenna_skew_deg
        if other.skew is not None and there is not None and there != stands:
            found = signed_candidates(first.skew, other.skew, there - stands)
            if found is not None:
                return found
    return None


def _rows(couple: _Couple) -> list[Pair]:
    """Return the pairs of a couple, one a carrier."""
    rows = []
    for pair in couple.pairs:
        for c in pair.carriers:
            at_reference = c.home == "reference"
            here, there = (c.shape, c.leak_shape) if at_reference else (c.leak_shape, c.shape)
            change = std = None
            if c.isolation_db is not None and c.isolation_std_db is not None:
                change, std = (-c.isolation_db if at_reference else c.isolation_db), c.isolation_std_db
            rows.append(
                Pair(
                    reference_centre_hz=here.centre_hz,
                    other_centre_hz=there.centre_hz,
                    level_change_db=None if change is None else change + pair.gain_db,
                    level_change_std_db=None if std is None else math.hypot(std, pair.gain_std_db),
                    cn_change_db=change,
                    cn_change_std_db=std,
                    isolation_db=c.isolation_db,
                    isolation_std_db=c.isolation_std_db,
                    isolation_lower_bound_db=c.lower_bound_db,
                    why=c.why,
                    home=c.home,
                    row=c.shape.row,
                    counts=c.counts,
                    captures=(couple.one.index, couple.other.index),
                )
            )
    return rows


def _whole(
    couple: _Couple, signed: tuple[float, float] | None, purity_db: tuple[float, float], linear: bool
) -> Polarisation:
    pooled, skew = couple.pooled, couple.skew
    if not pooled.counted:
        return replace(_gain(couple), purity_db=purity_db)
    bound = pooled.lower_bound_db
    value = pooled.isolation_db if pooled.isolation_db is not None else bound
    return replace(
        _gain(couple),
        isolation_db=pooled.isolation_db,
        isolation_std_db=pooled.isolation_std_db,
        isolation_lower_bound_db=bound,
        skew_deg=None
        if skew is None or not linear or skew.isolation_db is None
        else (signed[0] if signed else skew.angle_deg),
        skew_std_deg=None if skew is None or not linear else skew.std_deg,
        skew_signed=signed is not None,
        skew_interval95_deg=None if skew is None or not linear else (skew.low_deg, skew.high_deg),
        purity_db=purity_db,
        variation_probability=None if couple.variation is None else couple.variation.probability,
        axial_ratio_db=None if linear or value <= 0.0 else axial_ratio_db(value),
    )


def _gain(couple: _Couple) -> Polarisation:
    if not couple.gains:
        return Polarisation()
    first = couple.gains[0]
    return Polarisation(
        gain_difference_db=first.gain_db, gain_difference_std_db=first.gain_std_db, gain_difference_by=first.by
    )


def _rain(
    couple: _Couple, table: CarrierTable | None, satellite: str | None, identification: Identification | None
) -> RainContext | None:
    """Return what rain could do, where a context tells of rain."""
    contexts = [couple.one.capture.context, couple.other.capture.context]
    weather = next(
        (c.weather for c in contexts if c.weather and any(w in c.weather.lower() for w in _RAIN_WORDS)), None
    )
    state = couple.one.state
    counted: list[CarrierIsolation] = list(couple.pooled.counted)
    if weather is None or state is None or not counted:
        return None
    rf = float(np.mean([state.rf_from_if(c.shape.centre_hz) for c in counted])) / 1e9
    if not 4.0 <= rf <= 55.0:
        return None
    elevation = next((c.antenna_elevation_deg for c in contexts if c.antenna_elevation_deg is not None), None)
    if elevation is None:
        elevation = 45.0
    circular = any(p in ("L", "R") for p in (couple.one.polarisation, couple.other.polarisation))
    tilt = next((c.antenna_skew_deg for c in contexts if c.antenna_skew_deg is not None), None)
    fade, fade_std = _fade(counted, table)
    return RainContext(weather, fade, fade_std, rf, max(elevation, 0.0), 45.0 if circular or tilt is None else tilt)


def _fade(counted: Sequence[CarrierIsolation], table: CarrierTable | None) -> tuple[float | None, float | None]:
    """Return how far carriers stand below the table's reference C/N: a fade, or the table's own error."""
    if table is None:
        return None, None
    reference = {
        int(line): float(cn) for line, cn in zip(table.line, table.reference_cn_db, strict=True) if np.isfinite(cn)
    }
    lower = [
        reference[c.shape.row] - DB_PER_NEPER * math.log(c.cn0_hz / c.shape.symbol_rate_bd)
        for c in counted
        if c.shape.row in reference and c.shape.symbol_rate_bd and c.cn0_hz > 0.0
    ]
    if not lower:
        return None, None
    spread = float(np.std(lower) / math.sqrt(len(lower))) if len(lower) > 1 else 1.0
    return float(np.median(lower)), max(spread, 0.3)
