"""An offset axis: an analyser set to display RF, brought back to the IF that it measured."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from spectra.errors import SweepFormatError
from spectra.readers.cells import FREQUENCY_SCALE, number, unit_key
from spectra.sweep import Sweep

__all__ = ["RF_NOTE", "LoNumbers", "offset_of", "taken_back", "to_if_axis"]

RF_NOTE = "the axis shows RF: "
"""How the note in the assumptions of a converted sweep begins."""


class LoNumbers(NamedTuple):
    """One LO state in plain numbers (readers know no receive chain)."""

    lo_hz: float
    injection: str = "low"
    rf_min_hz: float | None = None
    rf_max_hz: float | None = None
    name: str = ""


def to_if_axis(
    sweep: Sweep, if_min_hz: float, if_max_hz: float, lo_states: Iterable[LoNumbers | tuple[object, ...]]
) -> Sweep | None:
    """Return the sweep over IF if its axis shows RF, None if it already shows IF or fits no LO state.

    Parameters
    ----------
    sweep : Sweep
    if_min_hz, if_max_hz : float
        The chain's IF range.
    lo_states : iterable of LoNumbers or tuple
        ``(lo_hz, injection, rf_min_hz, rf_max_hz, name)``; injection ``"low"`` (IF = RF - LO) or ``"high"``
        (IF = LO - RF, the spectrum comes out turned); the RF limits may be None.

    Returns
    -------
    Sweep or None
        With a note in ``origin.assumptions``; traces and levels go with the axis.

    Raises
    ------
    SweepFormatError
        If LO states of different frequencies fit equally.

    Notes
    -----
    An offset that the file itself states counts before any LO state: it is what the analyser added, be it nominal or
    not, and an axis with an offset added is never turned.
    """
    start, stop = sweep.start_hz, sweep.stop_hz
    if _overlap(start, stop, if_min_hz, if_max_hz) > 0.0:
        return None
    offset = offset_of(sweep)
    if offset and _overlap(start - offset, stop - offset, if_min_hz, if_max_hz) >= 0.5 * (stop - start):
        return _shifted(sweep, offset, f"{RF_NOTE}the offset of {offset / 1e6:.6f} MHz that the file states taken off")
    fits: dict[tuple[float, str], LoNumbers] = {}
    for given in lo_states:
        state = given if isinstance(given, LoNumbers) else LoNumbers(*given)  # type: ignore[arg-type]  # plain tuples
        low, high = _if_range(start, stop, state)
        if _overlap(low, high, if_min_hz, if_max_hz) < 0.5 * (high - low):
            continue
        rf_low = start if state.rf_min_hz is None else state.rf_min_hz
        rf_high = stop if state.rf_max_hz is None else state.rf_max_hz
        if _overlap(start, stop, rf_low, rf_high) >= 0.5 * (stop - start):
            fits.setdefault((state.lo_hz, state.injection), state)
    if not fits:
        return None
    if len(fits) > 1:
        raise SweepFormatError(
            sweep.origin.file,
            None,
            f"an RF axis ({start / 1e6:.3f} to {stop / 1e6:.3f} MHz) that fits "
            f"LO {' and '.join(f'{lo / 1e6:.3f} MHz ({side})' for lo, side in fits)}",
            "an axis that fits one LO state of the chain",
            "State the LO state, or sweep again with the frequency offset of the analyser off.",
        )
    return _converted(sweep, next(iter(fits.values())))


_OFFSET = re.compile(r"([+-]?[0-9.,]*[0-9](?:[eE][+-]?[0-9]+)?)\s*([A-Za-z]*)")


def offset_of(sweep: Sweep) -> float | None:
    """Return the frequency offset in Hz that a file states, None where it states none, or one without a unit."""
    match = _OFFSET.match(str(sweep.settings.extra.get("frequency_offset", "")).strip())
    scale = FREQUENCY_SCALE.get(unit_key(match[2])) if match else None
    if match is None or scale is None:
        return None
    value = number(match[1], ".")
    value = number(match[1], ",") if value is None else value
    return None if value is None else value * scale


def _shifted(sweep: Sweep, offset_hz: float, note: str) -> Sweep:
    origin = replace(sweep.origin, assumptions=(*sweep.origin.assumptions, note))
    return Sweep(sweep.frequency_hz - offset_hz, sweep.level_dbm, sweep.settings, origin, dict(sweep.traces))


def taken_back(sweep: Sweep, start_hz: float, assumptions: Iterable[str]) -> Sweep:
    """Return a sweep with its RF axis taken back as it was when it was measured, by the start and note kept of that."""
    note = next((text for text in assumptions if text.startswith(RF_NOTE)), None)
    if note is None or note in sweep.origin.assumptions:
        return sweep
    if "turned round" in note:
        return _turned(sweep, start_hz + sweep.stop_hz, note)
    return _shifted(sweep, sweep.start_hz - start_hz, note)


def _overlap(low: float, high: float, other_low: float, other_high: float) -> float:
    return min(high, other_high) - max(low, other_low)


def _if_range(start: float, stop: float, state: LoNumbers) -> tuple[float, float]:
    if state.injection == "high":
        return state.lo_hz - stop, state.lo_hz - start
    return start - state.lo_hz, stop - state.lo_hz


def _converted(sweep: Sweep, state: LoNumbers) -> Sweep:
    label = f" of LO state {state.name}" if state.name else ""
    note = f"{RF_NOTE}LO {state.lo_hz / 1e6:.6f} MHz{label} taken off"
    if state.injection != "high":
        return _shifted(sweep, state.lo_hz, note)
    return _turned(sweep, state.lo_hz, f"{note}, turned round (high-side injection)")


def _turned(sweep: Sweep, lo_hz: float, note: str) -> Sweep:
    origin = replace(sweep.origin, assumptions=(*sweep.origin.assumptions, note))
    traces = {name: level[::-1] for name, level in sweep.traces.items()}
    return Sweep((lo_hz - sweep.frequency_hz)[::-1], sweep.level_dbm[::-1], sweep.settings, origin, traces)
