"""The analyser that the simulator emulates: settings, filter, own noise, faults."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from spectra.errors import SceneError
from spectra.signal.filters import ENBW_PER_RBW_GAUSSIAN, SIGMA_PER_RBW, enbw_per_rbw_synchronous
from spectra.sweep import DETECTORS, TRACE_MODES, Detector, Settings, TraceMode
from spectra.units import FloatArray

__all__ = ["Analyser", "AverageType", "Mode", "Tuning"]

AverageType = Literal["power", "log", "voltage"]
Mode = Literal["fast", "slow"]
Tuning = Literal["point", "bucket"]

THERMAL_DBM_HZ = 10.0 * math.log10(1.380649e-23 * 290.0 * 1e3)
"""k T at 290 K: no input is quieter. k as fixed by the SI since 2019 (from memory)."""

_DOMAIN_OF: dict[str, AverageType] = {"rms": "power", "voltage_average": "voltage", "log_average": "log"}


@dataclass(frozen=True, slots=True)
class Analyser:
    """Settings of the emulated analyser.

    Attributes
    ----------
    start_hz, stop_hz, points
        The axis as displayed.
    rbw_hz : float
        3 dB width of the resolution filter.
    poles : int or None
        None for a Gaussian filter, else so many synchronously tuned poles.
    vbw_hz : float or None
        3 dB width of the one-pole video filter; None for none.
    detector : str
        What is made of the readings of one point in one sweep.
    averages : int
        Sweeps combined into the trace (averaged, or held).
    average_type : {'power', 'log', 'voltage'} or None
        Scale in which sweeps are averaged and in which the video filter works. None: that of the detector; power for
        rms, log for the detectors that keep one reading (the usual logarithmic display; common practice, no source).
    trace_mode : str or None
        None: average if several sweeps, else clear_write.
    readings : int or None
        Independent readings of one point in one sweep. None: dwell times noise bandwidth from `sweep_time_s`, at
        least 1; 1 where no sweep time is told.
    mode : {'fast', 'slow'}
        fast: all points of one reading see the same stretch of noise, so that points closer than the filter's width
        are correlated (an FFT analyser, or a sweep much faster than its averaging). slow: each point has readings of
        its own (dwell much longer than 1 / RBW).
    tuning : {'point', 'bucket'}
        point: all readings of a point at its frequency. bucket: the readings step through the point's share of the
        span, as a continuously swept filter does.
    own_noise_dbm_hz : float
        Density of the analyser's own noise, never below thermal noise.
    level_error_db, reference_ppm : float
        Level displayed minus true; (displayed - true) / true x 1e6 of frequency.
    compression_1db_dbm : float or None
        Total input power at which the gain has fallen by 1 dB.
    rounding_db, clip_low_dbm, clip_high_dbm
        Resolution of the saved level (0 for none) and limits of the display.
    """

    start_hz: float
    stop_hz: float
    points: int
    rbw_hz: float
    poles: int | None = None
    vbw_hz: float | None = None
    detector: Detector = "rms"
    averages: int = 1
    average_type: AverageType | None = None
    trace_mode: TraceMode | None = None
    readings: int | None = None
    sweep_time_s: float | None = None
    mode: Mode = "fast"
    tuning: Tuning = "point"
    own_noise_dbm_hz: float = THERMAL_DBM_HZ
    level_error_db: float = 0.0
    reference_ppm: float = 0.0
    compression_1db_dbm: float | None = None
    rounding_db: float = 0.01
    clip_low_dbm: float | None = None
    clip_high_dbm: float | None = None
    reference_level_dbm: float | None = None
    attenuation_db: float | None = None

    def __post_init__(self) -> None:
        for name in ("start_hz", "stop_hz", "rbw_hz"):
            self._need(name, 0.0 < getattr(self, name) < math.inf, "a positive number")
        self._need("stop_hz", self.stop_hz > self.start_hz, "more than start_hz")
        self._need("points", self.points >= 2, "2 or more")
        self._need("averages", self.averages >= 1, "1 or more")
        for name in ("vbw_hz", "sweep_time_s", "readings", "poles"):
            value = getattr(self, name)
            self._need(name, value is None or 0 < value < math.inf, "a positive number")
        self._need("poles", self.poles is None or self.poles in range(2, 21), "2 to 20, or none for a Gaussian filter")
        self._need("detector", self.detector in DETECTORS, "one of " + ", ".join(DETECTORS))
        choices: dict[str, tuple[str, ...]] = {"mode": get_args(Mode), "tuning": get_args(Tuning)}
        for name, allowed in choices.items():
            self._need(name, getattr(self, name) in allowed, "one of " + ", ".join(allowed))
        types = get_args(AverageType)
        self._need("average_type", self.average_type in (None, *types), "one of " + ", ".join(types))
        self._need("trace_mode", self.trace_mode in (None, *TRACE_MODES), "one of " + ", ".join(TRACE_MODES))
        single = self.trace_mode == "clear_write"
        self._need("averages", not (single and self.averages > 1), "1 with trace mode clear_write")
        self._need("own_noise_dbm_hz", self.own_noise_dbm_hz >= THERMAL_DBM_HZ - 1e-9, "-174 or more")
        self._need("rounding_db", self.rounding_db >= 0.0, "0 or more")

    def _need(self, name: str, fulfilled: bool, expected: str) -> None:
        if not fulfilled:
            raise SceneError("analyser", None, f"{name} = {getattr(self, name)!r}", expected, "Mend that setting.")

    @property
    def frequency_hz(self) -> FloatArray:
        """The axis as displayed, shape (points,)."""
        return np.linspace(self.start_hz, self.stop_hz, self.points)

    @property
    def tuned_hz(self) -> FloatArray:
        """Where the filter truly is for each point."""
        return self.frequency_hz / (1.0 + 1e-6 * self.reference_ppm)

    @property
    def enbw_hz(self) -> float:
        """Equivalent noise bandwidth of the resolution filter."""
        ratio = ENBW_PER_RBW_GAUSSIAN if self.poles is None else enbw_per_rbw_synchronous(self.poles)
        return self.rbw_hz * ratio

    @property
    def readings_per_sweep(self) -> int:
        """Independent readings of a point in one sweep."""
        if self.readings is not None:
            return self.readings
        if self.sweep_time_s is None:
            return 1
        return max(1, round(self.sweep_time_s / self.points * self.enbw_hz))

    @property
    def shown_mode(self) -> TraceMode:
        """Trace mode of the saved trace."""
        return self.trace_mode or ("average" if self.averages > 1 else "clear_write")

    @property
    def scale(self) -> AverageType:
        """Scale of video filter and trace average."""
        return self.average_type or _DOMAIN_OF.get(self.detector, "log")

    @property
    def video_step(self) -> float:
        """Share of a new reading in the video filter's output; 1 for no filter.

        Independent readings come 1 / ENBW apart, and the one-pole filter's time constant is 1 / (2 pi VBW) (derived).
        """
        if self.vbw_hz is None:
            return 1.0
        return -math.expm1(-2.0 * math.pi * self.vbw_hz / self.enbw_hz)

    @property
    def half_support_hz(self) -> float:
        """Distance beyond which the filter's power response is below -100 dB."""
        if self.poles is None:
            return self.rbw_hz * SIGMA_PER_RBW * math.sqrt(2.0 * math.log(1e10))
        half = 0.5 * self.rbw_hz / math.sqrt(2.0 ** (1.0 / self.poles) - 1.0)
        return half * math.sqrt(10.0 ** (10.0 / self.poles) - 1.0)

    def amplitude_response(self, offset_hz: FloatArray) -> NDArray[np.complex128]:
        """Return the amplitude response of the filter at offsets from its centre, 1 there.

        The Gaussian one has no phase (what an FFT window gives); poles have theirs, (1 + j w)^-n.
        """
        if self.poles is None:
            power = 0.25 * (offset_hz / (self.rbw_hz * SIGMA_PER_RBW)) ** 2
            return np.exp(-power).astype(np.complex128)
        half = 0.5 * self.rbw_hz / math.sqrt(2.0 ** (1.0 / self.poles) - 1.0)
        return np.asarray((1.0 + 1j * (offset_hz / half)) ** -self.poles, dtype=np.complex128)

    def settings(self) -> Settings:
        """Return what a file saved by this analyser would say."""
        return Settings(
            rbw_hz=self.rbw_hz,
            vbw_hz=self.vbw_hz,
            detector=self.detector,
            averages=self.averages,
            trace_mode=self.shown_mode,
            reference_level_dbm=self.reference_level_dbm,
            attenuation_db=self.attenuation_db,
            sweep_time_s=self.sweep_time_s,
        )
