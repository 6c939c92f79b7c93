"""Scenes for the measurement's campaigns and tests: readings drawn one by one, by numerics of their own.

A carrier's raised cosine (ETSI EN 302 307-1 clause 5.6, from memory) is sampled finely and smeared by a sampled
Gaussian; points are complex Gaussian noise of that power plus a constant phasor for a CW, then squared and averaged as
the detector does. With `correlated` the noise runs through the filter's amplitude response, so that neighbours share it
as on an analyser that sweeps as fast as its filter allows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from spectra.sweep import Sweep

SIGMA_PER_RBW = 1.0 / 2.354820045  # Gaussian of 3 dB width RBW: sigma = RBW / (2 sqrt(2 ln 2))
DETECTORS = {"power": "rms", "log": "log_average", "voltage": "voltage_average", "peak": "peak", "sample": "sample"}


@dataclass(frozen=True)
class Signal:
    """A carrier (symbol rate above 0) or a CW; `cn_db` over the floor in the symbol rate, or of a CW's peak."""

    centre_hz: float
    symbol_rate_bd: float
    roll_off: float
    cn_db: float


@dataclass(frozen=True)
class Setting:
    """How a scene is swept: span around 1550 MHz, points, RBW, readings per point, average, and its floor."""

    span_hz: float = 100e6
    points: int = 1001
    rbw_hz: float = 100e3
    readings: int = 10
    average: str = "power"
    floor_dbm: float = -95.0
    tilt_db: float = 0.0
    ripple_db: float = 0.0
    period_hz: float = 60e6
    correlated: bool = False

    @property
    def frequency_hz(self) -> np.ndarray:
        return 1550e6 + np.linspace(-0.5 * self.span_hz, 0.5 * self.span_hz, self.points)


def smeared(offset_hz: np.ndarray, rate: float, roll_off: float, sigma: float) -> np.ndarray:
    """Return a raised cosine (plateau 1) smeared by a Gaussian, by a sampled convolution."""
    edge = 0.5 * rate * (1.0 + roll_off)
    step = min(sigma, max(roll_off * rate, 0.02 * rate)) / 12.0
    half = math.ceil((edge + 7.0 * sigma) / step)
    x = step * np.arange(-half, half + 1)
    t = np.clip((np.abs(x) - 0.5 * rate * (1.0 - roll_off)) / (roll_off * rate), 0.0, 1.0)
    spectrum = 0.5 * (1.0 + np.cos(np.pi * t))
    reach = math.ceil(7.0 * sigma / step)
    kernel = np.exp(-0.5 * (step * np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.interp(offset_hz, x, np.convolve(spectrum, kernel / kernel.sum(), mode="same"), left=0.0, right=0.0)


def floor_dbm(setting: Setting) -> np.ndarray:
    f = setting.frequency_hz
    turn = (f - 1550e6) / setting.span_hz
    return (
        setting.floor_dbm
        + setting.tilt_db * turn
        + 0.5 * setting.ripple_db * np.sin(2.0 * np.pi * (f - 1550e6) / setting.period_hz)
    )


def means(setting: Setting, signals: list[Signal]) -> tuple[np.ndarray, np.ndarray]:
    """Return mean noise-like power and CW power at every point, in mW."""
    f, sigma = setting.frequency_hz, setting.rbw_hz * SIGMA_PER_RBW
    floor = 10.0 ** (floor_dbm(setting) / 10.0)
    noise, tone = floor.copy(), np.zeros(f.size)
    for s in signals:
        peak = floor * 10.0 ** (s.cn_db / 10.0)  # carriers come through the same line as the LNB's noise
        if s.symbol_rate_bd > 0.0:
            noise += peak * smeared(f - s.centre_hz, s.symbol_rate_bd, s.roll_off, sigma)
        else:
            tone += peak * np.exp(-0.5 * ((f - s.centre_hz) / sigma) ** 2)
    return noise, tone


def _phasors(rng: np.random.Generator, setting: Setting, noise: np.ndarray) -> np.ndarray:
    shape = (setting.readings, setting.points)
    white = (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / math.sqrt(2.0)
    if setting.correlated:
        spacing = setting.span_hz / (setting.points - 1)
        sigma = setting.rbw_hz * SIGMA_PER_RBW / spacing
        reach = max(1, math.ceil(10.0 * sigma))
        kernel = np.exp(-((np.arange(-reach, reach + 1) / (2.0 * sigma)) ** 2))
        kernel /= math.sqrt(float((kernel**2).sum()))
        spectrum = np.fft.fft(kernel, setting.points + 2 * reach)
        padded = (
            rng.standard_normal((setting.readings, setting.points + 2 * reach))
            + 1j * rng.standard_normal((setting.readings, setting.points + 2 * reach))
        ) / math.sqrt(2.0)
        white = np.fft.ifft(np.fft.fft(padded, axis=1) * spectrum, axis=1)[:, 2 * reach :]
    return white * np.sqrt(noise)


def draw(rng: np.random.Generator, setting: Setting, signals: list[Signal]) -> np.ndarray:
    """Return levels in dBm."""
    noise, tone = means(setting, signals)
    power = np.abs(_phasors(rng, setting, noise) + np.sqrt(tone)) ** 2
    if setting.average == "power":
        return 10.0 * np.log10(power.mean(axis=0))
    if setting.average == "voltage":
        return 20.0 * np.log10(np.sqrt(power).mean(axis=0))
    if setting.average == "peak":
        return 10.0 * np.log10(power.max(axis=0))
    return 10.0 * np.log10(power).mean(axis=0)


def sweep(rng: np.random.Generator, setting: Setting, signals: list[Signal]) -> Sweep:
    """Return a sweep of the scene as an analyser would save it."""
    return Sweep.from_arrays(
        setting.frequency_hz,
        draw(rng, setting, signals),
        rbw_hz=setting.rbw_hz,
        detector=DETECTORS[setting.average],
        averages=1 if setting.average == "peak" else setting.readings,
    )


def crowd(rng: np.random.Generator, setting: Setting, count: int, fill: float) -> list[Signal]:
    """Return `count` carriers that fill about a share of the span, guard bands drawn at random."""
    rates = rng.choice([1.0, 2.0, 5.0, 8.0, 10.0, 15.0, 22.0, 27.5, 30.0, 36.0], count) * setting.span_hz / 1200.0
    roll_off = rng.uniform(0.05, 0.35, count)
    most = min(45e6, 0.2 * setting.span_hz)
    for _ in range(60):
        rates = np.minimum(rates * fill * setting.span_hz / (rates * (1.0 + roll_off)).sum(), most)
    width = rates * (1.0 + roll_off)
    gaps = rng.dirichlet(np.full(count + 1, 1.5)) * (setting.span_hz - width.sum())
    low = setting.frequency_hz[0] + np.cumsum(gaps)[:-1] + np.r_[0.0, np.cumsum(width)[:-1]]
    return [
        Signal(float(a + 0.5 * w), float(r), float(ro), float(rng.uniform(4.0, 16.0)))
        for a, w, r, ro in zip(low, width, rates, roll_off, strict=True)
    ]


def write_table(path, title: str, header: list[str], rows: list[list[str]], seed: int) -> None:
    """Write a campaign's table beside it, with seed and version."""
    from spectra import __version__

    lines = [
        f"# {title}",
        "",
        f"Version {__version__}, seed {seed}, numpy {np.__version__}.",
        "",
        "| " + " | ".join(header) + " |",
        "|" + "---|" * len(header),
    ]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
