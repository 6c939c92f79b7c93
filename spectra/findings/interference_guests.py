"""What stands on a carrier: frequency, power, carrier to interference, and what that costs the carrier."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from spectra.findings.interference_scan import Stretch, law_of, scan_hosts
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN, SIGMA_PER_RBW
from spectra.signal.limits import cw_limit_db
from spectra.units import DB_PER_NEPER, FloatArray, jsonable

if TYPE_CHECKING:
    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Carrier, Measurement
    from spectra.signal.detectors import PointLaw

__all__ = ["Guest", "es_n0_loss_db", "under_carriers", "unlisted_guests"]

_SAME_RBW = 1.5  # a listed carrier so near is the guest itself


@dataclass(frozen=True, slots=True)
class Guest:
    """A signal inside a carrier's band.

    Attributes
    ----------
    centre_hz, centre_std_hz : float
    width_hz : float or None
        3 dB width of a bump; None for what the sweep cannot tell from an unmodulated carrier.
    power_dbm, power_std_db : float
    over_db, over_std_db : float
        Its power over that of the carrier (and floor) in one RBW, at the same place.
    limit_db : float or None
        The least such level that a test of one point can find with probability 0.95 at this false-alarm rate
        (Neyman and Pearson; `spectra.signal.limits.cw_limit_db`); None for bumps.
    carrier : int
        Index (0-based) of the carrier it stands on.
    c_over_i_db, c_over_i_std_db : float
        Power of the carrier over the guest's.
    loss_db, loss_std_db : float or None
        What the carrier's Es/N0 loses where the guest acts like so much noise; None where C/N is not known.
    false_alarms : float
        How many as strong a sweep of clean carriers would show on average.
    """

    centre_hz: float
    centre_std_hz: float
    width_hz: float | None
    power_dbm: float
    power_std_db: float
    over_db: float
    over_std_db: float
    limit_db: float | None
    carrier: int
    c_over_i_db: float
    c_over_i_std_db: float
    loss_db: float | None
    loss_std_db: float | None
    false_alarms: float

    def to_dict(self) -> dict[str, Any]:
        """Return the guest as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


def es_n0_loss_db(cn_db: float, c_over_i_db: float) -> float:
    """Return by how much interference taken as noise lowers Es/N0: 10 log10(1 + (C/N) / (C/I)) (derived)."""
    return 10.0 * math.log10(1.0 + 10.0 ** ((cn_db - c_over_i_db) / 10.0))


def under_carriers(measurement: Measurement, *, false_alarms: float | None = None) -> tuple[Guest, ...]:
    """Return what stands on the carriers of a sweep, by frequency.

    Parameters
    ----------
    measurement : Measurement
    false_alarms : float or None
        Claims that a sweep full of clean carriers may show on average; None: as the measurement was asked.
    """
    rate = measurement.false_alarms_per_sweep if false_alarms is None else false_alarms
    found = scan_hosts(measurement, rate)
    if not found:
        return ()
    law = law_of(measurement)
    made = [guest for stretch in found if (guest := _guest(measurement, stretch, law, rate)) is not None]
    return tuple(sorted(made, key=lambda guest: guest.centre_hz))


def unlisted_guests(measurement: Measurement, identification: Identification | None) -> tuple[Guest, ...]:
    """Return what stands on carriers and is no row of the table: a listed beacon under a neighbour's carrier is none.

    Nothing is looked for in a held trace: its points are extremes, not means.
    """
    if measurement.sweep.settings.trace_mode in ("max_hold", "min_hold"):
        return ()
    guests = under_carriers(measurement)
    if identification is None or not guests:
        return guests
    near = 1.5 * (measurement.sweep.settings.rbw_hz or measurement.sweep.spacing_hz)
    places = [entry.centre_hz for entry in identification.roll_call if entry.centre_hz is not None]
    return tuple(
        guest
        for guest in guests
        if not any(
            abs(place - guest.centre_hz) <= near < abs(place - measurement.carriers[guest.carrier].centre_hz)
            for place in places
        )
    )


