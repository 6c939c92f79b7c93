"""Write a simulated sweep in shapes that analysers' exports usually have; all of them our own invention.

========== =============================================================================================
plain          two columns under ``frequency_hz,level_dbm``; no settings
preamble       settings as ``name,value,unit``, then frequency and level with commas
levels         settings, then one level a row: the axis follows from start, stop and points
three-traces   settings, then frequency and three traces (average, max hold, min hold)
decimal-comma  semicolons, decimal comma, MHz, CRLF
utf16-tab      UTF-16 with byte-order mark, tabs, MHz, CRLF
========== =============================================================================================
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime

from spectra.errors import SceneError
from spectra.sweep import Sweep
from spectra.units import FloatArray

__all__ = ["encode_sweep"]

_DETECTOR_WORDS = {
    "rms": "RMS",
    "sample": "Sample",
    "log_average": "Log average",
    "voltage_average": "Voltage average",
    "peak": "Peak",
    "negative_peak": "Negative peak",
    "normal": "Normal",
}
_MODE_WORDS = {
    "clear_write": "Clear write",
    "average": "Average",
    "max_hold": "Max hold",
    "min_hold": "Min hold",
}


def encode_sweep(sweep: Sweep, layout: str, captured_at: datetime | None = None) -> bytes:
    """Return the bytes of a file that holds the sweep in one of the layouts.

    Raises
    ------
    SceneError
        If there is no such layout, or it needs traces that the sweep has not.
    """
    write = _WRITERS.get(layout)
    if write is None:
        known = ", ".join(_WRITERS)
        raise SceneError("layout", None, f"layout {layout!r}", f"one of {known}", "Choose one of them.")
    return write(sweep, captured_at)


def _number(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _hz(value: float) -> str:
    return _number(value, 3)


def _mhz(value: float) -> str:
    return f"{value / 1e6:.6f}"


def _settings(sweep: Sweep, captured_at: datetime | None) -> list[tuple[str, str, str]]:
    """Return settings as name, value, unit, in the order in which they stand; what is unknown is left out."""
    settings = sweep.settings
    rows: list[tuple[str, str | None, str]] = [
        ("Date", None if captured_at is None else captured_at.isoformat(), ""),
        ("Start frequency", _hz(sweep.start_hz), "Hz"),
        ("Stop frequency", _hz(sweep.stop_hz), "Hz"),
        ("Points", str(sweep.points), ""),
        ("RBW", None if settings.rbw_hz is None else _hz(settings.rbw_hz), "Hz"),
        ("VBW", None if settings.vbw_hz is None else _hz(settings.vbw_hz), "Hz"),
        ("Sweep time", None if settings.sweep_time_s is None else _number(settings.sweep_time_s, 6), "s"),
        ("Detector", None if settings.detector is None else _DETECTOR_WORDS[settings.detector], ""),
        ("Trace mode", None if settings.trace_mode is None else _MODE_WORDS[settings.trace_mode], ""),
        ("Averages", None if settings.averages is None else str(settings.averages), ""),
        (
            "Reference level",
            None if settings.reference_level_dbm is None else _number(settings.reference_level_dbm, 2),
            "dBm",
        ),
        ("Attenuation", None if settings.attenuation_db is None else _number(settings.attenuation_db, 2), "dB"),
    ]
    return [(name, value, unit) for name, value, unit in rows if value is not None]


def _text(lines: list[str], end: str = "\n") -> str:
    return end.join(lines) + end


def _plain(sweep: Sweep, captured_at: datetime | None) -> bytes:
    rows = [f"{_hz(f)},{p:.2f}" for f, p in zip(sweep.frequency_hz, sweep.level_dbm, strict=True)]
    return _text(["frequency_hz,level_dbm", *rows]).encode("utf-8")


def _preamble(sweep: Sweep, captured_at: datetime | None) -> bytes:
    head = [",".join((name, value, unit)).rstrip(",") for name, value, unit in _settings(sweep, captured_at)]
    rows = [f"{_hz(f)},{p:.2f}" for f, p in zip(sweep.frequency_hz, sweep.level_dbm, strict=True)]
    return _text([*head, "", "Frequency (Hz),Level (dBm)", *rows]).encode("utf-8")


def _levels(sweep: Sweep, captured_at: datetime | None) -> bytes:
    head = [f"# {name}: {value} {unit}".rstrip() for name, value, unit in _settings(sweep, captured_at)]
    return _text([*head, "Level (dBm)", *(f"{p:.2f}" for p in sweep.level_dbm)]).encode("utf-8")


def _three_traces(sweep: Sweep, captured_at: datetime | None) -> bytes:
    others: list[FloatArray] = []
    for name in ("max_hold", "min_hold"):
        if name not in sweep.traces:
            raise SceneError("layout", None, f"no trace {name}", "average and both holds", "Choose another layout.")
        others.append(sweep.traces[name])
    head = [",".join((name, value, unit)).rstrip(",") for name, value, unit in _settings(sweep, captured_at)]
    head = [line for line in head if not line.startswith("Trace mode")]
    title = "Frequency (Hz),Average (dBm),Max hold (dBm),Min hold (dBm)"
    columns = zip(sweep.frequency_hz, sweep.level_dbm, *others, strict=True)
    rows = [f"{_hz(f)},{a:.2f},{high:.2f},{low:.2f}" for f, a, high, low in columns]
    return _text([*head, "", title, *rows]).encode("utf-8")


def _decimal_comma(sweep: Sweep, captured_at: datetime | None) -> bytes:
    lines = []
    for name, value, unit in _settings(sweep, captured_at):
        told = (_mhz(float(value)), "MHz") if unit == "Hz" else (value, unit)
        lines.append(";".join((name, told[0].replace(".", ",") if unit else told[0], told[1])).rstrip(";"))
    rows = zip(sweep.frequency_hz, sweep.level_dbm, strict=True)
    lines += ["", "Frequency [MHz];Level [dBm]"]
    lines += [f"{_mhz(f)};{p:.2f}".replace(".", ",") for f, p in rows]
    return _text(lines, "\r\n").encode("utf-8-sig")


def _utf16_tab(sweep: Sweep, captured_at: datetime | None) -> bytes:
    lines = ["\t".join((name, value, unit)).rstrip("\t") for name, value, unit in _settings(sweep, captured_at)]
    rows = zip(sweep.frequency_hz, sweep.level_dbm, strict=True)
    lines += ["", "Frequency (MHz)\tLevel (dBm)"]
    lines += [f"{_mhz(f)}\t{p:.2f}" for f, p in rows]
    return b"\xff\xfe" + _text(lines, "\r\n").encode("utf-16-le")


_WRITERS: Mapping[str, Callable[[Sweep, datetime | None], bytes]] = {
    "plain": _plain,
    "preamble": _preamble,
    "levels": _levels,
    "three-traces": _three_traces,
    "decimal-comma": _decimal_comma,
    "utf16-tab": _utf16_tab,
}
