"""Files as they come from a stick: what a person reads from each, or the word that tells why it is not read.

All are invented; how such files look is common practice, no source. Expected numbers are those written into the file.
"""

from __future__ import annotations

import numpy as np
import pytest

from spectra.errors import SweepFormatError
from spectra.readers import read_bytes
from spectra.sweep import Sweep

F_MHZ = [950 + 5 * i for i in range(21)]
LEVEL = [-80.0 - (i * 7919 % 83) / 10 for i in range(21)]
HEAD = "Frequency (MHz),Level (dBm)\n"


def rows(form: str, level: list[object] | None = None, start: int = 0) -> str:
    several = zip(F_MHZ[start:], (level or LEVEL)[start:], strict=True)
    return "".join(form.format(f=f, l=x, i=i) for i, (f, x) in enumerate(several, start))


def comma(text: str) -> str:
    return text.replace(".", ",")


def one(text: str, **options: object) -> Sweep:
    (sweep,) = read_bytes(text.encode(), "stick.csv", **options)
    return sweep


def grouped(mark: str, factor: int) -> str:
    return "".join(f"{f * factor:,};".replace(",", mark) + comma(f"{x}\n") for f, x in zip(F_MHZ, LEVEL, strict=True))


AS_WRITTEN = {
    "thousands points in Hz": "Frequenz (Hz);Pegel (dBm)\n" + grouped(".", 1_000_000),
    "thousands points in kHz": "Frequenz (kHz);Pegel (dBm)\n" + grouped(".", 1000),
    "thousands apostrophes": "Frequenz (Hz);Pegel (dBm)\n" + grouped("'", 1_000_000),
    "narrow blanks as thousands marks": "Fréquence (Hz);Niveau (dBm)\n" + grouped("\u202f", 1_000_000),
    "decimals that look like thousands": HEAD + rows("{f}.000,{l}\n"),
    "two languages": "Startfrequenz;950 MHz\nStop Frequency;1050 MHz\nFréquence (MHz);Level (dBm)\n"
    + comma(rows("{f};{l}\n")),
    "saved again by a spreadsheet": ";;Messung;;\n;;;;\n;Frequenz;Pegel;;\n;MHz;dBm;;\n" + comma(rows(";{f};{l};;\n")),
    "a date in each row": "Timestamp,Frequency (MHz),Power (dBm)\n" + rows("2026-03-02 10:00:00,{f},{l}\n"),
    "phase beside": "Frequency (MHz),Magnitude (dBm),Phase (deg)\n" + rows("{f},{l},{i}5\n"),
    "phase in front": "Frequency (MHz),Phase (deg),Magnitude (dBm)\n" + rows("{f},{i}.5,{l}\n"),
    "a correction in front": "Frequency (MHz),Correction (dB),Level (dBm)\n" + rows("{f},1.{i},{l}\n"),
    "a spread in front": "Frequency (MHz);Std (dB);Mean (dBm)\n" + rows("{f};1.{i};{l}\n"),
    "IF and RF": "IF (MHz),RF (MHz),Level (dBm)\n" + rows("{f},1{f},{l}\n"),
    "an offset beside the frequency": "Frequency (MHz),Offset (MHz),Level (dBm)\n" + rows("{f},{i},{l}\n"),
    "a limit beside": "Frequency (MHz),Level (dBm),Limit (dBm)\n" + rows("{f},{l},-30\n"),
    "names, units, modes in three lines": "MHz,dBm,dBm\nFrequency,Average,Max hold\n" + rows("{f},{l},-10.{i}\n"),
    "highest frequency first": HEAD + "".join(reversed(rows("{f},{l}\n").splitlines(keepends=True))),
    "a peak list behind": HEAD + rows("{f},{l}\n") + "Peaks\n955,-81.2\n965,-82.2\n1000,-84\n",
    "a limit line behind": HEAD + rows("{f},{l}\n") + "Limit Line 1\n950,-30\n1050,-30\n",
    "a summary behind": HEAD + rows("{f},{l}\n") + "Average,-84.3\nMax,-80.1\nChannel power,-60.2 dBm\n",
    "markers in front of rows across": "Start,950,MHz\nStop,1050,MHz\nUnit,dBm\nMarker,Frequency,Level\n1,955,-81.2\n"
    "2,960,-82.2\n2026-03-02 10:00:00," + ",".join(map(str, LEVEL)) + "\n",
    "markers behind rows across": "Start,950,MHz\nStop,1050,MHz\nUnit,dBm\n2026-03-02 10:00:00,"
    + ",".join(map(str, LEVEL))
    + "\nMarker,Frequency,Level\n1,955,-81.2\n2,960,-82.2\n",
    "a time in seconds beside levels": "Start,950,MHz\nStop,1050,MHz\nTime (s),Level (dBm)\n" + rows("0.{i:03d},{l}\n"),
}


@pytest.mark.parametrize("name", AS_WRITTEN)
def test_read_as_a_person_reads_it(name: str) -> None:
    sweep = one(AS_WRITTEN[name])
    assert sweep.frequency_hz.tolist() == [f * 1e6 for f in F_MHZ]
    assert sweep.level_dbm.tolist() == LEVEL
    assert sweep.settings.averages is None


TOLD = {
    "phase beside": "left out: Phase (deg) (no level)",
    "a correction in front": "left out: Correction (no level)",
    "a limit beside": "left out: column 'Limit'",
    "IF and RF": "left out: columns RF: the frequency is IF",
    "highest frequency first": "the rows run from the highest frequency down: turned round",
    "markers behind rows across": "left out: lines 6 to 7: a small table",
}


