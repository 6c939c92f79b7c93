"""What advice is made of: a demand (what must be seen), and the planned sweep that meets it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from spectra.finding import NextStep
from spectra.units import FloatArray, jsonable

__all__ = ["SCHEMA", "Demand", "PlannedSweep", "Purpose", "RowOutlook", "Segment"]

SCHEMA = "sweepmuster/next_sweep/1"

Purpose = Literal["all", "narrow", "wide"]


@dataclass(frozen=True, slots=True)
class Segment:
    """One trace of a planned sweep."""

    start_hz: float
    stop_hz: float
    points: int

    @property
    def span_hz(self) -> float:
        """Stop minus start."""
        return self.stop_hz - self.start_hz

    @property
    def spacing_hz(self) -> float:
        """Distance of neighbouring points."""
        return self.span_hz / (self.points - 1)


@dataclass(frozen=True, slots=True)
class RowOutlook:
    """One row of the carrier table in a planned sweep.

    Attributes
    ----------
    row : int
        Line in the table's file (header = 1).
    rf_hz, if_hz : float
        Listed frequency, and its nominal IF.
    symbol_rate_bd : float or None
        As listed, or from the listed bandwidth; None where the table tells neither.
    cn_db : float or None
        C/N that the probability was worked out for; `cn_assumed` says that the table does not tell it.
    probability : float or None
        That the sweep shows the carrier if it is there; None where no width or strength can be told.
    limit_cn_db : float or None
        Least C/N at which it would be shown with the certainty asked for.
    resolved : bool
        RBW at most a third of the symbol rate: widths and symbol rate can be measured, not only the carrier found.
    segment : int or None
        0-based index of the segment that holds its centre (the one that holds it whole, where there is one).
    whole : bool
        Whether a segment holds it whole.
    why : str
        Why it is not promised; empty where it is.
    """

    row: int
    rf_hz: float
    if_hz: float
    symbol_rate_bd: float | None
    cn_db: float | None
    cn_assumed: bool
    probability: float | None
    limit_cn_db: float | None
    resolved: bool
    segment: int | None
    whole: bool
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the row under the keys of the contract."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """What a sweep must show: a window of IF, the narrowest carrier that matters, and carriers by name.

    Attributes
    ----------
    window_hz : tuple of float
        First and last IF.
    narrowest_hz : float
        Narrowest carrier (symbol rate) to show.
    resolve : bool
        Whether widths must be measurable, or finding the carrier is enough.
    row : ndarray of int, shape (n,)
    rf_hz, if_hz, symbol_rate_bd, roll_off, cn_db : ndarray, shape (n,)
        Carriers that the certainty is asked for; NaN where the table tells no width.
    cn_assumed : ndarray of bool, shape (n,)
    only_rows : bool
        Leave out spectrum that holds no carrier of the demand.
    offset_hz : float
        How far the carriers may lie from where they are expected.
    least_rbw_hz : float
        For `purpose` wide: no RBW narrower than this, if the carriers allow it.
    purpose : {'all', 'narrow', 'wide'}
        See `PlannedSweep`.
    lo_state, polarisation, satellite : str or None
        What the sweep is taken with.
    """

    window_hz: tuple[float, float]
    narrowest_hz: float
    row: np.ndarray[Any, np.dtype[np.int64]]
    rf_hz: FloatArray
    if_hz: FloatArray
    symbol_rate_bd: FloatArray
    roll_off: FloatArray
    cn_db: FloatArray
    cn_assumed: np.ndarray[Any, np.dtype[np.bool_]]
    resolve: bool = True
    only_rows: bool = False
    offset_hz: float = 0.0
    least_rbw_hz: float = 0.0
    purpose: Purpose = "all"
    lo_state: str | None = None
    polarisation: str | None = None
    satellite: str | None = None

    def only(self, keep: np.ndarray[Any, np.dtype[np.bool_]]) -> Demand:
        """Return the demand with some of its carriers."""
        per_row = ("row", "rf_hz", "if_hz", "symbol_rate_bd", "roll_off", "cn_db", "cn_assumed")
        kept: dict[str, Any] = {name: getattr(self, name)[keep] for name in per_row}
        return replace(self, **kept)

    @property
    def inside(self) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """Which carriers lie whole in the window."""
        low, high = self.if_hz - self.half_width_hz, self.if_hz + self.half_width_hz
        return np.asarray((low >= self.window_hz[0]) & (high <= self.window_hz[1]), dtype=np.bool_)

    @property
    def half_width_hz(self) -> FloatArray:
        """Half of the spectrum that each carrier takes, 0 where unknown."""
        return np.asarray(np.nan_to_num(0.5 * self.symbol_rate_bd * (1.0 + self.roll_off)), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class PlannedSweep:
    """A sweep to take: settings, segments, what it shows with what probability, and what it cannot show.

    Attributes
    ----------
    lo_state, polarisation, satellite : str or None
        What it is taken with; None where it does not matter.
    segments : tuple of Segment
        One trace each, with the same settings.
    rbw_hz : float
    vbw_hz : float or None
        None: as wide as the analyser goes.
    detector, trace_mode : str
    averages : int
        Sweeps to average, as power.
    sweep_time_s : float
        Of one sweep of one segment: the least to set by hand.
    total_time_s : float
        Estimate for all segments and averages.
    readings_per_point : float
        Independent readings that one point will hold.
    shows, cannot_show : tuple of RowOutlook
        Rows promised with the certainty asked for, and the others of this LO state.
    narrowest_hz, narrowest_limit_cn_db : float
        Narrowest carrier planned for and the least C/N at which such a one is found with that certainty.
    certainty, false_alarms_per_sweep : float
        As asked for.
    assumptions : tuple of str
    next_steps : tuple of NextStep
        How to take it.
    purpose : {'all', 'narrow', 'wide'}
        `all`: the main sweep of the LO state. `narrow`: a close look at rows narrower than the narrowest asked for.
        `wide`: rows too wide for one segment of the main sweep.
    """

    lo_state: str | None
    polarisation: str | None
    satellite: str | None
    segments: tuple[Segment, ...]
    rbw_hz: float
    vbw_hz: float | None
    detector: str
    trace_mode: str
    averages: int
    sweep_time_s: float
    total_time_s: float
    readings_per_point: float
    shows: tuple[RowOutlook, ...]
    cannot_show: tuple[RowOutlook, ...]
    narrowest_hz: float
    narrowest_limit_cn_db: float
    certainty: float
    false_alarms_per_sweep: float
    assumptions: tuple[str, ...] = ()
    next_steps: tuple[NextStep, ...] = ()
    purpose: Purpose = "all"

    def to_dict(self) -> dict[str, Any]:
        """Return the sweep under the keys of the contract."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__}
        plain["segments"] = [{"start_hz": s.start_hz, "stop_hz": s.stop_hz, "points": s.points} for s in self.segments]
        plain["shows"] = [row.to_dict() for row in self.shows]
        plain["cannot_show"] = [row.to_dict() for row in self.cannot_show]
        plain["next_steps"] = [{"text": s.text, "cautions": s.cautions} for s in self.next_steps]
        value: dict[str, Any] = jsonable(plain)
        return value
