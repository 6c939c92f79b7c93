"""Room simulate: a swept analyser that draws its readings one by one, and scenes of what it looks at.

In memory: `received_spectrum(sky, receive, table, chain)` or a `Spectrum` of one's own, then
`sweep_spectrum(spectrum, analyser, seed)`, with `carriers_in_sweep(spectrum, analyser)` for the truth.
From a file: `simulate(scene, out_dir)`.
"""

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
