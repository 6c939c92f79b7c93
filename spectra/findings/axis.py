"""An analyser set to show RF (an offset on its frequency axis): recognised from chain and range, taken back to IF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from spectra.errors import UsageError
from spectra.sweep import Sweep

if TYPE_CHECKING:
    from spectra.plan.chain import LoState, ReceiveChain

__all__ = ["rf_states", "sweep_to_if"]

_MOST_AT_IF = 0.1
_LEAST_AT_RF = 0.8


def _share(sweep: Sweep, low_hz: float, high_hz: float) -> float:
    """Return the share of the sweep's span that lies between two frequencies."""
    common = min(sweep.stop_hz, high_hz) - max(sweep.start_hz, low_hz)
    return max(0.0, common) / (sweep.stop_hz - sweep.start_hz)


def rf_states(sweep: Sweep, states: Sequence[LoState]) -> tuple[LoState, ...]:
    """Return the LO states whose RF range holds the sweep's axis while their IF does not; empty for an IF axis."""
    found = []
    for state in states:
        edges = sorted((float(state.if_from_rf(state.rf_min_hz)), float(state.if_from_rf(state.rf_max_hz))))
        at_if = _share(sweep, *edges)
        at_rf = _share(sweep, state.rf_min_hz, state.rf_max_hz)
        if at_if > _MOST_AT_IF:
            return ()  # one state that explains the axis as IF is enough
        if at_rf >= _LEAST_AT_RF:
            found.append(state)
    return tuple(found)


def sweep_to_if(sweep: Sweep, chain: ReceiveChain, lo_state: str | None = None) -> Sweep:
    """Return the sweep with its RF axis taken back to IF, noted in its assumptions; the same sweep if it is at IF.

    Parameters
    ----------
    sweep : Sweep
    chain : ReceiveChain
    lo_state : str or None
        LO state whose frequency the analyser had as offset; may be left out where only one fits.

    Raises
    ------
    UsageError
        If the LO state is unknown, or several fit and none is stated.
    """
    named = [state for state in chain.lo_states if state.name == lo_state] if lo_state else list(chain.lo_states)
    if not named:
        known = ", ".join(state.name for state in chain.lo_states)
        raise UsageError("LO state", None, repr(lo_state), f"one of {known}", "Name an LO state of the receive chain.")
    fitting = rf_states(sweep, named)
    if not fitting:
        return sweep
    if len({(state.lo_hz, state.injection) for state in fitting}) > 1:
        raise UsageError(
            sweep.origin.file,
            None,
            "an RF axis that fits the LO states " + ", ".join(state.name for state in fitting),
            "one of them",
            "State the LO state.",
        )
    return _converted(sweep, fitting[0])


def _converted(sweep: Sweep, state: LoState) -> Sweep:
    order = slice(None) if state.injection == "low" else slice(None, None, -1)
    note = (
        f"axis was RF ({sweep.start_hz / 1e6:.6g} to {sweep.stop_hz / 1e6:.6g} MHz): taken to IF with the nominal LO "
        f"of {state.lo_hz / 1e6:.6g} MHz, {state.injection} side"
    )
    return Sweep(
        state.if_from_rf(sweep.frequency_hz)[order],
        sweep.level_dbm[order],
        sweep.settings,
        replace(sweep.origin, assumptions=(*sweep.origin.assumptions, note)),
        {name: level[order] for name, level in sweep.traces.items()},
    )
