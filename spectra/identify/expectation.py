"""What the user expects, checked against table and chain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches

from spectra.capture import Context
from spectra.errors import IdentificationError
from spectra.identify.identification import Expected
from spectra.plan.chain import ReceiveChain
from spectra.plan.table import POLARISATIONS, CarrierTable

__all__ = ["expectation"]


def expectation(
    expect: str | Expected | Mapping[str, str | None] | None,
    lo_state: str | None,
    contexts: Sequence[Context | None],
    table: CarrierTable,
    chain: ReceiveChain,
) -> Expected:
    """Return what is expected; what is said in the call wins over the contexts.

    Raises
    ------
    IdentificationError
        If a satellite, polarisation or LO state is named that table or chain do not have.
    """
    satellite = polarisation = state = None
    for context in contexts:
        if context is not None:
            satellite = satellite or context.expected_satellite
            # on the cross-polar port the other polarisation is what should be seen
            if context.port != "cross":
                polarisation = polarisation or context.expected_polarisation
            state = state or context.lo_state
    if isinstance(expect, str):
        satellite, named = _split(expect, table)
        polarisation = named or (polarisation if satellite is None else None)
    elif isinstance(expect, Expected):
        satellite, polarisation, state = expect.satellite, expect.polarisation, expect.lo_state or state
    elif expect is not None:
        satellite, polarisation = expect.get("satellite"), expect.get("polarisation")
        state = expect.get("lo_state") or state
    return Expected(_satellite(satellite, table), _polarisation(polarisation), _state(lo_state or state, chain))


def _names(table: CarrierTable) -> dict[str, str]:
    return {str(name).casefold(): str(name) for name in dict.fromkeys(table.text["satellite"].tolist())}


def _split(text: str, table: CarrierTable) -> tuple[str, str | None]:
    """Cut SATELLITE/POL; a slash that belongs to the satellite's own name is left alone."""
    name, slash, tail = text.strip().rpartition("/")
    if not slash or text.strip().casefold() in _names(table):
        return text.strip(), None
    return name.strip(), tail.strip()


def _satellite(name: str | None, table: CarrierTable) -> str | None:
    if name is None or not name.strip():
        return None
    names = _names(table)
    if name.strip().casefold() in names:
        return names[name.strip().casefold()]
    near = [names[key] for key in get_close_matches(name.strip().casefold(), names, n=3, cutoff=0.5)]
    raise IdentificationError(
        "expect",
        None,
        f"satellite {name!r}, which the table {table.file} does not hold",
        "a satellite of the table" + (f", such as {', '.join(near)}" if near else ""),
        "Write the name as the table does, or add the satellite's rows.",
    )


def _polarisation(name: str | None) -> str | None:
    if name is None or not name.strip():
        return None
    code = name.strip().upper()[:1]
    if code not in POLARISATIONS:
        raise IdentificationError(
            "expect", None, f"polarisation {name!r}", "one of H, V, L, R", "Write SATELLITE/POL, for example NAME/H."
        )
    return code


def _state(name: str | None, chain: ReceiveChain) -> str | None:
    if name is None:
        return None
    for state in chain.lo_states:
        if state.name.casefold() == name.strip().casefold():
            return state.name
    names = ", ".join(state.name for state in chain.lo_states)
    raise IdentificationError(
        "lo_state", None, f"LO state {name!r}", f"one of {names} (chain {chain.name})", "Write it as the chain does."
    )
