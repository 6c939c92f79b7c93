"""Room simulate: a swept analyser that draws its readings one by one.

In memory: `sweep_spectrum(spectrum, analyser, seed)` and `carriers_in_sweep(spectrum, analyser)` for the truth.
"""

from spectra.simulate.analyser import Analyser
from spectra.simulate.spectrum import Emission, ReceiveLine, Spectrum, Tone
from spectra.simulate.sweeper import expected_power_mw, sweep_spectrum
from spectra.simulate.truth import TruthCarrier, carriers_in_sweep

__all__ = [
    "Analyser",
    "Emission",
    "ReceiveLine",
    "Spectrum",
    "Tone",
    "TruthCarrier",
    "carriers_in_sweep",
    "expected_power_mw",
    "sweep_spectrum",
]
