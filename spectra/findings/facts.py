"""What rules are told: facts worked out once from a capture, its table and its chain. No judgement here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.advice.outlook import SweepOutlook
from spectra.advice.quality import if_window_hz
from spectra.advice.sweeps import Demand
from spectra.errors import UsageError
from spectra.findings.axis import rf_states
from spectra.findings.clock import CaptureTime
from spectra.findings.interference_bursts import bursts_by_carrier
from spectra.findings.interference_guests import unlisted_guests
from spectra.findings.lookup import demand_of, satellite_rows
from spectra.findings.sun import SunView, sun_view

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.findings.interference_causes import Unlisted
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable
    from spectra.sweep import Sweep

__all__ = ["Expected", "capture_facts", "sun_of"]

# information of one averaged reading against one averaged as power (large counts; derived in spectra.signal.detectors)
_LEAST_ABOVE_DB = 0.5  # nearer to the analyser's own noise nothing is left that could be corrected
_WORTH = {"rms": 1.0, "sample": 1.0, "log_average": 0.608, "voltage_average": 0.915}


@dataclass(frozen=True, slots=True)
class Expected:
    """Rows of the table that this sweep's span should hold, for the LO states that may have been selected.

    Attributes
    ----------
    demands : tuple of Demand
        One for each state, rows outside the span left out.
    sure : bool
        Whether there is only one state, so that its rows can be missed.
    """

    demands: tuple[Demand, ...]
    sure: bool

    @property
    def narrowest(self) -> tuple[float, int, float] | None:
        """Symbol rate, row and IF of the narrowest row in the span, None where no row there tells a width."""
        found = [
            (float(demand.symbol_rate_bd[k]), int(demand.row[k]), float(demand.if_hz[k]))
            for demand in self.demands
            for k in np.flatnonzero(np.isfinite(demand.symbol_rate_bd))
        ]
        return min(found, default=None)


def capture_facts(
    measurement: Measurement,
    *,
    table: CarrierTable | None,
    chain: ReceiveChain | None,
    context: Context | None,
    lo_state: str | None,
    satellite: str | None,
    polarisation: str | None,
    analyser_floor: Measurement | None,
    times: Sequence[CaptureTime],
    spans_hz: Sequence[tuple[float, float]],
    identification: Identification | None = None,
    identified_from: Sequence[Measurement] = (),
) -> dict[str, Any]:
    """Return every fact by name; None where it cannot be had, so that no rule runs on it."""
    if context is not None:
        lo_state = lo_state or context.lo_state
        satellite = satellite or context.expected_satellite
        polarisation = polarisation or context.expected_polarisation
    sweep = measurement.sweep
    facts: dict[str, Any] = {
        "measurement": measurement,
        "sweep": sweep,
        "outlook": _outlook(measurement),
        "analyser_floor": analyser_floor,
        "own_noise_db": _own_noise_db(measurement, analyser_floor),
        "no_analyser_floor": True if analyser_floor is None else None,
        "role": (context.role if context is not None else None) or "normal",
        "times": tuple(times) or None,
        "table": table,
        "context": context,
        "guests": unlisted_guests(measurement, identification),
        "bursts": bursts_by_carrier(measurement),
        "products": (),
        "spans": ((sweep.start_hz, sweep.stop_hz), *spans_hz),
        **dict.fromkeys(
            ("unlisted", "identification", "circumstances", "oscillator", "finer_sweep", "suspicion", "sun")
        ),
    }
    if chain is None:
        return facts
    states = _states(chain, lo_state, polarisation)
    rf = rf_states(sweep, chain, states)
    facts |= {
        "chain": chain,
        "states": states,
        "rf_states": rf,
        "axis_is_if": None if rf else True,
        "window": _window(chain, states),
    }
    if table is not None and identification is not None:
        facts["unlisted"] = unlisted = _unlisted(measurement, identification, table, chain)
        facts["products"] = tuple(one for one in unlisted or () if one.cause.name == "intermodulation")
        neighbours = [one.carrier for one in unlisted or () if one.cause.name == "adjacent_satellite"]
        facts |= _identified(identification, identified_from or (measurement,), table, chain, context, neighbours)
    if table is not None and not rf:
        facts |= _rows(table, chain, states, satellite, polarisation, facts["spans"])
    if context is not None:
        place = _place(table, states, satellite, identification, sweep)
        facts["sun"] = sun_view(context, context.captured_at or sweep.origin.captured_at, *place, in_beam=True)
    return facts


def _own_noise_db(measurement: Measurement, analyser_floor: Measurement | None) -> float:
    """Return what the analyser's own noise takes off every C/N: -10 log10(1 - its share of the floor) (derived)."""
    floor = measurement.floor.density_dbm_hz
    own = None if analyser_floor is None else analyser_floor.floor.density_dbm_hz
    if floor is None or own is None or floor - own < _LEAST_ABOVE_DB:
        return 0.0
    return -10.0 * math.log10(1.0 - 10.0 ** (-0.1 * (floor - own)))


