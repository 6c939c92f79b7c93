"""An inverted spectrum: the same RF range on the same IF range, but mirrored.

It is looked for only where nothing else explains the carriers: a wrong injection side in the chain, or a converter in
the line that inverts.
"""

from __future__ import annotations

from dataclasses import replace

from spectra.identify.identification import THRESHOLDS, Expected
from spectra.identify.odds import Ranking
from spectra.identify.verdict import Judgement
from spectra.plan.chain import Injection, ReceiveChain

__all__ = ["as_inverted", "mirrored", "stands"]


_LEAST_KIN = 2.7  # decades: a chain that inverts is rare, and the raster of many a plan is its own mirror image


def mirrored(chain: ReceiveChain) -> ReceiveChain:
    """Return the chain with every LO state on the other side of its RF range.

    Low side: IF = RF - LO fills ``[rf_min - LO, rf_max - LO]``; LO' - RF fills the same with
    LO' = rf_min + rf_max - LO.
    """
    states = []
    for state in chain.lo_states:
        other: Injection = "high" if state.injection == "low" else "low"
        lo_hz = state.rf_min_hz + state.rf_max_hz - state.lo_hz
        states.append(replace(state, lo_hz=lo_hz, injection=other))
    return replace(chain, lo_states=tuple(states))


def stands(ranking: Ranking, judgement: Judgement) -> bool:
    """Say whether the mirrored chain explains the carriers as well as a confirmation asks."""
    answer = judgement.answer
    if answer is None or judgement.verdict == "unidentified":
        return False
    kin = ranking.odds_kin(answer) >= _LEAST_KIN
    return kin and ranking.odds_none(answer) >= THRESHOLDS.confirmed_none


def as_inverted(judgement: Judgement, expected: Expected) -> Judgement:
    """Return the judgement as it may be told: a chain that inverts is not the stated one, so nothing is confirmed."""
    stated = any(each is not None for each in (expected.satellite, expected.polarisation, expected.lo_state))
    return replace(judgement, verdict="contradicted" if stated else "probable", position_confirmed=False)
