"""What is known before the sweep is looked at: tolerances, commanded state, horizon, network id, dates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from spectra.capture import Context
from spectra.identify import model
from spectra.identify.identification import Expected
from spectra.identify.prepared import Prepared
from spectra.measure.measurement import Measurement
from spectra.units import FloatArray

__all__ = ["Knowledge", "knowledge"]

_COMMANDED = np.log(9.0)  # a commanded LO state is the one in use nine times in ten (common practice, no source)
_NETWORK_ID = np.log(30.0)  # a reported network id is right thirty times for once it is stale
_ASIDE = ("off_satellite", "analyser_floor", "terminated")


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What is known beforehand, by LO state, list and hypothesis.

    `aside` says that every sweep was taken off the satellite, or without an antenna, on purpose.
    """

    tolerance_hz: FloatArray
    log_state: FloatArray
    log_list: FloatArray
    allowed: np.ndarray
    valid: np.ndarray | None
    below_horizon: tuple[str, ...]
    network_id: str | None
    network_names: tuple[str, ...]
    aside: bool = False


def knowledge(
    prepared: Prepared, contexts: Sequence[Context | None], measurements: Sequence[Measurement], expected: Expected
) -> Knowledge:
    """Gather what contexts and expectation say beforehand, laid out for the hypotheses."""
    table = prepared.table
    stated = [model.tolerance_hz(state) for state in prepared.states]
    log_state = np.zeros(len(prepared.states))
    for index, names in enumerate(prepared.state_names):
        if expected.lo_state is not None and expected.lo_state not in names:
            log_state[index] = -_COMMANDED
    network = next((c.reported_network_id for c in contexts if c is not None and c.reported_network_id), None)
    log_list, names = _network(prepared, network)
    hidden = _below_horizon(prepared, contexts)
    allowed = ~hidden[prepared.hyp_list] if prepared.hypotheses else np.zeros(0, bool)
    valid = None
    when = _moment(contexts, measurements)
    if when is not None:
        from spectra.plan.validity import valid_mask

        by_row = valid_mask(table.text["valid_from"].tolist(), table.text["valid_to"].tolist(), when)
        if not by_row.all():
            valid = by_row[prepared.row]
    below = dict.fromkeys(plan.satellite for plan, out in zip(prepared.lists, hidden, strict=True) if out)
    aside = bool(contexts) and all(c is not None and c.role in _ASIDE for c in contexts)
    return Knowledge(np.array(stated), log_state, log_list, allowed, valid, tuple(below), network, names, aside)


def _moment(contexts: Sequence[Context | None], measurements: Sequence[Measurement]) -> datetime | None:
    for context in contexts:
        if context is not None and context.captured_at is not None:
            return context.captured_at
    return next((m.sweep.origin.captured_at for m in measurements if m.sweep.origin.captured_at is not None), None)


def _network(prepared: Prepared, network: str | None) -> tuple[FloatArray, tuple[str, ...]]:
    log_list = np.zeros(len(prepared.lists))
    column = prepared.table.text.get("network_id")
    if network is None or column is None:
        return log_list, ()
    has = np.array([bool((column[plan.rows] == network.strip()).any()) for plan in prepared.lists], dtype=bool)
    if has.any():
        log_list[~has] = -_NETWORK_ID
    return log_list, tuple(dict.fromkeys(p.satellite for p, own in zip(prepared.lists, has, strict=True) if own))


def _below_horizon(prepared: Prepared, contexts: Sequence[Context | None]) -> np.ndarray:
    longitude = np.array(
        [np.nan if p.orbital_longitude_deg is None else p.orbital_longitude_deg for p in prepared.lists]
    )
    hidden = np.zeros(longitude.size, dtype=bool)
    place = next(
        (c for c in contexts if c is not None and c.latitude_deg is not None and c.longitude_deg is not None), None
    )
    if place is None or not longitude.size:
        return hidden
    from spectra.plan.geometry import visible

    stated = np.isfinite(longitude)
    # two degrees below: refraction, a listed longitude that is off, an inclined orbit
    hidden[stated] = ~np.atleast_1d(
        visible(place.latitude_deg, place.longitude_deg, longitude[stated], min_elevation_deg=-2.0)
    )
    return hidden
