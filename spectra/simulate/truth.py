"""What a simulated sweep holds: the truth that measurements are scored against."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from spectra.signal.raised_cosine import occupied_fraction
from spectra.simulate.analyser import Analyser
from spectra.simulate.spectrum import Emission, Role, Spectrum, Tone
from spectra.units import jsonable

__all__ = ["InSpan", "TruthCarrier", "carriers_in_sweep"]

InSpan = Literal["full", "partial", "none"]


@dataclass(frozen=True, slots=True)
class TruthCarrier:
    """One true signal as the sweep shows it.

    Attributes
    ----------
    kind : {'modulated', 'cw', 'other'}
    centre_hz : float
        On the analyser's displayed axis, its reference error included.
    true_if_hz : float
        The same without that error.
    symbol_rate_bd, roll_off, occupied_bandwidth_hz : float or None
        On the true axis (a reference error of some ppm does not matter to a width); None for cw.
    cn_db : float or None
        Power over the noise density (line and analyser) at the centre times the symbol rate; None for cw.
    cn0_dbhz : float
        Power over that density.
    power_dbm : float
        Displayed power: at the input, the level error included.
    in_span : {'full', 'partial', 'none'}
    """

    kind: Literal["modulated", "cw", "other"]
    centre_hz: float
    true_if_hz: float
    symbol_rate_bd: float | None
    roll_off: float | None
    cn_db: float | None
    cn0_dbhz: float
    power_dbm: float
    occupied_bandwidth_hz: float | None
    in_span: InSpan
    role: Role = "carrier"
    name: str = ""
    table_line: int | None = None
    duty: float = 1.0

    def to_dict(self) -> dict[str, Any]:
        """Return the truth as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


def carriers_in_sweep(spectrum: Spectrum, analyser: Analyser) -> tuple[TruthCarrier, ...]:
    """Return every signal of a spectrum as truth, by frequency; noise bands and humps are no signals."""
    signals: list[Emission | Tone] = [*spectrum.emissions, *spectrum.tones]
    found = [_truth(signal, spectrum, analyser) for signal in signals if signal.role != "noise"]
    return tuple(sorted(found, key=lambda truth: truth.centre_hz))


def _truth(signal: Emission | Tone, spectrum: Spectrum, analyser: Analyser) -> TruthCarrier:
    scale = 1.0 + 1e-6 * analyser.reference_ppm
    true_hz = signal.centre_hz if isinstance(signal, Emission) else signal.frequency_hz
    half = 0.5 * signal.width_hz * scale if isinstance(signal, Emission) else 0.0
    centre, inside = true_hz * scale, (analyser.start_hz, analyser.stop_hz)
    in_span: InSpan = "partial"
    if centre + half < inside[0] or centre - half > inside[1]:
        in_span = "none"
    elif centre - half >= inside[0] and centre + half <= inside[1]:
        in_span = "full"
    power = spectrum.received_power_dbm(signal)
    cn0 = power - spectrum.noise_density_dbm_hz(true_hz, analyser.own_noise_dbm_hz)
    rate = signal.symbol_rate_bd if isinstance(signal, Emission) else None
    roll_off = signal.roll_off if isinstance(signal, Emission) else None
    bandwidth = cn = None
    if rate is not None and roll_off is not None:
        bandwidth, cn = rate * occupied_fraction(roll_off), cn0 - 10.0 * math.log10(rate)
    return TruthCarrier(
        kind=signal.kind if isinstance(signal, Emission) else "cw",
        centre_hz=centre,
        true_if_hz=true_hz,
        symbol_rate_bd=rate,
        roll_off=roll_off,
        cn_db=cn,
        cn0_dbhz=cn0,
        power_dbm=power + analyser.level_error_db,
        occupied_bandwidth_hz=bandwidth,
        in_span=in_span,
        role=signal.role,
        name=signal.name,
        table_line=signal.table_line,
        duty=signal.duty,
    )
