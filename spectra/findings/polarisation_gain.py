"""The gain difference of two ports from carriers that each stand on one port only.

Both ports' floors give it as long as both are equally noisy. Carriers give it without that: turned by an angle, a feed
lets as large a part of a carrier of the one port into the other as the other way round (both go with the tangent of the
angle), so that leaks which differ by the direction they go in tell by how much the ports do. With `r` the leak over the
carrier, both in powers as read, the ratio of gains is ``sqrt(r(reference to other) / r(other to reference))``
(derived).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from spectra.findings.polarisation_pair import CarrierIsolation, Home, PortPair
from spectra.units import DB_PER_NEPER

__all__ = ["PortGain", "gain_from_carriers", "port_gain"]

_LEAST = 2
_LIKE_NOISE_DB = 0.5
"""How far two LNBs of one model differ in noise, standard uncertainty (common practice, no source)."""
_IMPURE = 10.0 ** (-32.0 / 20.0)
"""Amplitude that feed or satellite add to a leak at unknown phase: in the middle of 27 to 40 dB."""
_SURE = 3.0


@dataclass(frozen=True, slots=True)
class PortGain:
    """Gain of the other port over the reference port.

    Attributes
    ----------
    gain_db, gain_std_db : float
        The one that is used.
    by : {'floors', 'carriers'}
    floors_db, floors_std_db : float
    carriers_db, carriers_std_db : float or None
        None where too few leaks are seen in both directions.
    """

    gain_db: float
    gain_std_db: float
    by: str
    floors_db: float
    floors_std_db: float
    carriers_db: float | None = None
    carriers_std_db: float | None = None

    @property
    def words(self) -> str:
        """Return how it was had, for a sentence."""
        if self.by == "carriers":
            return (
                f"from carriers that the table lists on one port only, whose leaks go both ways ({self.gain_db:+.1f} ± "
                f"{self.gain_std_db:.1f} dB); the floors would say {self.floors_db:+.1f} dB, so the ports are not "
                "equally noisy"
            )
        told = "from the floors, both ports taken as equally noisy"
        if self.carriers_db is None or self.carriers_std_db is None:
            return told
        return f"{told} (carriers on one port only agree: {self.carriers_db:+.1f} ± {self.carriers_std_db:.1f} dB)"


def gain_from_carriers(pair: PortPair) -> tuple[float, float] | None:
    """Return by how much the gain differs from what the floors say, in dB, and its standard uncertainty.

    Parameters
    ----------
    pair : PortPair
        Only carriers that the table lists on one port, and whose leak is seen, have a say; two at least each way.
    """
    ways = [_leak_db(pair.carriers, home) for home in ("reference", "other")]
    if ways[0] is None or ways[1] is None:
        return None
    (there, there_std), (back, back_std) = ways[0], ways[1]
    # an impurity of unknown phase beside the turn makes the two ways differ
    amplitude = 10.0 ** (0.05 * min(0.5 * (there + back), 0.0))
    unlike = 2.0 * DB_PER_NEPER * _IMPURE / (math.sqrt(2.0) * amplitude)
    return 0.5 * (there - back), 0.5 * math.hypot(there_std, back_std, unlike * math.sqrt(2.0))


def _leak_db(carriers: Sequence[CarrierIsolation], home: Home) -> tuple[float, float] | None:
    """Return leak over carrier (each over its port's floor) in dB, over the listed carriers of one port."""
    mine = [
        (one.isolation_db, one.isolation_std_db)
        for one in carriers
        if one.home == home and one.counts and one.listed and one.isolation_db is not None and one.isolation_std_db
    ]
    if len(mine) < _LEAST:
        return None
    value, std = np.array(mine, dtype=np.float64).T
    weight = std**-2.0
    mean = float(np.average(value, weights=weight))
    scatter = float(np.sum(weight * (value - mean) ** 2)) / (value.size - 1)
    return -mean, math.sqrt(max(scatter, 1.0) / float(weight.sum()))


def port_gain(pair: PortPair) -> tuple[PortGain, PortPair]:
    """Return the gain difference of the ports, and the pair with that difference taken out.

    The floors are believed unless the carriers contradict them beyond doubt: two LNBs of one model differ little in
    noise, while feed and satellite make leaks differ by their direction.
    """
    floors = PortGain(pair.gain_db, pair.gain_std_db, "floors", pair.gain_db, pair.gain_std_db)
    told = gain_from_carriers(pair)
    if told is None:
        return floors, pair
    more, std = told
    both = replace(floors, carriers_db=pair.gain_db + more, carriers_std_db=math.hypot(std, pair.gain_std_db))
    if abs(more) <= _SURE * math.hypot(std, _LIKE_NOISE_DB):
        return both, pair
    gain = replace(both, gain_db=pair.gain_db + more, gain_std_db=math.hypot(std, pair.gain_std_db), by="carriers")
    moved = tuple(_moved(one, more if one.home == "reference" else -more, std) for one in pair.carriers)
    return gain, replace(pair, carriers=moved, gain_db=gain.gain_db, gain_std_db=gain.gain_std_db)


def _moved(one: CarrierIsolation, by_db: float, std_db: float) -> CarrierIsolation:
    """Return a carrier whose leak is weaker by so many dB than the floors made it."""
    factor = 10.0 ** (-0.1 * by_db)
    return replace(
        one,
        leak_hz=None if one.leak_hz is None else one.leak_hz * factor,
        leak_std_hz=None if one.leak_std_hz is None else one.leak_std_hz * factor,
        isolation_db=None if one.isolation_db is None else one.isolation_db + by_db,
        isolation_std_db=None if one.isolation_std_db is None else math.hypot(one.isolation_std_db, std_db),
        lower_bound_db=None if one.lower_bound_db is None else one.lower_bound_db + by_db - 1.645 * std_db,
    )
