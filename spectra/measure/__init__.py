"""Room measure: noise floor, detection, the fit and its uncertainty, quality as far as the sweep alone tells.

`measure` is the way in. The method is written up in METHOD.md beside this file.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from spectra.measure.measurement import Measurement
    from spectra.sweep import Sweep

__all__ = ["measure"]


def measure(sweep: Sweep, *, false_alarms_per_sweep: float = 0.01) -> Measurement:
    """Measure the carriers and the floor of one sweep, each number with its standard uncertainty.

    Parameters
    ----------
    sweep : Sweep
        The trace, with as many of its settings as are known.
    false_alarms_per_sweep : float
        Carriers that a sweep of noise alone may show, on average; between 1e-9 and 1.

    Returns
    -------
    Measurement
        Carriers by rising frequency, the floor at every point, and findings about the sweep's quality.

    Raises
    ------
    MeasurementError
        If the sweep has too few points to part floor and carriers, or the rate is out of range.

    Notes
    -----
    C/N is over the floor seen in the gaps. That floor lacks the noise that arrives inside the transponder, so C/N is an
    upper limit of what a demodulator reports.

    References
    ----------
    .. [1] METHOD.md beside this file: model, likelihood, algorithm, approximations, sources.
    """
    from spectra.measure.pipeline import measured

    return measured(sweep, false_alarms_per_sweep)


class _CallableModule(ModuleType):
    """The room and its one function share a name; ``spectra.measure(sweep)`` works whichever was imported first."""

    def __call__(self, sweep: Sweep, *, false_alarms_per_sweep: float = 0.01) -> Measurement:
        return measure(sweep, false_alarms_per_sweep=false_alarms_per_sweep)


sys.modules[__name__].__class__ = _CallableModule
