"""The swept analyser: readings drawn one by one, through filter, video filter, detector and trace average.

One reading at a point is the squared envelope of complex Gaussian noise on a fine frequency grid, weighted by the
filter's amplitude response, with each tone added as a phasor of random phase. No trace point is ever drawn from a law
of its own: what an average of readings follows comes out of the physics.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator, SeedSequence
from numpy.typing import NDArray

from spectra.simulate.analyser import Analyser, AverageType
from spectra.simulate.spectrum import Spectrum
from spectra.sweep import Origin, Sweep, TraceMode
from spectra.units import FloatArray, from_db

__all__ = ["expected_power_mw", "sweep_spectrum", "trace_powers_mw"]

_CHUNK_CELLS = 1 << 20
"""Complex cells drawn at a time: 16 MB, whatever the sweep."""

_LOG_DECAY = 7.0
"""The video filter starts from rest so many time constants before the first reading kept (rest 0.1 %)."""

ComplexArray = NDArray[np.complex128]


def sweep_spectrum(
    spectrum: Spectrum,
    analyser: Analyser,
    seed: int | SeedSequence,
    *,
    file: str = "(simulated)",
    also: tuple[TraceMode, ...] = (),
) -> Sweep:
    """Return one sweep of a spectrum as the analyser would save it.

    Parameters
    ----------
    spectrum : Spectrum
    analyser : Analyser
    seed : int or SeedSequence
        The same seed gives the same sweep.
    file : str
        Name to put into the sweep's origin.
    also : tuple of str
        Trace modes of further traces, made of the same readings and put into the sweep's `traces` by these names.
    """
    main = analyser.shown_mode
    made = trace_powers_mw(spectrum, analyser, seed, (main, *also))
    levels = {mode: _displayed(power_mw, analyser) for mode, power_mw in made.items()}
    origin = Origin(file=file, layout="simulated")
    others: dict[str, FloatArray] = {mode: levels[mode] for mode in also}
    return Sweep(analyser.frequency_hz, levels[main], analyser.settings(), origin, others)


def _displayed(power_mw: FloatArray, analyser: Analyser) -> FloatArray:
    level = 10.0 * np.log10(np.maximum(power_mw, 1e-300)) + analyser.level_error_db
    if analyser.clip_low_dbm is not None or analyser.clip_high_dbm is not None:
        level = np.clip(level, analyser.clip_low_dbm, analyser.clip_high_dbm)
    if analyser.rounding_db > 0.0:
        level = np.round(level / analyser.rounding_db) * analyser.rounding_db
    return np.asarray(level, dtype=np.float64)


def trace_powers_mw(
    spectrum: Spectrum, analyser: Analyser, seed: int | SeedSequence, modes: tuple[TraceMode, ...]
) -> dict[TraceMode, FloatArray]:
    """Return traces as power by mode, each of shape (points,), before level error, rounding and clipping."""
    root = seed if isinstance(seed, SeedSequence) else SeedSequence(seed)
    # spawn() would change the caller's seed sequence: the same seed must give the same sweep again
    children = [SeedSequence(root.entropy, spawn_key=(*root.spawn_key, k)) for k in range(analyser.averages)]
    front = _Front.of(spectrum, analyser)
    into, out_of = _SCALES[analyser.scale]
    total, highest, lowest = (
        np.zeros(analyser.points),
        np.full(analyser.points, -np.inf),
        np.full(analyser.points, np.inf),
    )
    last = total
    for child in children:
        last = _one_sweep(front, child)
        total += into(last)
        np.maximum(highest, last, out=highest)
        np.minimum(lowest, last, out=lowest)
    made: dict[TraceMode, FloatArray] = {
        "average": out_of(total / len(children)),
        "max_hold": highest,
        "min_hold": lowest,
        "clear_write": last,
    }
    gain = _compression(spectrum, analyser)
    return {mode: np.asarray(made[mode] * gain, dtype=np.float64) for mode in modes}


def expected_power_mw(spectrum: Spectrum, analyser: Analyser) -> FloatArray:
    """Return the mean power that the filter passes at each point, analyser noise and tones included, shape (points,).

    This is what an rms trace tends to, everything switched on, before level error and compression.
    """
    front = _Front.of(spectrum, analyser)
    offsets, on = front.offsets(), (True,) * len(spectrum.emissions)
    total = sum(front.mean_noise_mw(on, offset) + front.mean_tones_mw(offset) for offset in offsets)
    return np.asarray(total / len(offsets), dtype=np.float64)


def _compression(spectrum: Spectrum, analyser: Analyser) -> float:
    """Gain (1 or less) from the total input power; 1 dB at the stated power, growing smoothly through it."""
    if analyser.compression_1db_dbm is None:
        return 1.0
    total = spectrum.total_power_dbm(analyser.start_hz, analyser.stop_hz)
    return float(1.0 / (1.0 + (10.0**0.1 - 1.0) * from_db(total - analyser.compression_1db_dbm)))


# --- scales of averaging -------------------------------------------------------------------------------------------


def _same(power: FloatArray) -> FloatArray:
    return power


def _log(power: FloatArray) -> FloatArray:
    return np.asarray(np.log(np.maximum(power, 1e-300)), dtype=np.float64)


def _exp(value: FloatArray) -> FloatArray:
    return np.asarray(np.exp(value), dtype=np.float64)


def _sqrt(power: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(power), dtype=np.float64)


def _square(value: FloatArray) -> FloatArray:
    return np.asarray(np.square(value), dtype=np.float64)


_SCALES = {"power": (_same, _same), "log": (_log, _exp), "voltage": (_sqrt, _square)}
_MEAN_SCALE: dict[str, AverageType] = {"rms": "power", "log_average": "log", "voltage_average": "voltage"}


# --- the front end: grid, filter, tones ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _ToneResponse:
    """The part of a trace where one tone comes through the filter, for one tuning offset."""

    where: slice
    amplitude: ComplexArray


@dataclass(frozen=True, slots=True, eq=False)
class _Front:
    """Everything of a sweep that does not change from reading to reading."""

    spectrum: Spectrum
    analyser: Analyser
    tuned_hz: FloatArray
    step_hz: float
    per_point: int
    margin: int
    shared: bool

    @classmethod
    def of(cls, spectrum: Spectrum, analyser: Analyser) -> _Front:
        tuned = analyser.tuned_hz
        spacing = (tuned[-1] - tuned[0]) / (tuned.size - 1)
        target = 0.25 * analyser.rbw_hz
        for emission in spectrum.emissions:  # a narrow carrier must not be widened by the cells that hold it
            target = min(target, max(emission.symbol_rate_bd / 8.0, analyser.rbw_hz / 16.0))
        per_point = math.ceil(spacing / target)
        step = spacing / per_point
        margin = math.ceil(analyser.half_support_hz / step) + 1 + per_point
        # Points so far apart that their filters do not overlap share no noise, and need no common grid.
        shared = analyser.mode == "fast" and spacing < 2.0 * analyser.half_support_hz
        return cls(spectrum, analyser, tuned, step, per_point, margin, shared)

    @property
    def cells(self) -> int:
        return (self.tuned_hz.size - 1) * self.per_point + 1 + 2 * self.margin

    def offsets(self) -> list[int]:
        """Tuning offsets of successive readings, in cells; only zero unless the filter sweeps through the bucket."""
        if self.analyser.tuning == "point" or self.per_point == 1:
            return [0]
        count = min(self.per_point, self.analyser.readings_per_sweep)
        share = (np.arange(count) + 0.5) / count - 0.5
        return [int(k) for k in np.round(share * self.per_point)]

    def response(self, reach: int) -> ComplexArray:
        """Amplitude response from `reach` cells below the centre to `reach` above."""
        offsets = np.asarray(np.arange(-reach, reach + 1) * self.step_hz, dtype=np.float64)
        return self.analyser.amplitude_response(offsets)

    def kernel(self, length: int) -> ComplexArray:
        """Amplitude response as a circular kernel: output at cell i is the sum of input at k times H(f_k - f_i)."""
        reach = self.margin - self.per_point
        kernel = np.zeros(length, dtype=np.complex128)
        kernel[-np.arange(-reach, reach + 1)] = self.response(reach)
        return kernel

    def cell_powers_mw(self, on: tuple[bool, ...], first_cell: int, cells: int) -> FloatArray:
        first = self.tuned_hz[0] + (first_cell - self.margin) * self.step_hz
        powers = self.spectrum.cell_powers_mw(first, self.step_hz, cells, on=on)
        own: float = self.step_hz * from_db(self.analyser.own_noise_dbm_hz)
        return np.asarray(powers + own, dtype=np.float64)

    def mean_noise_mw(self, on: tuple[bool, ...], offset: int) -> FloatArray:
        """Mean power of the noise-like part at each point: cell powers weighted by the filter's power response."""
        reach = self.margin - self.per_point
        weights = np.abs(self.response(reach)) ** 2
        total = np.zeros(self.tuned_hz.size)
        block = max(1, _CHUNK_CELLS // self.per_point)
        for first in range(0, total.size, block):
            part = total[first : first + block]  # a view
            span = (part.size - 1) * self.per_point + 1
            powers = self.cell_powers_mw(on, self.per_point * (first + 1) + offset, span + 2 * reach)
            for index, weight in enumerate(weights):
                part += weight * powers[index : index + span : self.per_point]
        return total

    def tones(self, offset: int) -> list[_ToneResponse]:
        """Responses of all tones, in their order, for readings tuned `offset` cells beside the points."""
        tuned = self.tuned_hz + offset * self.step_hz
        responses = []
        for tone in self.spectrum.tones:
            reach = self.analyser.half_support_hz
            low = int(np.searchsorted(tuned, tone.frequency_hz - reach))
            high = int(np.searchsorted(tuned, tone.frequency_hz + reach))
            volt = math.sqrt(from_db(self.spectrum.received_power_dbm(tone)))
            amplitude = volt * self.analyser.amplitude_response(tone.frequency_hz - tuned[low:high])
            responses.append(_ToneResponse(slice(low, high), amplitude))
        return responses

    def mean_tones_mw(self, offset: int) -> FloatArray:
        total = np.zeros(self.tuned_hz.size)
        for tone in self.tones(offset):
            total[tone.where] += np.abs(tone.amplitude) ** 2
        return total


# --- one sweep -----------------------------------------------------------------------------------------------------


def _one_sweep(front: _Front, seed: SeedSequence) -> FloatArray:
    noise_seed, phase_seed, burst_seed = seed.spawn(3)
    burst = np.random.default_rng(burst_seed)
    emissions_on = tuple(bool(burst.random() < emission.duty) for emission in front.spectrum.emissions)
    tones_on = [bool(burst.random() < tone.duty) for tone in front.spectrum.tones]
    noise_rng, phase_rng = np.random.default_rng(noise_seed), np.random.default_rng(phase_seed)
    analyser = front.analyser
    step = analyser.video_step
    warm_up = 0 if step > 0.999 else math.ceil(_LOG_DECAY / step)
    wanted = analyser.readings_per_sweep
    offsets = front.offsets()
    # Warm-up readings of the video filter precede those that the detector keeps.
    order = [offsets[0]] * warm_up + [offsets[k * len(offsets) // wanted] for k in range(wanted)]
    readings = (_shared_readings if front.shared else _separate_readings)(
        front, order, emissions_on, tones_on, noise_rng, phase_rng
    )
    return _detect(_video(readings, step, warm_up, analyser.scale), analyser)


def _video(blocks: Iterator[FloatArray], step: float, skip: int, scale: AverageType) -> Iterator[FloatArray]:
    """Pass readings through a one-pole filter in the given scale and drop the first `skip`."""
    if skip == 0:
        yield from blocks
        return
    into, out_of = _SCALES[scale]
    state: FloatArray | None = None
    for block in blocks:
        out = into(block).copy()
        for row in out:
            state = row.copy() if state is None else state + step * (row - state)
            row[:] = state
        kept = out[min(skip, len(out)) :]
        skip -= len(out) - len(kept)
        if len(kept):
            yield out_of(kept)


def _detect(blocks: Iterator[FloatArray], analyser: Analyser) -> FloatArray:
    """Make one value per point of the readings, arrays of shape (readings, points)."""
    detector = analyser.detector
    if detector in _MEAN_SCALE:
        into, out_of = _SCALES[_MEAN_SCALE[detector]]
        total, count = np.zeros(analyser.points), 0
        for block in blocks:
            total += into(block).sum(axis=0)
            count += len(block)
        return out_of(total / count)
    highest = np.full(analyser.points, -np.inf)
    lowest = np.full(analyser.points, np.inf)
    last = np.zeros(analyser.points)
    for block in blocks:
        np.maximum(highest, block.max(axis=0), out=highest)
        np.minimum(lowest, block.min(axis=0), out=lowest)
        last = block[-1]
    if detector == "sample":
        return last
    if detector == "normal":  # on noise: peaks at every other point, negative peaks between
        return np.where(np.arange(analyser.points) % 2 == 1, highest, lowest)
    return highest if detector == "peak" else lowest


def _shared_readings(
    front: _Front,
    order: list[int],
    emissions_on: tuple[bool, ...],
    tones_on: list[bool],
    noise_rng: Generator,
    phase_rng: Generator,
) -> Iterator[FloatArray]:
    """Yield readings of which all points see the same stretch of noise: one draw of the whole grid per reading."""
    from scipy import fft  # here, so that importing the package stays fast

    cells = front.cells
    length = int(fft.next_fast_len(cells))
    kernel = fft.fft(front.kernel(length))
    spread = np.sqrt(0.5 * front.cell_powers_mw(emissions_on, 0, cells))
    responses = {offset: front.tones(offset) for offset in set(order)}
    stop = front.margin + (front.tuned_hz.size - 1) * front.per_point + 1
    chunk = max(1, _CHUNK_CELLS // length)
    for start in range(0, len(order), chunk):
        part = order[start : start + chunk]
        drawn = noise_rng.standard_normal((len(part), cells, 2)).view(np.complex128)[..., 0]
        drawn *= spread
        passed = fft.ifft(fft.fft(drawn, length, axis=1) * kernel, axis=1)
        phases = np.exp(2j * math.pi * phase_rng.random((len(part), len(tones_on))))
        power = np.empty((len(part), front.tuned_hz.size))
        for row, offset in enumerate(part):
            envelope = passed[row, front.margin + offset : stop + offset : front.per_point].copy()
            for index, tone in enumerate(responses[offset]):
                if tones_on[index]:
                    envelope[tone.where] += phases[row, index] * tone.amplitude
            power[row] = envelope.real**2 + envelope.imag**2
        yield power


def _separate_readings(
    front: _Front,
    order: list[int],
    emissions_on: tuple[bool, ...],
    tones_on: list[bool],
    noise_rng: Generator,
    phase_rng: Generator,
) -> Iterator[FloatArray]:
    """Yield readings of which every point has its own: complex Gaussian with the filtered variance.

    A weighted sum of independent Gaussian cells is Gaussian, so the output is drawn at once instead of cell by cell.
    """
    points = front.tuned_hz.size
    spread = {o: np.sqrt(0.5 * front.mean_noise_mw(emissions_on, o)) for o in set(order)}
    responses = {offset: front.tones(offset) for offset in set(order)}
    chunk = max(1, _CHUNK_CELLS // points)
    for start in range(0, len(order), chunk):
        part = order[start : start + chunk]
        envelope = noise_rng.standard_normal((len(part), points, 2)).view(np.complex128)[..., 0]
        for row, offset in enumerate(part):
            envelope[row] *= spread[offset]
            for index, tone in enumerate(responses[offset]):
                phase = np.exp(2j * math.pi * phase_rng.random(tone.amplitude.size))
                if tones_on[index]:
                    envelope[row, tone.where] += phase * tone.amplitude
        yield envelope.real**2 + envelope.imag**2
