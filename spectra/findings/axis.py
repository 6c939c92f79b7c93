"""An analyser set to show RF (an offset on its frequency axis): recognised from chain and range, taken back to IF."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

from spectra.errors import SpectraError, UsageError
from spectra.sweep import Sweep

if TYPE_CHECKING:
    from spectra.plan.chain import LoState, ReceiveChain

__all__ = ["rf_note", "rf_states", "sweep_at_if", "sweep_to_if"]

_LEAST_AT_RF = 0.8


def rf_states(sweep: Sweep, chain: ReceiveChain, states: Sequence[LoState]) -> tuple[LoState, ...]:
    """Return the LO states whose RF range holds the axis while the IF of the chain does not; empty for an IF axis."""
    if sweep.stop_hz > chain.if_min_hz and sweep.start_hz < chain.if_max_hz:
        return ()
    span = sweep.stop_hz - sweep.start_hz
    return tuple(
        state
        for state in states
        if min(sweep.stop_hz, state.rf_max_hz) - max(sweep.start_hz, state.rf_min_hz) >= _LEAST_AT_RF * span
    )


def sweep_to_if(sweep: Sweep, chain: ReceiveChain, lo_state: str | None = None) -> Sweep:
    """Return the sweep with its RF axis taken back to IF, noted in its assumptions; the same sweep if it is at IF.

    Parameters
    ----------
    sweep : Sweep
    chain : ReceiveChain
    lo_state : str or None
        LO state whose frequency the analyser had as offset; may be left out where only one frequency fits.

    Raises
    ------
    UsageError
        If the LO state is not in the chain.
    SweepFormatError
        If several LO frequencies fit and no state is named.
    """
    from spectra.readers import LoNumbers, to_if_axis

    named = [state for state in chain.lo_states if lo_state in (None, state.name)]
    if not named:
        known = ", ".join(state.name for state in chain.lo_states)
        raise UsageError("LO state", None, repr(lo_state), f"one of {known}", "Name an LO state of the receive chain.")
    numbers = [
        LoNumbers(state.lo_hz, state.injection, state.rf_min_hz, state.rf_max_hz, state.name)
        for state in rf_states(sweep, chain, named)
    ]
    return to_if_axis(sweep, chain.if_min_hz, chain.if_max_hz, numbers) or sweep


def sweep_at_if(sweep: Sweep, chain: ReceiveChain | None, lo_state: str | None = None) -> Sweep:
    """Return the sweep at IF for whoever wants to measure it: as `sweep_to_if`, but never refused.

    The state that was commanded need not be the one whose LO the analyser adds: where it does not fit, the others
    count. Where LO states of several frequencies fit, the sweep stays as it is, which a finding tells.
    """
    if chain is None:
        return sweep
    for name in (lo_state, None):
        with contextlib.suppress(SpectraError):  # a state that the chain lacks, or several that fit
            back = sweep_to_if(sweep, chain, name)
            if back is not sweep or lo_state is None:
                return back
    return sweep


def rf_note(sweep: Sweep) -> str | None:
    """Return how a sweep was taken back from RF, None if it was not."""
    from spectra.readers.rf_axis import RF_NOTE

    return next((text for text in sweep.origin.assumptions if text.startswith(RF_NOTE)), None)
