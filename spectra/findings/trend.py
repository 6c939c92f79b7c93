"""`trend`: the oscillator over many captures."""

from __future__ import annotations

import itertools
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.errors import SpectraError, UsageError
from spectra.finding import Finding, run_rules
from spectra.findings.axis import sweep_at_if
from spectra.findings.identified import oscillator_of
from spectra.findings.trend_series import FALSE_ALARM, SeriesFit, fit_series
from spectra.units import FloatArray, jsonable

if TYPE_CHECKING:
    import pandas as pd

    from spectra.capture import Capture
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["SCHEMA", "Crossing", "Trend", "TrendPoint", "TrendStep", "crossing_of", "trend", "trend_of_points"]

SCHEMA = "sweepmuster/trend/1"

_TOLD = ("confirmed", "probable", "contradicted")
_DRAWS = 20_000
_FARTHEST_DAYS = 20.0 * 365.25


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One capture's LO error; `used` False with the reason in `why`."""

    capture: str
    captured_at: datetime | None
    lo_error_hz: float | None
    lo_error_std_hz: float | None
    temperature_c: float | None = None
    lnb: str | None = None
    longitude_deg: float | None = None
    fitted_hz: float | None = None
    used: bool = True
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the point under the keys of the contract."""
        value = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "longitude_deg"}
        value["captured_at"] = None if self.captured_at is None else self.captured_at.isoformat()
        told: dict[str, Any] = jsonable(value)
        return told


@dataclass(frozen=True, slots=True)
class TrendStep:
    """A step between two captures; size = after minus before."""

    after: datetime
    before: datetime
    size_hz: float
    size_std_hz: float

    def to_dict(self) -> dict[str, Any]:
        """Return the step under the keys of the contract."""
        return {
            "after": self.after.isoformat(),
            "before": self.before.isoformat(),
            "size_hz": self.size_hz,
            "size_std_hz": self.size_std_hz,
        }


@dataclass(frozen=True, slots=True)
class Crossing:
    """When the drift leaves the tolerance: median and 95 % interval; `latest` None: it may never. `outside` already."""

    expected: datetime | None
    earliest: datetime | None
    latest: datetime | None
    outside: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return the crossing under the keys of the contract."""
        return {
            "expected": None if self.expected is None else self.expected.isoformat(),
            "interval95": [None if t is None else t.isoformat() for t in (self.earliest, self.latest)],
            "outside": self.outside,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """The oscillator of one LO over time.

    `fit` holds the numbers in Hz and days from `origin` (of the readings that count); `points` every capture.
    """

    lo_state: str | None
    tolerance_hz: float | None
    points: tuple[TrendPoint, ...]
    origin: datetime | None
    fit: SeriesFit
    steps: tuple[TrendStep, ...] = ()
    crossing: Crossing | None = None
    findings: tuple[Finding, ...] = field(default=())

    def to_dict(self) -> dict[str, Any]:
        """Return the trend under the keys of the contract (`sweepmuster/trend/1`)."""
        fit = self.fit
        value: dict[str, Any] = jsonable(
            {
                "schema": SCHEMA,
                "lo_state": self.lo_state,
                "tolerance_hz": self.tolerance_hz,
                "answer": fit.answer,
                "false_alarm_probability": FALSE_ALARM,
                "rate_hz_per_day": fit.rate,
                "rate_std_hz_per_day": fit.rate_std,
                "rate_interval95_hz_per_day": fit.rate_interval95,
                "level_hz": fit.level,
                "level_std_hz": fit.level_std,
                "per_kelvin_hz": fit.per_kelvin,
                "per_kelvin_std_hz": fit.per_kelvin_std,
                "daily_swing_hz": fit.swing,
                "daily_swing_std_hz": fit.swing_std,
                "warm_up": None
                if fit.time_constant_days is None
                else {
                    "time_constant_s": fit.time_constant_days * 86400.0,
                    "size_hz": fit.warm_up_size,
                    "size_std_hz": fit.warm_up_std,
                },
                "excess_std_hz": fit.excess,
                "log_odds_step_against_drift": fit.odds_step,
                "drift_beside_step": fit.drift_beside_step,
            }
        )
        value["steps"] = [step.to_dict() for step in self.steps]
        value["crossing"] = None if self.crossing is None else self.crossing.to_dict()
        value["points"] = [point.to_dict() for point in self.points]
        value["findings"] = [finding.to_dict() for finding in self.findings]
        return value

    def to_frame(self) -> pd.DataFrame:
        """Return the points as a table, one row each."""
        import pandas as pd

        columns = [name for name in TrendPoint.__dataclass_fields__ if name != "longitude_deg"]
        return pd.DataFrame([{name: getattr(p, name) for name in columns} for p in self.points], columns=columns)


def trend(
    captures: Sequence[Capture],
    table: CarrierTable,
    chain: ReceiveChain,
    *,
    measurements: Sequence[Sequence[Measurement]] | None = None,
    identifications: Sequence[Identification | None] | None = None,
) -> Trend:
    """Follow the LO error of one oscillator over captures with times.

    Parameters
    ----------
    captures : sequence of Capture
        In any order; those of another LO than most are left out, and said so.
    table, chain
        Each capture is identified with them.
    measurements : sequence of sequence of Measurement, optional
        Of each capture's sweeps, where they have been measured already.
    identifications : sequence of Identification or None, optional
        Of each capture with this table and chain, where it has been identified already.

    Returns
    -------
    Trend

    Raises
    ------
    UsageError
        If there is no capture.
    """
    if not captures:
        raise UsageError("trend", None, "no captures", "captures with times", "Name files or a folder.")
    if measurements is not None and len(measurements) != len(captures):
        raise UsageError("measurements", None, str(len(measurements)), "one sequence a capture", "Leave it out.")
    if identifications is not None and len(identifications) != len(captures):
        raise UsageError("identifications", None, str(len(identifications)), "one a capture", "Leave it out.")
    found = [
        _point(
            capture,
            None if measurements is None else measurements[k],
            table,
            chain,
            None if identifications is None else identifications[k],
        )
        for k, capture in enumerate(captures)
    ]
    states = [state for _, state in found if state is not None]
    if not states:
        return trend_of_points([point for point, _ in found], None)
    keys = [(state.lo_hz, state.injection) for state in states]
    main = max(set(keys), key=lambda key: (keys.count(key), -keys.index(key)))
    chosen = states[keys.index(main)]
    points = []
    for point, state in found:
        if state is not None and (state.lo_hz, state.injection) != main:
            point = _unused(point, f"taken through another LO ({state.name})")
        points.append(point)
    return trend_of_points(points, chosen)


def _point(
    capture: Capture,
    measured: Sequence[Measurement] | None,
    table: CarrierTable,
    chain: ReceiveChain,
    identified: Identification | None = None,
) -> tuple[TrendPoint, LoState | None]:
    """Return the LO error of one capture, and the state it was had through."""
    from spectra.identify import identify
    from spectra.measure import measure

    context = capture.context
    when = context.captured_at or next((s.origin.captured_at for s in capture.sweeps if s.origin.captured_at), None)
    if when is not None and context.clock_error_s:
        when = when - timedelta(seconds=context.clock_error_s)
    blank = TrendPoint(
        capture.name,
        when,
        None,
        None,
        temperature_c=context.lnb_temperature_c,
        lnb=context.lnb,
        longitude_deg=context.longitude_deg,
        used=False,
    )
    if when is None:
        return _unused(blank, "no time is known"), None
    if context.role not in (None, "normal", "baseline"):
        return _unused(blank, f"role {context.role}"), None
    try:
        sweeps = (
            list(measured)
            if measured is not None
            else [measure(sweep_at_if(sweep, chain, context.lo_state)) for sweep in capture.sweeps]
        )
        # a plan says what should be on air at the time; it does not depend on what was commanded then
        identification = identified or identify(sweeps, table, chain, context=[context] * len(sweeps))
    except SpectraError as problem:
        return _unused(blank, str(problem)), None
    if identification.verdict not in _TOLD:
        return _unused(blank, f"not identified ({identification.verdict})"), None
    fit = oscillator_of(identification, sweeps, table, chain)
    if fit is None:
        return _unused(blank, "no carrier tells the LO error"), None
    # the analyser's reference is common to all captures of one analyser: it moves no trend
    own = math.sqrt(max(fit.lo_error_std_hz**2 - fit.reference_std_hz**2, 0.25 * fit.carriers_std_hz**2))
    return replace(blank, lo_error_hz=fit.lo_error_hz, lo_error_std_hz=own, used=True), fit.state


def _unused(point: TrendPoint, why: str) -> TrendPoint:
    return replace(point, used=False, why=why)


def trend_of_points(points: Sequence[TrendPoint], state: LoState | None) -> Trend:
    """Return the trend of LO errors that are already known.

    Parameters
    ----------
    points : sequence of TrendPoint
        Those with `used` False are kept and not fitted.
    state : LoState or None
        For its tolerance and name.
    """
    from spectra.findings.table import TREND_RULES

    points = list(points)
    tolerance = None if state is None else state.tolerance_hz
    swap = _last_swap(points)
    if swap is not None:
        points = [
            _unused(p, "before the LNB was exchanged")
            if p.used and p.captured_at is not None and p.captured_at < swap
            else p
            for p in points
        ]
    index = [k for k, p in enumerate(points) if p.used and p.captured_at is not None and p.lo_error_std_hz is not None]
    if not index:
        empty = Trend(None if state is None else state.name, tolerance, tuple(points), None, SeriesFit("too_few"))
        return replace(empty, findings=run_rules(TREND_RULES, {"trend": empty, "swap": swap}))
    times = [points[k].captured_at for k in index]
    origin = min(t for t in times if t is not None)
    day = np.array([(t - origin).total_seconds() / 86400.0 for t in times if t is not None])
    value = np.array([points[k].lo_error_hz for k in index], dtype=np.float64)
    std = np.array([points[k].lo_error_std_hz for k in index], dtype=np.float64)
    temperature = np.array(
        [math.nan if points[k].temperature_c is None else points[k].temperature_c for k in index], float
    )
    fit = fit_series(day, value, std, temperature=temperature, hour=_local_hours(points, index))
    for place, k in enumerate(index):
        fitted = None if fit.fitted is None else float(fit.fitted[place])
        kept = fit.used is None or bool(fit.used[place])
        points[k] = replace(points[k], fitted_hz=fitted, used=kept, why="" if kept else "apart from all the rest")
    steps = tuple(
        TrendStep(
            origin + timedelta(days=step.after_day), origin + timedelta(days=step.before_day), step.size, step.size_std
        )
        for step in fit.steps
    )
    last = origin + timedelta(days=float(day[fit.used].max() if fit.used is not None and fit.used.any() else day.max()))
    drifts = fit.answer == "drift" or fit.drift_beside_step
    crossing = crossing_of(fit, last, tolerance) if drifts else None
    done = Trend(None if state is None else state.name, tolerance, tuple(points), origin, fit, steps, crossing)
    return replace(done, findings=run_rules(TREND_RULES, {"trend": done, "swap": swap}))


def _last_swap(points: Sequence[TrendPoint]) -> datetime | None:
    """Return when the present LNB was first seen, where contexts name another one before."""
    told = sorted(
        ((p.captured_at, p.lnb) for p in points if p.captured_at is not None and p.lnb), key=lambda pair: pair[0]
    )
    changes = [later for (_, one), (later, other) in itertools.pairwise(told) if one != other]
    return changes[-1] if changes else None


def _local_hours(points: Sequence[TrendPoint], index: Sequence[int]) -> FloatArray:
    """Return the hour of the local mean day: the sun warms a deck by it, not by UTC."""
    hours = []
    for k in index:
        when = points[k].captured_at
        assert when is not None
        utc = when.astimezone(UTC)
        hours.append(
            (utc.hour + utc.minute / 60.0 + utc.second / 3600.0 + (points[k].longitude_deg or 0.0) / 15.0) % 24.0
        )
    return np.array(hours)


def crossing_of(fit: SeriesFit, last: datetime, tolerance_hz: float | None) -> Crossing | None:
    """Return when a drift leaves ±tolerance, by draws of level and rate (JCGM 101: Monte Carlo; title read).

    Parameters
    ----------
    fit : SeriesFit
    last : datetime
        Of the reading that `fit.level` belongs to.
    """
    if tolerance_hz is None or fit.level is None or fit.rate is None or fit.covariance is None:
        return None
    if abs(fit.level) > tolerance_hz:
        return Crossing(None, None, None, outside=True)
    draws = np.random.default_rng(618).multivariate_normal([fit.level, fit.rate], fit.covariance, _DRAWS)
    level, rate = draws[:, 0], draws[:, 1]
    with np.errstate(divide="ignore"):
        wait = np.where(rate > 0.0, tolerance_hz - level, -tolerance_hz - level) / np.where(rate == 0.0, 1e-30, rate)
    wait = np.maximum(wait, 0.0)
    low, middle, high = (float(v) for v in np.quantile(wait, [0.025, 0.5, 0.975]))

    def at(days: float) -> datetime | None:
        return None if days > _FARTHEST_DAYS else last + timedelta(days=days)

    return Crossing(at(middle), at(low), at(high))


class _CallableModule(ModuleType):
    """Module and main function share a name; ``spectra.findings.trend(...)`` works whichever was imported first."""

    def __call__(self, *args: Any, **options: Any) -> Trend:
        return trend(*args, **options)


sys.modules[__name__].__class__ = _CallableModule
