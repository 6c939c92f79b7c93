"""Facts that an identification adds: the oscillator's fit, a finer sweep, carriers of the other polarisation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.finding import NextStep, step
from spectra.findings.compare_ports import OPPOSITE, listed_shapes
from spectra.findings.lookup import references_db, satellite_rows
from spectra.findings.oscillator_fit import OscillatorFit, departures, fit_oscillator
from spectra.findings.polarisation_levels import Shape, apart_from, fit_levels
from spectra.findings.polarisation_pair import shape_of
from spectra.findings.polarisation_single import Suspicion
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN, SIGMA_PER_RBW

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["centre_std_hz", "finer_sweep", "identified_facts", "oscillator_of"]

_TOLD = ("confirmed", "probable", "contradicted")
_LEAK_SCORE, _LONE_LEAK_SCORE = 4.0, 6.0
_RBW_DIGITS = (1.0, 3.0)
_MOST_AVERAGES = 200
_PLAN_AVERAGES = (10, 20, 50, 100, 200)


def oscillator_of(
    identification: Identification, measurements: Sequence[Measurement], table: CarrierTable, chain: ReceiveChain
) -> OscillatorFit | None:
    """Return the fit of the identified LO state; None where nothing was identified."""
    if identification.verdict not in _TOLD:
        return None
    state = next((s for s in chain.lo_states if s.name == identification.best.lo_state), None)
    if state is None or identification.best.injection not in (None, state.injection):
        return None
    return fit_oscillator(departures(identification, measurements, table, chain, state), state, chain.reference_ppm)


def identified_facts(
    identification: Identification,
    measurements: Sequence[Measurement],
    table: CarrierTable,
    chain: ReceiveChain,
    circumstances: Context,
    *,
    neighbours: Sequence[Carrier] = (),
) -> dict[str, Any]:
    """Return the facts by name; None where one cannot be had.

    `neighbours` are carriers that a neighbouring satellite explains: they leak from no polarisation of this one.
    """
    fit = oscillator_of(identification, measurements, table, chain)
    carriers = [c for m in measurements for c in m.carriers]
    return {
        "identification": identification,
        "circumstances": circumstances,
        "oscillator": fit,
        "finer_sweep": None if fit is None else partial(finer_sweep, fit, carriers, measurements[0].sweep.points),
        "suspicion": _suspicion(identification, measurements, table, chain, circumstances, neighbours),
    }


# --- the sweep that could tell ---------------------------------------------------------------------------------------


def centre_std_hz(carrier: Carrier, span_hz: float, points: int, rbw_hz: float, readings: float) -> float | None:
    """Return the standard uncertainty with which a sweep could tell a carrier's centre.

    Notes
    -----
    Modulated: the closed form of the Cramer-Rao bound, sqrt(d a Rs / (2 pi^2 J q)), q = (1 + c/2)/sqrt(1+c) - 1 and
    d the larger of point spacing and 1.41 noise bandwidths. Unmodulated: the information of a Gaussian line, summed.
    """
    spacing = span_hz / max(points - 1, 1)
    d = max(spacing, 1.41 * ENBW_PER_RBW_GAUSSIAN * rbw_hz)
    if carrier.kind in ("cw", "unresolved"):
        if carrier.cn0_dbhz is None:
            return None
        sigma = rbw_hz * SIGMA_PER_RBW
        c = 10.0 ** (carrier.cn0_dbhz / 10.0) / (ENBW_PER_RBW_GAUSSIAN * rbw_hz)
        x = np.linspace(-5.0, 5.0, 201)
        g = c * np.exp(-0.5 * x * x)
        information = readings * float(np.sum((g * x / sigma / (1.0 + g)) ** 2)) * (x[1] - x[0]) * sigma / d
        return information**-0.5 if information > 0.0 else None
    if carrier.cn_db is None or carrier.symbol_rate_bd is None:
        return None
    roll_off = max(carrier.roll_off or 0.2, 0.05)
    c = 10.0 ** (carrier.cn_db / 10.0)
    q = (1.0 + 0.5 * c) / math.sqrt(1.0 + c) - 1.0
    return math.sqrt(d * roll_off * carrier.symbol_rate_bd / (2.0 * math.pi**2 * readings * q)) if q > 0.0 else None


def _rbw_near(hz: float) -> float:
    """Return the 1-3 step nearest above a width."""
    power = 10.0 ** math.floor(math.log10(hz))
    return next(digit * power for digit in (*_RBW_DIGITS, 10.0) if digit * power >= hz * (1.0 - 1e-9))


def finer_sweep(fit: OscillatorFit, carriers: Sequence[Carrier], points: int) -> tuple[NextStep, ...]:
    """Return the sweep that could tell at the tolerance, or what stands in its way."""
    tolerance = fit.state.tolerance_hz
    if tolerance is None:
        return ()
    wanted = max(abs(abs(fit.lo_error_hz) - tolerance) / 2.2, tolerance / 20.0)
    # right at the limit nothing ever tells; but a sweep that is no better than this one is no advice
    wanted = min(wanted, 0.5 * fit.lo_error_std_hz)
    plans = []
    for d in fit.used:
        carrier = min(carriers, key=lambda c: abs(c.centre_hz - d.if_hz), default=None)
        if carrier is None:
            continue
        span = max(3.0 * carrier.width_hz, 4.0 * (fit.lo_error_std_hz + wanted), 200e3)
        rbw = _rbw_near(max(span / points, 1e3))
        for averages in _PLAN_AVERAGES:
            std = centre_std_hz(carrier, span, points, rbw, float(averages))
            if std is not None and (math.hypot(std, d.rounding_std_hz) <= wanted or averages == _MOST_AVERAGES):
                total = math.hypot(std, d.rounding_std_hz)
                plans.append((total > wanted, averages, total, d, span, rbw, std))
                break
    if not plans:
        return (
            step("Sweep a narrow span about one strong carrier or a beacon with many averages, and identify again."),
        )
    short, averages, _, d, span, rbw, std = min(plans, key=lambda p: (p[0], p[1] if not p[0] else p[2], p[2]))
    said = [
        step(
            f"Sweep {span / 1e6:.3g} MHz about {d.if_hz / 1e6:.3f} MHz (row {d.row}) with {points} "
            f"points, RBW {rbw / 1e3:g} kHz, RMS "
            f"detector, {averages} averages: its centre is then known to about {std / 1e3:.2g} kHz, "
            f"where {wanted / 1e3:.2g} kHz are "
            "needed."
        )
    ]
    if short and d.rounding_std_hz > wanted:
        said.append(
            step(
                f"Write the frequency of row {d.row} into the table to the kHz: its rounding alone is "
                f"worth {d.rounding_std_hz / 1e3:.2g} kHz."
            )
        )
    elif short:
        said.append(
            step("Sweep more of the carriers in this way: the uncertainty falls with the square root of their number.")
        )
    if fit.reference_std_hz > 0.7 * wanted:
        said.append(
            step(
                "Give the analyser an external reference, or state its reference_ppm in the chain: "
                f"{fit.reference_std_hz / 1e3:.2g} kHz of the "
                "uncertainty are its own."
            )
        )
    return tuple(said)


# --- the other polarisation in one sweep -----------------------------------------------------------------------------


def _suspicion(
    identification: Identification,
    measurements: Sequence[Measurement],
    table: CarrierTable,
    chain: ReceiveChain,
    circumstances: Context,
    neighbours: Sequence[Carrier] = (),
) -> Suspicion | None:
    """Return the rows of the other polarisation that a single sweep shows; None where it shows none."""
    best = identification.best
    state = next((s for s in chain.lo_states if s.name == best.lo_state), None)
    if identification.verdict not in _TOLD or len(measurements) != 1 or state is None or best.satellite is None:
        return None
    other = OPPOSITE.get(best.polarisation or "")
    if other is None or best.injection not in (None, state.injection):
        return None
    rows = satellite_rows(table, best.satellite)
    rows = rows if circumstances.captured_at is None else rows.valid_on(circumstances.captured_at)
    error = best.lo_error_hz or 0.0

    def shapes(polarisation: str) -> list[Shape]:
        found = listed_shapes(
            rows, best.satellite or "", polarisation, state, beam=best.beam, lo_error_hz=error, absent=frozenset()
        )
        return [one.shape for one in found]

    measurement = measurements[0]
    sweep = measurement.sweep
    foreign = [s for s in shapes(other) if sweep.start_hz < s.centre_hz < sweep.stop_hz]
    own = shapes(best.polarisation or "") + [shape_of(carrier) for carrier in neighbours]
    measured = [shape_of(c) for c in measurement.carriers]
    masks = own + [m for m in measured if not any(_could_be(m, s) for s in foreign)]
    foreign = apart_from(foreign, own)
    if not foreign:
        return None
    levels = fit_levels(measurement, foreign, masks)
    reference = references_db(table)
    seen = [
        k
        for k in range(len(foreign))
        if np.isfinite(levels.cn0[k])
        and levels.cn0[k] > _LEAK_SCORE * levels.std[k]
        and _confirmed(foreign[k], measured, levels.cn0[k] / levels.std[k])
    ]
    if not seen or (len(seen) == 1 and levels.cn0[seen[0]] < _LONE_LEAK_SCORE * levels.std[seen[0]]):
        return None
    return Suspicion(
        rows=tuple(int(foreign[k].row or 0) for k in seen),
        centre_hz=tuple(foreign[k].centre_hz for k in seen),
        cn0_hz=tuple(float(levels.cn0[k]) for k in seen),
        std_hz=tuple(float(levels.std[k]) for k in seen),
        level_db=tuple(_against(foreign[k], float(levels.cn0[k]), reference) for k in seen),
        capture=sweep.origin.file,
        polarisation=other,
    )


def _could_be(measured: Shape, listed: Shape) -> bool:
    """Say whether a measured carrier may be (part of) a listed one."""
    return abs(measured.centre_hz - listed.centre_hz) < max(
        listed.half_width_hz, 2e5
    ) and measured.half_width_hz < 1.3 * max(listed.half_width_hz, 2e5)


def _confirmed(listed: Shape, measured: Sequence[Shape], score: float) -> bool:
    """Ask for a carrier found on its own unless the fit at the known place is beyond doubt: a floor can bend."""
    return score > 2.0 * _LEAK_SCORE or any(_could_be(m, listed) for m in measured)


def _against(shape: Shape, cn0_hz: float, reference: dict[int, float]) -> float | None:
    listed = reference.get(shape.row or 0, math.nan)
    if shape.symbol_rate_bd is None or not math.isfinite(listed):
        return None
    return 10.0 * math.log10(cn0_hz / shape.symbol_rate_bd) - listed
