"""Writers: our own complete CSV, and exchange files intended to follow Rec. ITU-R SM.1809.

A file is written beside its place and moved there whole; the raw file that a sweep was read from is never written.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import UTC
from pathlib import Path

import numpy as np

from spectra.atomic import replace_file
from spectra.errors import SweepFormatError, UsageError
from spectra.readers.layouts.canonical import FIRST_LINE, SETTING_NAMES
from spectra.sweep import Sweep

__all__ = ["write_sm1809", "write_sweep"]

_SM1809_DETECTORS = {
    "rms": "RMS",
    "sample": "Sample",
    "peak": "Peak",
    "log_average": "LogAverage",
    "voltage_average": "Average",
    "negative_peak": "NegativePeak",
    "normal": "Normal",
}


def write_sweep(sweep: Sweep, path: str | Path) -> None:
    """Write a sweep as our own CSV: reads back identical but for where it came from.

    Parameters
    ----------
    sweep : Sweep
    path : str or Path
        Replaced whole if it exists, unless it is the raw file of the sweep.

    Raises
    ------
    UsageError
        If `path` is the file that the sweep was read from.
    SweepFormatError
        If the file cannot be written.
    """
    settings, origin = sweep.settings, sweep.origin
    head: dict[str, object] = {"points": sweep.points}
    for name in SETTING_NAMES:
        value = getattr(settings, name)
        if value is not None:
            head[name] = value
    if settings.extra:
        head["extra"] = dict(settings.extra)
    if origin.captured_at is not None:
        head["captured_at"] = origin.captured_at.isoformat()
    if origin.assumptions:
        head["assumptions"] = list(origin.assumptions)
    if origin.warnings:
        head["warnings"] = list(origin.warnings)
    if origin.sha256:
        head["file"] = origin.file
        head["file_sha256"] = origin.sha256
    if sweep.traces:
        head["traces"] = list(sweep.traces)
    lines = [FIRST_LINE, *(f"# {name}: {json.dumps(value)}" for name, value in head.items())]
    names = [f"trace_{i}" for i in range(1, len(sweep.traces) + 1)]
    lines.append(",".join(["frequency_hz", "level_dbm", *names]))
    columns = [sweep.frequency_hz.tolist(), sweep.level_dbm.tolist(), *(t.tolist() for t in sweep.traces.values())]
    lines += [",".join(map(repr, row)) for row in zip(*columns, strict=True)]
    _write_whole(path, ("\n".join(lines) + "\n").encode("ascii"), sweep)


def write_sm1809(
    sweeps: Sweep | Iterable[Sweep],
    path: str | Path,
    *,
    location_name: str,
    latitude_deg: float,
    longitude_deg: float,
    antenna_type: str = "not stated",
    note: str = "",
    decimals: int = 1,
) -> None:
    """Write sweeps of one span as an exchange file intended to follow Rec. ITU-R SM.1809.

    Field names and syntax are from memory, not checked against the Recommendation; the file's own note says so.
    Levels are rounded: this is for exchange, `write_sweep` for keeping.

    Parameters
    ----------
    sweeps : Sweep or iterable of Sweep
        One or more over the same frequencies, evenly spaced, with RBW, detector, sweep time and time of capture
        known, all of one day or in order of time.
    path : str or Path
    location_name : str
    latitude_deg, longitude_deg : float
        North and east positive.
    antenna_type, note : str
        `note` as ``key=value;`` pairs (LO, polarisation, axis) goes before our own remark.
    decimals : int
        Decimals of the levels.

    Raises
    ------
    UsageError, SweepFormatError
        If the sweeps lack what the format needs, or the file cannot be written.
    """
    several = [sweeps] if isinstance(sweeps, Sweep) else list(sweeps)
    if not several:
        raise UsageError("write_sm1809", None, "no sweep", "one sweep or more", "Name the sweeps.")
    first = several[0]
    _check_for_exchange(several, decimals)
    lines = [
        f"{name} {value}"
        for name, value in _fields(first, location_name, latitude_deg, longitude_deg, antenna_type, note)
    ]
    lines.append("")
    for sweep in several:
        time = sweep.origin.captured_at
        assert time is not None
        stamp = time.astimezone(UTC).strftime("%H:%M:%S")
        lines.append(",".join([stamp, *(f"{level:.{decimals}f}" for level in sweep.level_dbm.tolist())]))
    _write_whole(path, ("\n".join(lines) + "\n").encode("ascii", "replace"), *several)


def _fields(
    first: Sweep, location_name: str, latitude_deg: float, longitude_deg: float, antenna_type: str, note: str
) -> list[tuple[str, str]]:
    """Return the header of an exchange file, field by field."""
    settings, when = first.settings, first.origin.captured_at
    assert when is not None and settings.rbw_hz is not None and settings.sweep_time_s is not None
    remark = [part for part in (note.strip().rstrip(";"),) if part]
    if settings.vbw_hz is not None:
        remark.append(f"VBW_kHz={settings.vbw_hz / 1e3:.12g}")
    if settings.averages is not None:
        remark.append(f"averages={settings.averages}")
    if settings.trace_mode is not None:
        remark.append(f"trace_mode={settings.trace_mode}")
    remark.append("format=intended to follow Rec. ITU-R SM.1809, field names not checked against the text")
    fields = [
        ("FileType", "Standard Data exchange Format 2.0"),
        ("LocationName", _ascii(location_name)),
        ("Latitude", _position(latitude_deg, "NS", 2)),
        ("Longitude", _position(longitude_deg, "EW", 3)),
        ("FreqStart", _khz(first.start_hz)),
        ("FreqStop", _khz(first.stop_hz)),
        ("AntennaType", _ascii(antenna_type)),
        ("FilterBandwidth", _khz(settings.rbw_hz)),
        ("LevelUnits", "dBm"),
        ("Date", when.astimezone(UTC).strftime("%Y-%m-%d")),
        ("DataPoints", str(first.points)),
        ("ScanTime", f"{settings.sweep_time_s:.12g}"),
        ("Detector", _SM1809_DETECTORS[settings.detector or "rms"]),
        ("Note", _ascii("; ".join(remark))),
        ("Multiscan", "N"),
    ]
    if settings.attenuation_db is not None:
        fields.insert(-1, ("Attenuation", f"{settings.attenuation_db:.0f}"))
    return fields


def _check_for_exchange(several: list[Sweep], decimals: int) -> None:
    def refuse(found: str, expected: str, mend: str) -> UsageError:
        return UsageError("write_sm1809", None, found, expected, mend)

    if not 0 <= decimals <= 6:
        raise refuse(f"{decimals} decimals", "0 to 6", "State fewer.")
    first = several[0]
    spacing = np.diff(first.frequency_hz)
    if np.abs(spacing - spacing.mean()).max() > 1e-3 * spacing.mean() + 2.0:
        raise refuse("points that are not evenly spaced", "an even axis", "Write the sweep as our own CSV instead.")
    last = None
    for sweep in several:
        if not np.array_equal(sweep.frequency_hz, first.frequency_hz):
            raise refuse("sweeps over different frequencies", "one span", "Write a file for each span.")
        for name in ("rbw_hz", "detector", "sweep_time_s"):
            if getattr(sweep.settings, name) is None:
                raise refuse(f"a sweep without {name}", "a known value", "State it when reading, or do without.")
        if sweep.settings.detector != first.settings.detector or sweep.settings.rbw_hz != first.settings.rbw_hz:
            raise refuse("sweeps with different settings", "one set of settings", "Write a file for each.")
        time = sweep.origin.captured_at
        if time is None:
            raise refuse("a sweep without a time", "the time of each sweep", "State captured_at.")
        if last is not None and not 0.0 < (time - last).total_seconds() < 86400.0:
            raise refuse("sweeps out of order, or a day apart", "sweeps in order of time", "Write a file for each day.")
        last = time


def _khz(value_hz: float) -> str:
    return f"{value_hz / 1e3:.12g}"


def _ascii(text: str) -> str:
    return " ".join(text.encode("ascii", "replace").decode("ascii").split()) or "not stated"


def _position(degrees: float, sides: str, width: int) -> str:
    if not abs(degrees) <= (90.0 if width == 2 else 180.0):
        raise UsageError(
            "write_sm1809", None, f"a position of {degrees!r} degrees", "latitude and longitude", "Mend it."
        )
    total = round(abs(degrees) * 3600.0)
    minutes, seconds = divmod(total, 60)
    whole, minutes = divmod(minutes, 60)
    return f"{whole:0{width}d}.{minutes:02d}.{seconds:02d}{sides[degrees < 0]}"


def _write_whole(path: str | Path, data: bytes, *sweeps: Sweep) -> None:
    """Write beside the place and move there, so that no half file is ever seen; never onto a raw file."""
    import hashlib

    path = Path(path)
    raw = {sweep.origin.sha256 for sweep in sweeps if sweep.origin.sha256}
    if raw and path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() in raw:
        raise UsageError(
            str(path.name), None, "the raw file of the sweep", "another name", "Raw captures stay as they are."
        )
    try:
        replace_file(path, data)
    except OSError as problem:
        raise SweepFormatError(
            path.name,
            None,
            f"a place that cannot be written ({problem.strerror or problem})",
            "a folder with room",
            "Choose another folder.",
        ) from problem