@pytest.mark.parametrize("name", TOLD)
def test_what_was_left_out_is_told(name: str) -> None:
    assert TOLD[name] in one(AS_WRITTEN[name]).origin.assumptions
    assert not one(AS_WRITTEN[name]).traces


REFUSED = {
    "rows cut off by a wrong number": (HEAD + rows("{f},{l}\n")[:200] + "\n1,00,0.0.0,-80\n" + rows("{f},{l}\n"), None),
    "wrongly grouped thousands": (
        "Frequenz (Hz);Pegel (dBm)\n" + comma(rows("{f}.000.000;{l}\n")).replace(",000,000", ".000.000"),
        12,
    ),
    "decimal commas between comma cells": ("Frequenz (MHz),Pegel (dBm)\n" + rows("{f},-80,{i}\n"), 2),
    "both numbers with decimal commas": ("Frequenz (MHz),Pegel (dBm)\n" + rows("{f},50,-80,{i}\n"), 2),
    "a span of zero over time": ("Center,1000,MHz\nSpan,0,Hz\nTime (s),Level (dBm)\n" + rows("0.{i:03d},{l}\n"), 2),
    "a span of zero without names": ("Center: 1 GHz\nSpan: 0 Hz\nRBW: 100 kHz\n" + rows("0.{i:03d},{l}\n"), 2),
    "one frequency in all rows": (HEAD + rows("1000,{l}\n"), 2),
    "times without frequencies": ("RBW: 100 kHz\nTime (s),Level (dBm)\n" + rows("0.{i:03d},{l}\n"), 3),
    "watts of zero": ("Frequency (MHz),Level (W)\n" + rows("{f},0.0\n"), 2),
    "two frequencies that differ": ("F1 (MHz),F2 (MHz),Level (dBm)\n" + rows("{f},1{f},{l}\n"), 2),
    "a word for overflow": (HEAD + rows("{f},{l}\n", [*LEVEL[:7], "OVERFLOW", *LEVEL[8:]]), 9),
    "a number for no value": (HEAD + rows("{f},{l}\n", [*LEVEL[:7], "-999", *LEVEL[8:]]), 9),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_with_the_line(name: str) -> None:
    text, line = REFUSED[name]
    with pytest.raises(SweepFormatError) as told:
        read_bytes(text.encode(), "stick.csv")
    if line is not None:
        assert told.value.line == line


@pytest.mark.parametrize("statement", ["Sweep Type,Log", "X-Axis Scale,LOG", "Frequenzachse;logarithmisch"])
def test_a_stated_logarithmic_axis(statement: str) -> None:
    """The frequencies are those of `numpy.geomspace` (NumPy, its documentation read)."""
    head = f"Start,10,MHz\nStop,1000,MHz\n{statement}\nUnit,dBm\n"
    sweep = one(head + "".join(f"{x}\n" for x in LEVEL))
    np.testing.assert_allclose(sweep.frequency_hz, np.geomspace(1e7, 1e9, 21), rtol=1e-12)
    assert any("logarithm" in text for text in sweep.origin.assumptions)


@pytest.mark.parametrize(("sign", "level"), [("", 85.0), ("-", -200.0)])
def test_levels_that_no_analyser_shows_are_told(sign: str, level: float) -> None:
    """A sign lost; numbers that stand for no value. Limits: 1 W (common practice), k T0 (derived)."""
    text = HEAD + rows("{f},{l}\n", [*LEVEL[:20], f"{sign}{abs(level)}"])
    assert any(w.startswith("quality.level_implausible") for w in one(text).origin.warnings)
    assert not one(HEAD + rows("{f},{l}\n")).origin.warnings


def test_each_trace_is_converted_by_its_own_unit() -> None:
    """0 dBm at 50 ohm is 106.99 dBuV (derived: 10 lg(50 * 1 mW / 1 uV2))."""
    sweep = one("Frequency (MHz),A (dBm),B (dBuV)\n" + rows("{f},{l},20\n").replace(",20\n", ",20.5\n", 1))
    assert sweep.traces["B"][1] == pytest.approx(20.0 - 10 * np.log10(50 * 1e-3 / 1e-12))


@pytest.mark.parametrize("text", ["RBW,100,kHz,Auto", "RBW,Auto,100,kHz", "RBW: Auto, 100 kHz", "RBW;100 kHz;(Auto)"])
def test_a_mark_in_a_cell_of_its_own_is_kept(text: str) -> None:
    settings = one(f"{text}\n{HEAD}" + rows("{f},{l}\n")).settings
    assert settings.rbw_hz == 1e5
    assert settings.extra["rbw set by"] == "Auto"


@pytest.mark.parametrize(
    ("text", "count"),
    [("16", 16), ("16/100", 16), ("1.000000e+01", 10), ("On 32", 32), ("Off", 1), ("-84.3", None), ("2.5", None)],
)
def test_counts_of_averages(text: str, count: int | None) -> None:
    assert one(f"Average Count: {text}\n{HEAD}" + rows("{f},{l}\n")).settings.averages == count


def test_maxima_and_minima_of_a_detector_are_two_traces() -> None:
    sweep = one("Frequency (MHz);Max Peak (dBm);Min Peak (dBm)\n" + rows("{f};{l};-99.{i}\n"))
    assert sweep.level_dbm.tolist() == LEVEL
    assert list(sweep.traces) == ["Min Peak"]


def test_a_row_on_its_own_behind_the_trace_is_told() -> None:
    sweep = one(HEAD + rows("{f},{l}\n") + "\n21,-84.3\n")
    assert sweep.points == 21
    assert "left out: line 24: a row of numbers on its own ('21,-84.3')" in sweep.origin.assumptions
