"""C/N, centre and widths of real modulated waveforms: symbols, pulse shaping and noise as samples, not as a spectrum.

Nothing of the simulator or of the fitted law is used: random QPSK symbols pass a root-raised-cosine filter made in the
frequency domain from its definition (ETSI EN 302 307-1 clause 5.6, from memory), complex white noise is added, and a
bank of Gaussian filters (a short-time Fourier transform with a Gaussian window) makes the trace, stretch by stretch of
the span one after the other in time as a swept analyser does. (The two edges of a carrier repeat the same symbols: seen
at one moment they fluctuate together, which would make symbol rate and roll-off look better known than they are.)
"""

import math

import numpy as np
import pytest

from spectra import Sweep, measure

RATE_HZ = 40e6
RBW_HZ = 100e3
FRAMES = 64
STRETCHES = 12
BLOCK = 2048
CENTRE_HZ = 1.5e9
# centre from the middle of the span, symbol rate, roll-off, C/N in a bandwidth equal to the symbol rate
CARRIERS = ((-11.3e6, 5e6, 0.20, 10.0), (-3.1e6, 2e6, 0.35, 6.0), (9.2e6, 8e6, 0.25, 14.0))


def _qpsk(rng: np.random.Generator, samples: int, rate_bd: float, roll_off: float) -> np.ndarray:
    """Return unit-power QPSK at `rate_bd`; symbols are laid on the spectrum, so any ratio to the sample rate goes."""
    count = round(samples * rate_bd / RATE_HZ)
    symbols = (rng.choice([-1.0, 1.0], count) + 1j * rng.choice([-1.0, 1.0], count)) / math.sqrt(2.0)
    line = np.fft.fft(symbols)  # periodic in the symbol rate
    frequency = np.fft.fftfreq(samples, 1.0 / RATE_HZ)
    nyquist, x = 0.5 * rate_bd, np.abs(frequency)
    inside = np.clip((x - nyquist * (1.0 - roll_off)) / (2.0 * nyquist * roll_off), 0.0, 1.0)
    shape = np.sqrt(0.5 * (1.0 + np.cos(math.pi * inside)))
    wave = np.fft.ifft(line[np.round(frequency * samples / RATE_HZ).astype(int) % count] * shape)
    return wave / math.sqrt(np.mean(np.abs(wave) ** 2))


def _record(rng: np.random.Generator) -> np.ndarray:
    """Return carriers and noise as complex samples; the record is periodic."""
    samples = BLOCK * FRAMES
    density = 1.0 / RATE_HZ  # noise of unit power over the sampled band
    wave = (rng.standard_normal(samples) + 1j * rng.standard_normal(samples)) / math.sqrt(2.0)
    for offset, rate, roll_off, cn_db in CARRIERS:
        power = 10.0 ** (cn_db / 10.0) * density * rate
        turns = round(offset * samples / RATE_HZ)
        carrier = np.exp(2j * math.pi * turns / samples * np.arange(samples))
        wave += math.sqrt(power) * _qpsk(rng, samples, rate, roll_off) * carrier
    return wave


def _trace(seed: int) -> Sweep:
    rng = np.random.default_rng(seed)
    sigma_hz = RBW_HZ / (2.0 * math.sqrt(2.0 * math.log(2.0)))  # of the power response
    sigma_s = 1.0 / (2.0 * math.sqrt(2.0) * math.pi * sigma_hz)
    window = np.exp(-0.5 * ((np.arange(BLOCK) - BLOCK / 2) / (RATE_HZ * sigma_s)) ** 2)
    window /= window.sum()
    power = np.empty(BLOCK)
    for part in np.array_split(np.arange(BLOCK), STRETCHES):
        frames = np.fft.fft(_record(rng).reshape(FRAMES, BLOCK) * window, axis=1)
        power[part] = np.fft.fftshift(np.mean(np.abs(frames) ** 2, axis=0))[part]
    f = np.fft.fftshift(np.fft.fftfreq(BLOCK, 1.0 / RATE_HZ))
    keep = (np.abs(f) < 0.45 * RATE_HZ) & (np.arange(BLOCK) % 3 == 0)
    level = np.round(-40.0 + 10.0 * np.log10(power[keep]), 2)
    return Sweep.from_arrays(CENTRE_HZ + f[keep], level, rbw_hz=RBW_HZ, detector="rms", averages=FRAMES)


@pytest.fixture(scope="module")
def found() -> list:
    return [measure(_trace(seed)).carriers for seed in range(12)]


def test_every_carrier_and_no_other(found: list) -> None:
    assert [len(carriers) for carriers in found] == [3] * len(found)
    assert {carrier.kind for carriers in found for carrier in carriers} == {"modulated"}


@pytest.mark.parametrize("index", range(3))
def test_truth_within_its_uncertainty(found: list, index: int) -> None:
    """Mean square of 12 pulls (error over stated uncertainty) below 32.9 / 12: chi-squared of 12, upper 0.1 %."""
    offset, rate, roll_off, cn_db = CARRIERS[index]
    truth = {"centre": CENTRE_HZ + offset, "symbol_rate": rate, "roll_off": roll_off, "cn": cn_db}
    pulls = {name: [] for name in truth}
    for carriers in found:
        c = carriers[index]
        pulls["centre"].append((c.centre_hz - truth["centre"]) / c.centre_std_hz)
        pulls["symbol_rate"].append((c.symbol_rate_bd - rate) / c.symbol_rate_std_bd)
        if c.roll_off is not None:
            pulls["roll_off"].append((c.roll_off - roll_off) / c.roll_off_std)
        pulls["cn"].append((c.cn_db - cn_db) / c.cn_std_db)
    for name, values in pulls.items():
        assert np.mean(np.square(values)) < 32.9 / 12, (name, values)


def test_cn_has_no_bias(found: list) -> None:
    """Mean error of C/N over 12 traces within 0.1 dB for each carrier (its standard error is 0.03 to 0.07 dB)."""
    for index, (_, _, _, cn_db) in enumerate(CARRIERS):
        errors = [carriers[index].cn_db - cn_db for carriers in found]
        assert abs(np.mean(errors)) < 0.1 + 3.0 * np.std(errors) / math.sqrt(len(errors))
