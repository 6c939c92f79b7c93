"""What reaches the analyser's input: noise of the receive line, emissions with a raised-cosine spectrum, tones.

Everything here is a mean power density or a power; nothing random. Densities are dBm in 1 Hz, frequencies true IF.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from spectra.errors import SceneError
from spectra.units import FloatArray, db, from_db

__all__ = ["Emission", "ReceiveLine", "Role", "Spectrum", "Tone", "raised_cosine_area"]

Role = Literal["carrier", "leakage", "neighbour", "interferer", "noise"]
"""What an emission is to the user; `noise` (a transponder's own noise, a hump) is no carrier in the truth."""


def raised_cosine_area(offset: FloatArray, roll_off: float) -> FloatArray:
    """Return the integral of the raised cosine (plateau 1) from 0 to `offset`; offsets in symbol rates.

    Cells of the simulator's grid hold the integral over the cell, so that a carrier narrower than a cell keeps its
    power. Derived: x up to x1 = (1 - a)/2, then x1 + (x - x1)/2 + a/(2 pi) sin(pi (x - x1)/a).
    """
    x = np.abs(offset)
    flat_end = 0.5 * (1.0 - roll_off)
    area = np.minimum(x, flat_end)
    if roll_off > 0.0:
        t = np.clip((x - flat_end) / roll_off, 0.0, 1.0)
        area = area + 0.5 * roll_off * (t + np.sin(math.pi * t) / math.pi)
    return np.asarray(np.copysign(area, offset), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class ReceiveLine:
    """Gain over frequency of LNB, cable and amplifiers: tilt, ripple, edges of the IF filter.

    Attributes
    ----------
    start_hz, stop_hz : float
        The range over which the tilt is told. Mean gain there is 0 dB before ripple and edges.
    tilt_db : float
        Gain at stop minus gain at start, linear in frequency.
    ripple_db, ripple_period_hz, ripple_phase_rad : float
        Ripple peak to peak, its period and the phase of its sine at `start_hz`.
    low_edge_hz, high_edge_hz : float or None
        Where the IF filter's gain is half its depth (in dB) down; None for no edge.
    edge_width_hz, edge_depth_db : float
        Width over which an edge falls, and how far.
    """

    start_hz: float = 950e6
    stop_hz: float = 2150e6
    tilt_db: float = 0.0
    ripple_db: float = 0.0
    ripple_period_hz: float = 40e6
    ripple_phase_rad: float = 0.0
    low_edge_hz: float | None = None
    high_edge_hz: float | None = None
    edge_width_hz: float = 20e6
    edge_depth_db: float = 30.0

    def gain_db(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the gain in dB at each frequency."""
        f = np.asarray(frequency_hz, dtype=np.float64)
        gain = self.tilt_db * ((f - self.start_hz) / (self.stop_hz - self.start_hz) - 0.5)
        if self.ripple_db:
            turn = 2.0 * math.pi * (f - self.start_hz) / self.ripple_period_hz + self.ripple_phase_rad
            gain = gain + 0.5 * self.ripple_db * np.sin(turn)
        if self.low_edge_hz is not None:
            gain = gain - self._edge(self.low_edge_hz - f)
        if self.high_edge_hz is not None:
            gain = gain - self._edge(f - self.high_edge_hz)
        return np.asarray(gain, dtype=np.float64)

    def _edge(self, beyond_hz: FloatArray) -> FloatArray:
        t = np.clip(beyond_hz / self.edge_width_hz + 0.5, 0.0, 1.0)
        return np.asarray(0.5 * self.edge_depth_db * (1.0 - np.cos(math.pi * t)), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Emission:
    """A noise-like signal with a raised-cosine power spectrum.

    `power_dbm` is its whole power; with `through_line` the line's gain still comes on top, without it the signal enters
    the cable right before the analyser. `duty` is the share of sweeps in which it is on.
    """

    centre_hz: float
    symbol_rate_bd: float
    roll_off: float
    power_dbm: float
    through_line: bool = True
    duty: float = 1.0
    role: Role = "carrier"
    name: str = ""
    table_line: int | None = None
    kind: Literal["modulated", "other"] = "modulated"

    def __post_init__(self) -> None:
        if not self.symbol_rate_bd > 0.0:
            _refuse("emission", f"symbol_rate_bd {self.symbol_rate_bd!r}", "a positive number")
        if not 0.0 <= self.roll_off <= 1.0:
            _refuse("emission", f"roll_off {self.roll_off!r}", "a number from 0 to 1")
        _check_common(self.centre_hz, self.power_dbm, self.duty)

    @property
    def width_hz(self) -> float:
        """Full width, symbol rate times (1 + roll-off)."""
        return self.symbol_rate_bd * (1.0 + self.roll_off)

    def power_between_mw(self, edges_hz: FloatArray) -> FloatArray:
        """Return the power between successive edges, in mW, before the line's gain."""
        area = raised_cosine_area((edges_hz - self.centre_hz) / self.symbol_rate_bd, self.roll_off)
        return np.asarray(from_db(self.power_dbm) * np.diff(area), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Tone:
    """An unmodulated carrier. Power, way in and duty as for `Emission`."""

    frequency_hz: float
    power_dbm: float
    through_line: bool = True
    duty: float = 1.0
    role: Role = "carrier"
    name: str = ""
    table_line: int | None = None

    def __post_init__(self) -> None:
        _check_common(self.frequency_hz, self.power_dbm, self.duty)


@dataclass(frozen=True, slots=True)
class Spectrum:
    """The whole input: noise density of the line's output (before its gain over frequency), emissions, tones.

    `density_dbm_hz` None means that no LNB is there (a terminated cable): the analyser's own noise remains.
    """

    density_dbm_hz: float | None
    line: ReceiveLine = field(default_factory=ReceiveLine)
    emissions: tuple[Emission, ...] = ()
    tones: tuple[Tone, ...] = ()

    def with_carrier(
        self, centre_hz: float, symbol_rate_bd: float, roll_off: float, cn_db: float, name: str = ""
    ) -> Spectrum:
        """Return the spectrum with one more carrier, its C/N told in a noise bandwidth equal to the symbol rate."""
        emission = Emission(centre_hz, symbol_rate_bd, roll_off, self.power_for_cn(cn_db, symbol_rate_bd), name=name)
        return Spectrum(self.density_dbm_hz, self.line, (*self.emissions, emission), self.tones)

    def with_tone(self, frequency_hz: float, cn0_dbhz: float, name: str = "") -> Spectrum:
        """Return the spectrum with one more unmodulated carrier of that C/N0."""
        tone = Tone(frequency_hz, self.power_for_cn(cn0_dbhz, 1.0), name=name)
        return Spectrum(self.density_dbm_hz, self.line, self.emissions, (*self.tones, tone))

    def power_for_cn(self, cn_db: float, bandwidth_hz: float) -> float:
        """Return the power (dBm, before the line's gain) of a carrier with that C/N in that bandwidth.

        Raises
        ------
        SceneError
            If the spectrum has no noise to refer to.
        """
        if self.density_dbm_hz is None:
            _refuse("spectrum", "a C/N without a noise density", "a density or a power in dBm")
        assert self.density_dbm_hz is not None
        return self.density_dbm_hz + cn_db + 10.0 * math.log10(bandwidth_hz)

    def cell_powers_mw(self, first_hz: float, step_hz: float, cells: int, *, on: tuple[bool, ...] = ()) -> FloatArray:
        """Return the mean power in each cell of an even grid, tones left out.

        Parameters
        ----------
        first_hz, step_hz, cells
            Centre of the first cell, width of a cell, number of cells.
        on : tuple of bool
            Which emissions are on, in their order; empty for all.
        """
        centres = first_hz + step_hz * np.arange(cells, dtype=np.float64)
        gain = from_db(self.line.gain_db(centres))
        noise = 0.0 if self.density_dbm_hz is None else step_hz * from_db(self.density_dbm_hz)
        shaped, direct = np.full(cells, noise), np.zeros(cells)
        for index, emission in enumerate(self.emissions):
            if on and not on[index]:
                continue
            half = 0.5 * emission.width_hz
            low = max(0, math.floor((emission.centre_hz - half - first_hz) / step_hz))
            high = min(cells - 1, math.ceil((emission.centre_hz + half - first_hz) / step_hz))
            if high < low:
                continue
            edges: FloatArray = first_hz + step_hz * (np.arange(low, high + 2, dtype=np.float64) - 0.5)
            (shaped if emission.through_line else direct)[low : high + 1] += emission.power_between_mw(edges)
        return np.asarray(shaped * gain + direct, dtype=np.float64)

    def noise_density_dbm_hz(self, frequency_hz: float, own_noise_dbm_hz: float) -> float:
        """Return the density of line noise and analyser noise together at one frequency."""
        total = from_db(own_noise_dbm_hz)
        if self.density_dbm_hz is not None:
            total += from_db(self.density_dbm_hz + float(self.line.gain_db(np.asarray(frequency_hz))))
        return float(db(total))

    def received_power_dbm(self, signal: Emission | Tone) -> float:
        """Return the power of a signal at the analyser's input, the line's gain over its width included."""
        if not signal.through_line:
            return signal.power_dbm
        if isinstance(signal, Tone):
            return signal.power_dbm + float(self.line.gain_db(np.asarray(signal.frequency_hz)))
        half = 0.5 * signal.width_hz
        edges: FloatArray = np.linspace(signal.centre_hz - half, signal.centre_hz + half, 257)
        gain = from_db(self.line.gain_db(edges[:-1] + half / 256.0))
        return float(db(np.sum(signal.power_between_mw(edges) * gain)))

    def total_power_dbm(self, start_hz: float, stop_hz: float) -> float:
        """Return everything between two frequencies, tones included (what drives an input into compression)."""
        cells = 4096
        step = (stop_hz - start_hz) / cells
        total = float(self.cell_powers_mw(start_hz + 0.5 * step, step, cells).sum())
        for tone in self.tones:
            if start_hz <= tone.frequency_hz <= stop_hz:
                total += from_db(self.received_power_dbm(tone))
        return float(db(max(total, 1e-300)))


def _check_common(frequency_hz: float, power_dbm: float, duty: float) -> None:
    if not (math.isfinite(frequency_hz) and math.isfinite(power_dbm)):
        _refuse("emission", f"frequency {frequency_hz!r} or power {power_dbm!r}", "finite numbers")
    if not 0.0 <= duty <= 1.0:
        _refuse("emission", f"duty {duty!r}", "a share from 0 to 1")


def _refuse(source: str, found: str, expected: str) -> None:
    raise SceneError(source, None, found, expected, "Mend that value.")
