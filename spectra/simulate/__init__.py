"""Room simulate: a swept analyser that draws its readings one by one, and scenes of what it looks at.

In memory: `received_spectrum(sky, receive, table, chain)` or a `Spectrum` of one's own, then
`sweep_spectrum(spectrum, analyser, seed)`, with `carriers_in_sweep(spectrum, analyser)` for the truth.
From a file: `simulate(scene, out_dir)`.
"""

import sys
from pathlib import Path
from types import ModuleType

from spectra.simulate.analyser import Analyser
from spectra.simulate.onair import received_polarisation, received_spectrum, spectrum_for_sweep
from spectra.simulate.run import simulate, simulate_sweep, truth_of
from spectra.simulate.scene import (
    ExtraCarrier,
    Interferer,
    Neighbour,
    Receive,
    Scene,
    SceneSweep,
    Sky,
    Transponder,
)
from spectra.simulate.scenefile import load_scene
from spectra.simulate.spectrum import Emission, ReceiveLine, Spectrum, Tone
from spectra.simulate.sweeper import expected_power_mw, sweep_spectrum
from spectra.simulate.truth import TruthCarrier, carriers_in_sweep

__all__ = [
    "Analyser",
    "Emission",
    "ExtraCarrier",
    "Interferer",
    "Neighbour",
    "Receive",
    "ReceiveLine",
    "Scene",
    "SceneSweep",
    "Sky",
    "Spectrum",
    "Tone",
    "Transponder",
    "TruthCarrier",
    "carriers_in_sweep",
    "expected_power_mw",
    "load_scene",
    "received_polarisation",
    "received_spectrum",
    "simulate",
    "simulate_sweep",
    "spectrum_for_sweep",
    "sweep_spectrum",
    "truth_of",
]


class _CallableModule(ModuleType):
    """The room and its main function share a name; ``spectra.simulate(...)`` works whichever was imported first."""

    def __call__(
        self, scene: Scene | str | Path, out_dir: str | Path, *, truth: bool = False, overwrite: bool = False
    ) -> list[Path]:
        return simulate(scene, out_dir, truth=truth, overwrite=overwrite)


sys.modules[__name__].__class__ = _CallableModule