def _guest(measurement: Measurement, stretch: Stretch, law: PointLaw, rate: float) -> Guest | None:
    sweep = measurement.sweep
    rbw = sweep.settings.rbw_hz or sweep.spacing_hz
    step = sweep.spacing_hz
    bump = (stretch.last - stretch.first) * step > 2.0 * rbw + step
    reach = math.ceil((1.0 * rbw) / step)
    a, b = max(0, stretch.first - reach), min(sweep.points, stretch.last + reach)
    f = sweep.frequency_hz[a:b]
    mean_dbm = stretch.reference_dbm - DB_PER_NEPER * law.mean  # noise-like power of the neighbourhood
    excess = _excess(sweep.level_dbm[a:b], stretch.reference_dbm, law)
    weight = np.maximum(excess, 0.0)
    if not weight.any():
        return None
    centre = float(weight @ f / weight.sum())
    if bump:
        power = float(excess.sum()) * step / (ENBW_PER_RBW_GAUSSIAN * rbw)
        width: float | None = math.sqrt(max(12.0 * float(weight @ (f - centre) ** 2 / weight.sum()) - rbw**2, step**2))
        peak = float(weight.max())
    else:
        shape = np.exp(-0.5 * ((f - centre) / (SIGMA_PER_RBW * rbw)) ** 2)
        power = peak = max(float(shape @ excess / (shape @ shape)), 1e-3)
        width = None
    over_db = 10.0 * math.log10(power)
    # a tone of ratio r on noise of one reading: variance of the power 1 + 2 r (Rice; derived)
    spread = math.sqrt((1.0 + 2.0 * peak) / law.information / max(1.0, (stretch.last - stretch.first) if bump else 1.0))
    over_std = DB_PER_NEPER * spread / max(peak, 0.1)
    centre_std = SIGMA_PER_RBW * rbw * min(1.0, spread / max(peak, 0.1))
    return _told(measurement, stretch, mean_dbm, centre, centre_std, width, over_db, over_std, rate, law)


def _excess(level_dbm: FloatArray, reference_dbm: float, law: PointLaw) -> FloatArray:
    """Return the power over the neighbourhood's, in units of the latter, detector bias of noise against tones removed.

    Noise averaged in dB reads low by ``-law.mean``, a tone does not, and their sum lies between (Rice distribution:
    E ln P = ln S + E1(S/N) for averages in dB; derived). For other averages the bias goes with the relative variance.
    """
    from scipy.special import exp1

    shown = (level_dbm - reference_dbm) / DB_PER_NEPER
    grid = np.r_[0.0, np.logspace(-3.0, 5.0, 321)]
    positive = np.maximum(grid, 1e-9)
    if law.average in ("log", "negative_peak"):
        rise = np.log(positive) + exp1(positive) + np.euler_gamma
    else:
        rise = np.log1p(grid) - law.mean * (1.0 - (1.0 + 2.0 * grid) / (1.0 + grid) ** 2)
    rise = np.maximum.accumulate(rise - rise[0])
    return np.asarray(np.where(shown > 0.0, np.interp(shown, rise, grid), np.expm1(shown)), dtype=np.float64)


def _told(
    measurement: Measurement,
    stretch: Stretch,
    mean_dbm: float,
    centre: float,
    centre_std: float,
    width: float | None,
    over_db: float,
    over_std: float,
    rate: float,
    law: PointLaw,
) -> Guest:
    sweep = measurement.sweep
    rbw = sweep.settings.rbw_hz or sweep.spacing_hz
    host = stretch.host
    index = min(
        host.carriers,
        key=lambda i: abs(measurement.carriers[i].centre_hz - centre) / max(measurement.carriers[i].width_hz, 1.0),
    )
    floor_dbm = float(np.interp(centre, sweep.frequency_hz, measurement.floor.level_dbm))
    ratio = 10.0 ** ((mean_dbm - floor_dbm) / 10.0)  # carrier and floor over floor
    cn_db = 10.0 * math.log10(max(ratio - 1.0, 1e-3))
    own: Carrier = measurement.carriers[index]
    whole = len(host.carriers) > 1  # parted by the guest: the host's own edges count
    rate_bd = host.high_hz - host.low_hz if whole or own.symbol_rate_bd is None else own.symbol_rate_bd
    carrier_dbm = floor_dbm + cn_db + 10.0 * math.log10(rate_bd / (ENBW_PER_RBW_GAUSSIAN * rbw))
    power_dbm = mean_dbm + over_db
    c_over_i = carrier_dbm - power_dbm
    seen = own.cn_db is not None or whole
    tests = measurement.sweep.points
    loss = es_n0_loss_db(cn_db, c_over_i) if seen else None
    slope = 0.0 if loss is None else 1.0 - 10.0 ** (-loss / 10.0)
    level_std = 0.1  # of the plateau and of the filter's noise bandwidth (common practice)
    both = math.hypot(over_std, level_std)
    return Guest(
        centre,
        centre_std,
        width,
        power_dbm,
        both,
        over_db,
        over_std,
        None if width is not None else cw_limit_db(law.information, min(0.5, rate / tests), 0.95),
        index,
        c_over_i,
        both,
        loss,
        None if loss is None else max(slope * both, 1e-3),
        stretch.false_alarms,
    )
