"""Unlisted carriers, classed by shape and put against the causes that can be computed, each with its odds.

A cause that predicts frequencies is judged by how often chance would make as many coincidences; its odds are that
chance turned round, times how common the cause is (common practice, no source). The odds of all causes of one carrier,
and of none of them (a newcomer on the satellite), share one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from spectra.findings.bands import OWN_RADAR_HZ, Service, services_at
from spectra.findings.interference_products import (
    binomial_tail,
    could_explain,
    find_comb,
    match_product,
    products,
    reference_harmonics,
)
from spectra.findings.lookup import is_named
from spectra.units import FloatArray, jsonable

if TYPE_CHECKING:
    from spectra.identify.identification import Identification, UnlistedCause
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["Cause", "CauseName", "Unlisted", "explain_unlisted", "shape_of", "with_told_causes"]

CauseName = Literal[
    "adjacent_satellite",
    "other_polarisation",
    "image",
    "second_lo",
    "intermodulation",
    "reference_harmonic",
    "comb",
    "by_the_cable",
    "own_radar",
    "newcomer",
]
Shape = Literal["modulated", "cw", "unresolved", "hump", "other"]

# how common a cause is among unlisted carriers of ships' terminals, before any look (common practice, no source)
_COMMON: dict[CauseName, float] = {
    "adjacent_satellite": 0.15,
    "other_polarisation": 0.15,
    "image": 0.01,
    "second_lo": 0.02,
    "intermodulation": 0.03,
    "reference_harmonic": 0.02,
    "comb": 0.02,
    "own_radar": 0.02,
    "newcomer": 0.4,
}
_CABLE = {0: 0.02, 1: 0.05, 2: 0.2, 3: 0.8}  # by the weight of the service
_MOST_ODDS = 1e6
_TOLD_BY_ROLL = ("moved", "co-located")
_LIKELY_ENOUGH = 0.5
_RATE_TOLERANCE = 0.12
_RATES_ALIKE = 0.25  # share of carriers whose symbol rate agrees by chance (common practice, no source)
_HUMP_ROLL_OFF = 0.5
_LEAST_SHARE = 0.2  # of a list in the span that should be seen if it is seen at all


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of an unlisted carrier.

    Attributes
    ----------
    name : str
    probability : float
        Among all causes held against this carrier.
    chance : float or None
        How often chance would make such a coincidence; None where the cause predicts only a band.
    why : str
    row : int or None
        Line of the table that fits.
    satellite : str or None
    level_db : float or None
        C/N over that of the table, mean over the carriers of the same cause.
    services : tuple of Service
    """

    name: CauseName
    probability: float
    chance: float | None
    why: str
    row: int | None = None
    satellite: str | None = None
    level_db: float | None = None
    services: tuple[Service, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the cause as plain values."""
        value: dict[str, Any] = jsonable(
            {
                name: getattr(self, name)
                for name in ("name", "probability", "chance", "why", "row", "satellite", "level_db")
            }
        )
        return {**value, "services": [service.to_dict() for service in self.services]}


@dataclass(frozen=True, slots=True)
class Unlisted:
    """An unlisted carrier of one sweep, its shape, and its causes, the likeliest first."""

    index: int
    carrier: Carrier
    shape: Shape
    causes: tuple[Cause, ...]

    @property
    def cause(self) -> Cause:
        """The likeliest cause."""
        return self.causes[0]

    def to_dict(self) -> dict[str, Any]:
        """Return the carrier with its causes as plain values."""
        return {
            "carrier": self.carrier.to_dict(),
            "shape": self.shape,
            "causes": [cause.to_dict() for cause in self.causes],
        }


def explain_unlisted(
    measurement: Measurement,
    identification: Identification | None,
    table: CarrierTable | None,
    chain: ReceiveChain | None,
) -> tuple[Unlisted, ...]:
    """Return the unlisted carriers of one sweep with their causes, by frequency.

    Parameters
    ----------
    measurement : Measurement
    identification : Identification or None
        That the sweep was part of; without one every carrier counts as unlisted.
    table, chain : optional
        Without them only the causes that need neither are held.
    """
    carriers = measurement.carriers
    if identification is None:
        wanted = list(range(len(carriers)))
    else:
        # what the roll call tells as a listed carrier that moved, or of a list at the same position, is explained there
        told = zip_longest(identification.unlisted, identification.unlisted_causes)
        left = {(c.centre_hz, c.kind) for (_, c), cause in told if cause is None or cause.likely not in _TOLD_BY_ROLL}
        wanted = [k for k, carrier in enumerate(carriers) if (carrier.centre_hz, carrier.kind) in left]
    if not wanted:
        return ()
    odds: list[list[Cause]] = [[] for _ in wanted]
    mine = [carriers[k] for k in wanted]
    _listed(mine, odds, measurement, identification, table, chain)
    _intermodulated(mine, odds, measurement)
    _combed(mine, odds, 1.0 if chain is None else chain.reference_ppm or 1.0)
    for causes, carrier in zip(odds, mine, strict=True):
        causes += _banded(carrier, identification, chain)
        causes.append(Cause("newcomer", _COMMON["newcomer"], None, "No computable cause explains it."))
    return tuple(
        Unlisted(k, carriers[k], shape_of(carriers[k]), _shared(causes)) for k, causes in zip(wanted, odds, strict=True)
    )


def with_told_causes(identification: Identification, told: Sequence[tuple[int, Unlisted]]) -> Identification:
    """Return an identification that says of its unlisted carriers what the findings say, one cause a carrier.

    Parameters
    ----------
    identification : Identification
    told : sequence of (int, Unlisted)
        Each with the number of its sweep (0-based), as in `identification.unlisted`.
    """
    better = {(number, one.carrier.centre_hz, one.carrier.kind): one.cause for number, one in told}
    causes = []
    for (number, carrier), cause in zip(identification.unlisted, identification.unlisted_causes, strict=False):
        mine = better.get((number, carrier.centre_hz, carrier.kind))
        keep = mine is None or mine.name == "newcomer" or mine.probability < _LIKELY_ENOUGH
        causes.append(cause if keep or mine is None else _in_a_word(cause, mine))
    return replace(identification, unlisted_causes=tuple(causes))


def _in_a_word(cause: UnlistedCause, mine: Cause) -> UnlistedCause:
    if mine.name == "adjacent_satellite":
        return replace(cause, likely="neighbour", why=mine.why, row=mine.row)
    if mine.name == "other_polarisation":
        return replace(cause, likely="other polarisation", why=mine.why, row=mine.row)
    if mine.row is None and cause.row is not None:
        return cause  # it stands inside a listed carrier, which says more
    perhaps = "may enter by the cable: " if mine.name == "by_the_cable" else ""
    return replace(cause, likely="interferer", why=perhaps + mine.why, row=mine.row)


def shape_of(carrier: Carrier) -> Shape:
    """Return the class of a carrier by its shape."""
    if carrier.kind == "modulated":
        return "hump" if carrier.roll_off is not None and carrier.roll_off > _HUMP_ROLL_OFF else "modulated"
    return carrier.kind


def _shared(causes: Sequence[Cause]) -> tuple[Cause, ...]:
    """Return causes with their odds turned into probabilities, the likeliest first."""
    total = sum(cause.probability for cause in causes)
    return tuple(
        replace(cause, probability=cause.probability / total)
        for cause in sorted(causes, key=lambda cause: -cause.probability)
    )


# --- lists of the table seen some other way --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _View:
    """Rows of the table as they would show by one cause: IF and its uncertainty for every row (n,)."""

    name: CauseName
    satellite: str
    words: str
    rows: np.ndarray[tuple[int, ...], np.dtype[np.intp]]
    if_hz: FloatArray
    std_hz: FloatArray


def _listed(
    mine: Sequence[Carrier],
    odds: list[list[Cause]],
    measurement: Measurement,
    identification: Identification | None,
    table: CarrierTable | None,
    chain: ReceiveChain | None,
) -> None:
    """Hold the carriers against every list of the table that may be seen besides the identified one."""
    if identification is None or table is None or chain is None or identification.best.lo_state is None:
        return
    state = next((s for s in chain.lo_states if s.name == identification.best.lo_state), None)
    if state is None:
        return
    for view in _views(identification, mine, measurement, table, chain, state):
        _hold(view, mine, odds, measurement, table)


def _views(
    identification: Identification,
    mine: Sequence[Carrier],
    measurement: Measurement,
    table: CarrierTable,
    chain: ReceiveChain,
    state: LoState,
) -> list[_View]:
    best = identification.best
    offset, offset_std = best.if_offset_hz or 0.0, best.if_offset_std_hz or 0.0
    who = best.satellite or ""
    own = is_named(table, "satellite", who)
    same = is_named(table, "polarisation", best.polarisation or "")
    views: list[_View] = []

    def seen(through: LoState, rows: Any, extra: float) -> tuple[FloatArray, FloatArray]:
        """Return where rows show and how well that is known."""
        step = np.nan_to_num(table.rf_step_hz[rows], nan=1e3) / math.sqrt(12.0)
        place = np.asarray(through.if_from_rf(table.rf_hz[rows]), dtype=np.float64)
        return place + offset, np.hypot(step, math.hypot(offset_std, extra))

    def add(name: CauseName, who: str, words: str, rows: Any, place: FloatArray, std: FloatArray) -> None:
        if rows.size:
            views.append(_View(name, who, words, rows, place, std))

    others = np.flatnonzero(~own & same)
    place, std = seen(state, others, 5e3)
    # a list of which no row lies near a carrier explains none; of a long table that leaves few
    near = np.zeros(others.size, dtype=bool)
    for carrier in mine:
        near |= np.abs(carrier.centre_hz - place) <= _tolerance_hz(carrier, std)
    near &= (place > measurement.sweep.start_hz) & (place < measurement.sweep.stop_hz)
    names = table.text["satellite"]
    for other in sorted({str(names[k]) for k in others[near]}):
        theirs = is_named(table, "satellite", other)[others]
        add("adjacent_satellite", other, f"listed for {other}", others[theirs], place[theirs], std[theirs])
    crossed, mirrored, all_own = np.flatnonzero(own & ~same), np.flatnonzero(own & same), np.flatnonzero(own)
    add("other_polarisation", who, "listed on the other polarisation", crossed, *seen(state, crossed, 1e3))
    place, std = seen(state, mirrored, 1e3)
    add("image", who, "listed at the image of this LO", mirrored, -place, std)
    for other_state in chain.lo_states:
        if abs(other_state.lo_hz - state.lo_hz) > 1e6:
            words = f"listed, converted by the oscillator of {other_state.name}"
            extra = 0.2 * (other_state.tolerance_hz or 5e5)
            add("second_lo", who, words, all_own, *seen(other_state, all_own, extra))
    return views


def _tolerance_hz(carrier: Carrier, std_hz: FloatArray) -> FloatArray:
    """Return how far from a carrier rows may show that it could be."""
    return np.asarray(3.0 * np.hypot(std_hz, carrier.centre_std_hz or 0.0) + 0.003 * carrier.width_hz)


def _hold(
    view: _View, mine: Sequence[Carrier], odds: list[list[Cause]], measurement: Measurement, table: CarrierTable
) -> None:
    sweep = measurement.sweep
    inside = (view.if_hz > sweep.start_hz) & (view.if_hz < sweep.stop_hz)
    if not inside.any():
        return
    place, std, rows = view.if_hz[inside], view.std_hz[inside], view.rows[inside]
    hits: dict[int, int] = {}
    reach = []
    for number, carrier in enumerate(mine):
        tolerance = _tolerance_hz(carrier, std)
        reach.append(float(np.minimum(2.0 * tolerance, 2e6).sum()) / (sweep.stop_hz - sweep.start_hz))
        fits = np.flatnonzero((np.abs(carrier.centre_hz - place) <= tolerance) & _rates_fit(carrier, table, rows))
        if fits.size:
            hits[number] = int(fits[np.argmin(np.abs(carrier.centre_hz - place[fits]))])
    if not hits:
        return
    alike = _RATES_ALIKE if np.isfinite(table.symbol_rate_bd[rows]).mean() > 0.5 else 1.0
    chance = binomial_tail(len(hits), len(mine), min(1.0, float(np.mean(reach)) * alike))
    levels = [
        mine[k].cn_db - float(table.reference_cn_db[rows[hit]])  # type: ignore[operator]  # None is sorted out by the condition
        for k, hit in hits.items()
        if mine[k].cn_db is not None and np.isfinite(table.reference_cn_db[rows[hit]])
    ]
    worth = min(_MOST_ODDS, 1.0 / max(chance, 1e-12))
    if len(levels) >= 3 and float(np.std(levels)) > 4.0:
        worth *= 0.2  # no common level
    if len(set(hits.values())) < _LEAST_SHARE * rows.size:
        worth *= 0.2  # most of that list does not show
    level = float(np.median(levels)) if levels else None
    for number, hit in hits.items():
        line = int(table.line[rows[hit]])
        why = f"Row {line}, {view.words}; {len(hits)} of {len(mine)} unlisted carriers fit that list."
        odds[number].append(Cause(view.name, _COMMON[view.name] * worth, chance, why, line, view.satellite, level))


def _rates_fit(carrier: Carrier, table: CarrierTable, rows: Any) -> Any:
    rate = table.symbol_rate_bd[rows]
    if carrier.symbol_rate_bd is None:
        return np.isnan(rate) | (carrier.kind == "unresolved")
    allowed = np.maximum(_RATE_TOLERANCE * rate, 3.0 * (carrier.symbol_rate_std_bd or 0.0))
    return np.isnan(rate) | (np.abs(carrier.symbol_rate_bd - rate) <= allowed)


# --- products and combs ----------------------------------------------------------------------------------------------


def _intermodulated(mine: Sequence[Carrier], odds: list[list[Cause]], measurement: Measurement) -> None:
    sweep, parents = measurement.sweep, measurement.carriers
    if not any(could_explain(carrier, parents) for carrier in mine):
        return
    made = products(parents, span_hz=(sweep.start_hz, sweep.stop_hz))
    for causes, carrier in zip(odds, mine, strict=True):
        fit = match_product(carrier, made, parents, sweep.start_hz, sweep.stop_hz)
        if fit is None:
            continue
        product, chance = fit
        named = ", ".join(f"f{i} = {parents[k].centre_hz / 1e6:.3f}" for i, k in enumerate(product.parents, 1))
        why = f"{product.words} of {named} MHz, order {product.order}: frequency and width fit."
        worth = min(_MOST_ODDS, 1.0 / max(chance, 1e-9))
        causes.append(Cause("intermodulation", _COMMON["intermodulation"] * worth, chance, why))


def _combed(mine: Sequence[Carrier], odds: list[list[Cause]], ppm: float) -> None:
    lines = [k for k, carrier in enumerate(mine) if carrier.kind in ("cw", "unresolved")]
    tones = [mine[k] for k in lines]
    harmonics = reference_harmonics(tones, 10e6, ppm)
    if harmonics is not None:
        worth = min(_MOST_ODDS, 1.0 / max(harmonics.chance, 1e-9))
        for member in harmonics.members:
            number = round(tones[member].centre_hz / 1e7)
            why = f"Harmonic {number} of 10 MHz, the usual reference on the cable."
            odds[lines[member]].append(
                Cause("reference_harmonic", _COMMON["reference_harmonic"] * worth, harmonics.chance, why)
            )
    comb = find_comb(tones, ppm)
    if comb is not None:
        worth = min(_MOST_ODDS, 1.0 / max(comb.chance, 1e-9))
        why = f"One of {len(comb.members)} lines {comb.spacing_hz / 1e6:.4f} MHz apart."
        for member in comb.members:
            odds[lines[member]].append(Cause("comb", _COMMON["comb"] * worth, comb.chance, why))


# --- bands -----------------------------------------------------------------------------------------------------------


def _banded(carrier: Carrier, identification: Identification | None, chain: ReceiveChain | None) -> list[Cause]:
    """Return the causes that tell only a band: services by the cable, the ship's own radar."""
    causes = []
    services = services_at(carrier.centre_hz)
    if services:
        first = services[0]
        narrow = carrier.width_hz < 5e6 or carrier.width_hz < 0.5 * (first.high_hz - first.low_hz)
        worth = _CABLE[first.weight] * (1.0 if narrow else 0.1)
        why = f"Band of {first.name} ({first.low_hz / 1e6:g} to {first.high_hz / 1e6:g} MHz; {first.source})."
        causes.append(Cause("by_the_cable", worth, None, why, services=services))
    state = None
    if identification is not None and chain is not None:
        state = next((s for s in chain.lo_states if s.name == identification.best.lo_state), None)
    if state is not None and state.injection == "low":
        low, high = state.lo_hz - OWN_RADAR_HZ[1], state.lo_hz - OWN_RADAR_HZ[0]
        if low <= carrier.centre_hz <= high and carrier.kind != "modulated":
            why = f"X-band marine radar falls on {low / 1e6:g} to {high / 1e6:g} MHz by the image of this LO (derived)."
            causes.append(Cause("own_radar", _COMMON["own_radar"] * 5.0, None, why))
    return causes