def sun_of(
    sweep: Sweep,
    context: Context,
    table: CarrierTable,
    chain: ReceiveChain,
    lo_state: str | None,
    satellite: str | None,
) -> SunView | None:
    """Return the sun beside the satellite that was expected, when a sweep was taken; None where it cannot be had."""
    place = _place(table, _states(chain, lo_state, None), satellite, None, sweep)
    return sun_view(context, context.captured_at or sweep.origin.captured_at, *place)


def _place(
    table: CarrierTable | None,
    states: tuple[LoState, ...],
    satellite: str | None,
    identification: Identification | None,
    sweep: Sweep,
) -> tuple[float | None, float | None]:
    """Return the orbital longitude that the antenna looked at, found or else expected, and the RF that it received."""
    longitude = None
    if identification is not None and identification.verdict != "unidentified":
        longitude = identification.best.orbital_longitude_deg
    if longitude is None and table is not None and satellite is not None:
        listed = satellite_rows(table, satellite).orbital_longitude_deg
        known = listed[np.isfinite(listed)]
        longitude = float(known[0]) if known.size else None
    rf = float(states[0].rf_from_if(0.5 * (sweep.start_hz + sweep.stop_hz))) if states else None
    return longitude, rf


def _identified(
    identification: Identification,
    measurements: Sequence[Measurement],
    table: CarrierTable,
    chain: ReceiveChain,
    context: Context | None,
    neighbours: Sequence[Carrier],
) -> dict[str, Any]:
    from spectra.capture import Context
    from spectra.findings.identified import identified_facts

    told = context or Context()
    return identified_facts(identification, measurements, table, chain, told, neighbours=neighbours)


def _unlisted(
    measurement: Measurement, identification: Identification, table: CarrierTable, chain: ReceiveChain
) -> tuple[Unlisted, ...] | None:
    from spectra.findings.interference_causes import explain_unlisted

    if identification.best.satellite is None:
        return None  # where nothing is identified nothing is listed either
    return explain_unlisted(measurement, identification, table, chain) or None


def _outlook(measurement: Measurement) -> SweepOutlook | None:
    """Return what the sweep can show, from its own scatter; None where RBW, readings or detector forbid it."""
    sweep = measurement.sweep
    rbw, readings = sweep.settings.rbw_hz, measurement.readings_per_point
    worth = _WORTH.get(sweep.settings.detector or "rms")
    if rbw is None or readings is None or worth is None or sweep.settings.trace_mode in ("max_hold", "min_hold"):
        return None
    return SweepOutlook(
        points=sweep.points,
        spacing_hz=sweep.spacing_hz,
        rbw_hz=rbw,
        readings=max(1.0, readings * worth),
        points_share_noise=measurement.correlated_points > 1.1,
        false_alarms_per_sweep=measurement.false_alarms_per_sweep,
    )


def _states(chain: ReceiveChain, lo_state: str | None, polarisation: str | None) -> tuple[LoState, ...]:
    if lo_state is not None:
        named = tuple(state for state in chain.lo_states if state.name == lo_state)
        if not named:
            raise UsageError(
                "LO state",
                None,
                repr(lo_state),
                "one of " + ", ".join(state.name for state in chain.lo_states),
                "Name an LO state of the receive chain.",
            )
        return named
    fitting = tuple(s for s in chain.lo_states if polarisation is None or s.polarisation in (None, polarisation))
    return fitting or chain.lo_states


def _window(chain: ReceiveChain, states: tuple[LoState, ...]) -> tuple[float, float]:
    """Return the IF that should be swept: that of the state where there is one, else that of the chain."""
    if len(states) == 1:
        window = if_window_hz(chain, states[0])
        if window is not None:
            return window
    return chain.if_min_hz, chain.if_max_hz


def _rows(
    table: CarrierTable,
    chain: ReceiveChain,
    states: tuple[LoState, ...],
    satellite: str | None,
    polarisation: str | None,
    spans: Sequence[tuple[float, float]],
) -> dict[str, Any]:
    demands = []
    for state in states:
        demand = demand_of(table, chain, state, satellite, polarisation)
        if demand is not None:
            demands.append(demand)
    start, stop = spans[0]
    inside = tuple(demand.only((demand.if_hz >= start) & (demand.if_hz <= stop)) for demand in demands)
    seen = [np.any([(d.if_hz >= low) & (d.if_hz <= high) for low, high in spans], axis=0) for d in demands]
    outside = tuple(demand.only(~np.asarray(mask, bool)) for demand, mask in zip(demands, seen, strict=True))
    sure = len(demands) == 1 and satellite is not None
    return {"expected": Expected(inside, sure), "expected_elsewhere": Expected(outside, sure)}
