"""`compare`: captures held against the first of them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from types import ModuleType
from typing import TYPE_CHECKING, Any, get_args

from spectra.errors import UsageError
from spectra.finding import run_rules
from spectra.findings.axis import sweep_at_if
from spectra.findings.compare_levels import changes
from spectra.findings.compare_ports import polarisation_facts, port_couples, state_of
from spectra.findings.comparison import Common, Comparison, ComparisonKind, Pair, Polarisation
from spectra.findings.interference_sets import interference_facts
from spectra.findings.polarisation_skew import PURITY_DB
from spectra.findings.table import BASELINE_RULES, PAIR_RULES, SERVICE_RULES, SET_RULES
from spectra.units import counted

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["compare"]

_SOON_S = 3600.0
_LATER_S = 6.0 * 3600.0


def compare(
    captures: Sequence[Capture],
    table: CarrierTable | None = None,
    chain: ReceiveChain | None = None,
    *,
    kind: ComparisonKind | None = None,
    isolation_limit_db: float | None = None,
    purity_db: float | tuple[float, float] = PURITY_DB,
    measurements: Sequence[Sequence[Measurement]] | None = None,
) -> Comparison:
    """Hold captures against the first of them.

    Parameters
    ----------
    captures : sequence of Capture
        Two or more; the first is the reference (co-polar port, or earlier).
    table, chain : optional
        With both, the satellite is identified first: rows of the table then tell which port a carrier belongs to,
        and carriers listed on both polarisations are never counted as leaks.
    kind : {'polarisation', 'lo_state', 'before_after', 'repeat'}, optional
        What the captures are; left out, their contexts must say it.
    isolation_limit_db : float, optional
        Receive isolation to accept; with it the answer is pass, fail or not provable.
    purity_db : float or (low, high)
        Cross-polar purity of satellite and feed together, allowed for in the skew's interval.
    measurements : sequence of sequence of Measurement, optional
        Of each capture's sweeps, where they have been measured already.

    Returns
    -------
    Comparison

    Raises
    ------
    UsageError
        If there are fewer than two captures, or their contexts fit more than one kind, or a limit makes no sense.
    """
    if len(captures) < 2:
        raise UsageError("compare", None, counted(len(captures), "capture"), "two or more", "Name two captures.")
    _check(kind, isolation_limit_db)
    chosen = kind if kind is not None else kind_of(captures, chain)
    low, high = (purity_db, purity_db) if isinstance(purity_db, int | float) else purity_db
    measured = _measured(captures, measurements, chain)
    identification = _identified(captures, measured, table, chain, chosen)
    names = tuple(capture.name or f"capture {number}" for number, capture in enumerate(captures, 1))
    pairs: tuple[Pair, ...]
    common, whole = Common(), None
    facts: dict[str, Any]
    if chosen == "polarisation":
        couples = port_couples(captures)
        pairs, whole, facts = polarisation_facts(
            couples,
            captures,
            measured,
            table,
            chain,
            identification,
            isolation_limit_db=isolation_limit_db,
            purity_db=(min(low, high), max(low, high)),
        )
        common = _gain_as_common(whole)
    else:
        states = [state_of(capture.context, chain) for capture in captures]
        pairs, common, facts = changes(chosen, captures, measured, states)
        facts |= {"kind": chosen, "pairs": pairs, "captures": names}
        facts |= interference_facts(chosen, captures, measured, table, chain)
    return Comparison(
        kind=chosen,
        captures=names,
        pairs=pairs,
        common=common,
        findings=run_rules((*PAIR_RULES, *SERVICE_RULES, *SET_RULES, *BASELINE_RULES), facts),
        polarisation=whole,
        measurements=measured,
        identification=identification,
    )


def _check(kind: str | None, isolation_limit_db: float | None) -> None:
    if kind is not None and kind not in get_args(ComparisonKind):
        raise UsageError(
            "kind", None, repr(kind), "one of " + ", ".join(get_args(ComparisonKind)), "State one of them."
        )
    if isolation_limit_db is not None and not 0.0 < isolation_limit_db < 80.0:
        raise UsageError(
            "isolation limit",
            None,
            f"{isolation_limit_db:g} dB",
            "a limit between 0 and 80 dB",
            "State 25, for example.",
        )


def _gain_as_common(whole: Polarisation) -> Common:
    return Common(level_change_db=whole.gain_difference_db, level_change_std_db=whole.gain_difference_std_db)


def _measured(
    captures: Sequence[Capture], measurements: Sequence[Sequence[Measurement]] | None, chain: ReceiveChain | None
) -> tuple[tuple[Measurement, ...], ...]:
    if measurements is not None:
        if len(measurements) != len(captures):
            raise UsageError(
                "measurements",
                None,
                f"{len(measurements)} for {len(captures)} captures",
                "one sequence a capture",
                "Leave it out.",
            )
        return tuple(tuple(each) for each in measurements)
    from spectra.measure import measure

    return tuple(
        tuple(measure(sweep_at_if(sweep, chain, capture.context.lo_state)) for sweep in capture.sweeps)
        for capture in captures
    )


def _identified(
    captures: Sequence[Capture],
    measured: Sequence[Sequence[Measurement]],
    table: CarrierTable | None,
    chain: ReceiveChain | None,
    kind: str,
) -> Identification | None:
    """Return the identification of all captures together; None without table or chain."""
    if table is None or chain is None:
        return None
    from spectra.identify import identify

    # before and after may be two oscillators: only what was swept as one visit is explained as one
    upto = len(captures) if kind != "before_after" else 1
    flat = [(m, capture.context) for capture, each in zip(captures[:upto], measured[:upto], strict=True) for m in each]
    return identify([m for m, _ in flat], table, chain, context=[context for _, context in flat])


def kind_of(captures: Sequence[Capture], chain: ReceiveChain | None) -> ComparisonKind:
    """Return the only kind that the contexts fit.

    Raises
    ------
    UsageError
        If none fits, or more than one.
    """
    contexts = [capture.context for capture in captures]
    ports = {context.port for context in contexts}
    if {"co", "cross"} <= ports:
        return "polarisation"
    names = {context.lo_state for context in contexts}
    if None not in names and len(names) > 1:
        states = [state_of(context, chain) for context in contexts]
        told = [state for state in states if state is not None]
        if len(told) == len(states):
            if len({state.lo_hz for state in told}) > 1:
                return "lo_state"
            if len({state.polarisation for state in told}) > 1:
                return "polarisation"
    elif len(names) == 1 and len(ports) == 1:
        if any(context.role == "baseline" for context in contexts):
            return "before_after"
        times = [c.context.captured_at or (c.sweeps[0].origin.captured_at if c.sweeps else None) for c in captures]
        known = [t for t in times if t is not None]
        if len(known) == len(times):
            apart = (max(known) - min(known)).total_seconds()
            if apart <= _SOON_S:
                return "repeat"
            if apart >= _LATER_S and len(captures) == 2:
                return "before_after"
    raise UsageError(
        "kind",
        None,
        "captures whose contexts (port, lo_state, captured_at, role) do not say what is compared",
        "one of polarisation, lo_state, before_after, repeat",
        "State it: kind= in Python, --kind on the command line; or write port or lo_state into the contexts.",
    )


class _CallableModule(ModuleType):
    """Module and main function share a name; ``spectra.findings.compare(...)`` works whichever was imported first."""

    def __call__(self, *args: Any, **options: Any) -> Comparison:
        return compare(*args, **options)


sys.modules[__name__].__class__ = _CallableModule
