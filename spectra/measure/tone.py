"""Whether what shows the shape of the filter is an unmodulated carrier, or one too narrow for this sweep.

Both show one hump of the filter. They differ in scatter: a carrier that is modulated scatters like noise, a CW hardly
does, and averaging in dB biases only the former. Where the trace does not tell, nothing is claimed.
"""

from __future__ import annotations

import numpy as np

from spectra.measure.engine import Solution
from spectra.measure.moves import as_carrier, stretch_of
from spectra.measure.scene import CW, RC

__all__ = ["is_tone"]

_SURE = 2.0  # ln(likelihood) over that of a narrow carrier, whose width is free
_WIDTHS = (0.1, 0.5)  # of an RBW, to start from


def is_tone(solution: Solution, k: int) -> bool:
    """Say whether the trace tells that carrier `k`, fitted as a CW, is none that is merely narrow."""
    trace, scene, at = solution.trace, solution.scene, solution.at
    near = (at.first < at.last[k]) & (at.last > at.first[k])
    members = np.flatnonzero(near | (np.arange(scene.count) == k))
    stretch = stretch_of(trace, scene, at, members, 8.0 * trace.sigma + 3.0)
    own = int(np.flatnonzero(members == k)[0])
    kinds, theta = [int(kind) for kind in stretch.kind], list(stretch.theta)
    now = stretch.best(kinds, theta, 2)[1]
    kinds[own] = RC
    rbw = solution.rbw_hz / solution.spacing_hz
    for width in _WIDTHS:
        theta[own] = as_carrier(scene.theta[k], width * rbw, trace.sigma)
        if stretch.best(kinds, theta, 6)[1] - now < _SURE:
            return False
    return bool(scene.kind[k] == CW)
