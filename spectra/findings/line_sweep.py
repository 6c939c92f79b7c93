"""The sweep that can show mismatches at the two ends of a cable."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from spectra.findings.line_ripple import COMMON_VELOCITY_FACTOR, distance_m, period_hz
from spectra.units import jsonable

if TYPE_CHECKING:
    from spectra.plan.chain import ReceiveChain

__all__ = ["LineSweep", "line_sweep", "line_sweep_words"]

_ROOM = 1.05  # beyond the length told: adapters and the velocity factor's own error
_PARTS = 4.0  # of a period, for point spacing and RBW: a Gaussian filter then passes 0.8 of the ripple (derived)
_NONCENTRALITY = 70.0  # at which a ripple is found with certainty among a thousand rates, and the noise around it
_RIPPLE_DB = 0.5  # from peak to peak
_USED = 0.7  # share of the points on floor and plateaus (common practice, no source)
_STEPS = tuple(digit * 10.0**power for power in range(3, 7) for digit in (1.0, 3.0))


@dataclass(frozen=True, slots=True)
class LineSweep:
    """A sweep of the IF that shows a ripple of 0.5 dB of two mismatches up to `longest_m` apart."""

    start_hz: float
    stop_hz: float
    points: int
    rbw_hz: float
    averages: int
    longest_m: float

    def to_dict(self) -> dict[str, Any]:
        """Return the sweep as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


def line_sweep(chain: ReceiveChain, points: int = 1001, rbw_steps_hz: Sequence[float] = _STEPS) -> LineSweep | None:
    """Return the sweep for the chain's cable; None where it tells no length or no RBW that can be set is narrow enough.

    Parameters
    ----------
    chain : ReceiveChain
    points : int
        That a trace can hold; the span is cut where they would lie too far apart.
    rbw_steps_hz : sequence of float
        RBWs that can be set.

    Notes
    -----
    One reading a point and sweep is reckoned with: a ripple of amplitude a among n points of M averages of power has
    the noncentrality a^2 n M / (2 (10 / ln 10)^2) (derived).
    """
    if chain.cable is None or points < 33:
        return None
    factor = chain.cable.velocity_factor or COMMON_VELOCITY_FACTOR
    part = period_hz(_ROOM * chain.cable.length_m, factor) / _PARTS
    fitting = [step for step in rbw_steps_hz if step <= part]
    if not fitting:
        return None
    span = min(chain.if_max_hz - chain.if_min_hz, (points - 1) * part)
    amplitude, spread = 0.5 * _RIPPLE_DB, 10.0 / math.log(10.0)
    averages = math.ceil(2.0 * _NONCENTRALITY * spread**2 / (0.8 * amplitude) ** 2 / (_USED * points))
    rbw = max(fitting)
    spacing = span / (points - 1)
    longest = distance_m(max(3.0 * rbw, _PARTS * spacing), factor)
    return LineSweep(chain.if_min_hz, chain.if_min_hz + span, points, rbw, averages, longest)


def line_sweep_words(wanted: LineSweep) -> str:
    """Return a sweep in words, as a next step."""
    return (
        f"Sweep {wanted.start_hz / 1e6:.0f} to {wanted.stop_hz / 1e6:.0f} MHz with {wanted.points} points, RBW "
        f"{wanted.rbw_hz / 1e3:g} kHz, RMS detector and {wanted.averages} averages: it shows mismatches up to "
        f"{wanted.longest_m:.0f} m apart."
    )
