"""What the analyser at hand can do: points, RBW steps, and how long a sweep takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from spectra.errors import UsageError
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN

__all__ = ["STEPS_1_3_10", "AnalyserModel", "SweepTimeModel"]

STEPS_1_3_10: tuple[float, ...] = tuple(digit * 10.0**power for power in range(2, 7) for digit in (1.0, 3.0))
"""RBW steps in Hz from 100 Hz to 3 MHz; the customary 1-3-10 sequence (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SweepTimeModel:
    """How long one sweep takes.

    Attributes
    ----------
    settle : float
        k in sweep time = k span / RBW^2, what a swept Gaussian filter needs to settle; 2 to 3 is customary for
        near-Gaussian filters (from memory, of application notes on swept analysers).
    overhead_s : float
        Retrace and display between two sweeps (our guess; only the estimated total depends on it).
    least_s : float
        Shortest sweep time that can be set (our guess, the same).
    """

    settle: float = 2.5
    overhead_s: float = 0.05
    least_s: float = 0.01

    def sweep_time_s(self, span_hz: float, rbw_hz: float) -> float:
        """Return the shortest sweep time in which the filter settles."""
        return max(self.least_s, self.settle * span_hz / rbw_hz**2)


@dataclass(frozen=True, slots=True)
class AnalyserModel:
    """The analyser as far as planning goes.

    Attributes
    ----------
    points : int
        Points of one trace.
    rbw_steps_hz : tuple of float
        RBWs that can be set, rising; VBWs the same.
    time : SweepTimeModel
    points_share_noise : bool
        Whether points nearer than the RBW see the same stretch of noise. True is the careful choice: an analyser
        whose points do not share noise shows more than was promised.

    Raises
    ------
    UsageError
        If no analyser is like that.
    """

    points: int = 1001
    rbw_steps_hz: tuple[float, ...] = STEPS_1_3_10
    time: SweepTimeModel = SweepTimeModel()
    points_share_noise: bool = True

    def __post_init__(self) -> None:
        if self.points < 11:
            raise UsageError("points", None, str(self.points), "11 or more", "State the points of one trace.")
        steps = self.rbw_steps_hz
        if not steps or min(steps) <= 0.0 or list(steps) != sorted(set(steps)):
            raise UsageError(
                "RBW steps", None, repr(steps), "rising widths in Hz", "State them like 10kHz 30kHz 100kHz."
            )

    def rbw_at_most(self, limit_hz: float) -> float:
        """Return the widest RBW not above `limit_hz`, or the narrowest there is."""
        return max(
            (step for step in self.rbw_steps_hz if step <= limit_hz * (1.0 + 1e-9)), default=self.rbw_steps_hz[0]
        )

    def vbw_for(self, rbw_hz: float) -> float | None:
        """Return a VBW of three RBWs or more (ITU-R SM.443, from memory), None where none is that wide.

        Beyond the steps known here "as wide as it goes" is meant.
        """
        return min((step for step in self.rbw_steps_hz if step >= 3.0 * rbw_hz * (1.0 - 1e-9)), default=None)

    def readings_per_sweep(self, span_hz: float, rbw_hz: float, sweep_time_s: float) -> float:
        """Return the independent readings of an RMS point in one sweep: dwell times noise bandwidth, at least 1."""
        return max(1.0, sweep_time_s / self.points * rbw_hz * ENBW_PER_RBW_GAUSSIAN)

    def most_span_hz(self, rbw_hz: float) -> float:
        """Return the span in which points lie no farther apart than the RBW."""
        return math.floor(self.points - 1) * rbw_hz
