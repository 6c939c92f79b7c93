"""Segments that overlap, sweeps of unequal length side by side, levels in watts and volts, an axis that falls.

All files invented. Constants: P = U^2 / R and 10 lg(P / 1 mW) (derived); the 3 dB at which segments contradict each
other are common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from spectra.errors import SweepFormatError
from spectra.readers import read_bytes
from spectra.sweep import Sweep

HEAD = "Frequency (MHz),Level (dBm)\n"


def one(text: str, **options: object) -> Sweep:
    (sweep,) = read_bytes(text.encode(), "stick.csv", **options)
    return sweep


def told(sweep: Sweep, code: str) -> str:
    return next((text for text in sweep.origin.warnings if text.startswith(code)), "")


def segment(first: int, last: int, level: float, seed: int = 1, scatter: float = 1.0) -> str:
    noise = np.random.default_rng(seed).normal(level, scatter, last - first + 1)
    return "".join(f"{f}.0,{x:.2f}\n" for f, x in zip(range(first, last + 1), noise, strict=True))


def across(first: int, last: int, level: float, seed: int = 1) -> str:
    noise = np.random.default_rng(seed).normal(level, 1.0, last - first + 1)
    cells = ",".join(f"{x:.2f}" for x in noise)
    return f"2026-03-02,10:00:00,{first}000000,{last}000000,1000000,12,{cells}\n"


@pytest.mark.parametrize("in_rows", [True, False])
def test_segments_that_agree_are_joined_in_the_middle_of_their_overlap(in_rows: bool) -> None:
    make = segment if in_rows else across
    text = make(950, 1250, -90.0, 1) + make(1231, 1550, -90.0, 2)
    sweep = one(HEAD + text) if in_rows else one(text, level_unit="dBm")
    assert sweep.frequency_hz.tolist() == [f * 1e6 for f in range(950, 1551)]
    first, second = (np.random.default_rng(seed).normal(-90.0, 1.0, n) for seed, n in ((1, 301), (2, 320)))
    assert sweep.level_dbm[:291].tolist() == [float(f"{x:.2f}") for x in first[:291]]
    assert sweep.level_dbm[291:].tolist() == [float(f"{x:.2f}") for x in second[10:]]
    assert "overlaps the one before by 20 points" in told(sweep, "quality.segments_overlap")
    assert any("2 segments" in text for text in sweep.origin.assumptions)


@pytest.mark.parametrize("in_rows", [True, False])
def test_segments_that_contradict_each_other_are_refused_with_the_line(in_rows: bool) -> None:
    make = segment if in_rows else across
    text = make(950, 1250, -90.0, 1) + make(1231, 1550, -84.0, 2)
    with pytest.raises(SweepFormatError, match="against those of the one before") as caught:
        if in_rows:
            one(HEAD + text)
        else:
            one(text, level_unit="dBm")
    assert caught.value.line == (303 if in_rows else 2)
    assert "reference level" in caught.value.mend


def test_the_scatter_of_unaveraged_noise_is_no_contradiction() -> None:
    """One reading of noise in dB scatters by 5.6 dB (exponential power, derived: pi / sqrt(6) * 10 / ln 10)."""
    scatter = math.pi / math.sqrt(6.0) * 10.0 / math.log(10.0)
    for seed in range(20):
        text = segment(950, 1250, -90.0, seed, scatter) + segment(1248, 1550, -90.0, seed + 100, scatter)
        assert one(HEAD + text).points == 601


def test_a_shared_point_is_taken_once() -> None:
    sweep = one(HEAD + segment(950, 1250, -90.0) + segment(1250, 1550, -90.0, 2))
    assert sweep.points == 601
    assert not sweep.origin.warnings
    assert any("two segments share" in text for text in sweep.origin.assumptions)


def test_every_trace_is_joined_and_must_agree() -> None:
    beside = [line + ",-70.5" for line in segment(950, 1250, -90.0).splitlines()]
    again = [line + ",-70.9" for line in segment(1241, 1550, -90.0, 2).splitlines()]
    head = "Frequency (MHz),Average (dBm),Max hold (dBm)\n"
    sweep = one(head + "\n".join([*beside, *again]))
    assert sweep.traces["Max hold"].shape == (601,)
    with pytest.raises(SweepFormatError, match="against those of the one before"):
        one(head + "\n".join([*beside, *[line.replace(",-70.9", ",-60.9") for line in again]]))


WRONG = {
    "a frequency mistyped": segment(950, 1250, -90.0).replace("1100.0,", "1010.0,"),
    "rows exchanged": segment(950, 1000, -90.0) + "1002.0,-90.1\n1001.0,-90.2\n" + segment(1003, 1040, -90.0),
    "a sweep repeated": segment(950, 1250, -90.0) + segment(950, 1250, -90.0, 2),
    "a segment within another": segment(950, 1250, -90.0) + segment(1000, 1200, -90.0, 2),
    "segments in the wrong order": segment(1200, 1550, -90.0) + segment(950, 1250, -90.0, 2),
    "too few decimals": "".join(f"{950 + i // 2},-90.{i % 7}\n" for i in range(60)),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_no_segment_is_refused(name: str) -> None:
    with pytest.raises(SweepFormatError, match=r"a frequency that falls|the same frequency twice"):
        one(HEAD + WRONG[name])


def test_a_segment_row_within_the_one_before_is_refused() -> None:
    with pytest.raises(SweepFormatError, match="lies within") as caught:
        one(across(950, 1250, -90.0) + across(1000, 1200, -90.0, 2), level_unit="dBm")
    assert caught.value.line == 2


def beside(first: int, second: int, blank: str = ";") -> str:
    """Return two sweeps side by side of so many points, as a spreadsheet saves them."""
    pairs = [
        [f"{start + i};-{level + i % 7}.5" if i < count else blank for i in range(max(first, second))]
        for start, level, count in ((1000, 80, first), (2000, 90, second))
    ]
    return "\n".join(map(";".join, zip(*pairs, strict=True))) + "\n"


@pytest.mark.parametrize(("first", "second"), [(20, 30), (30, 20), (3000, 2999), (2999, 3000), (40, 4)])
@pytest.mark.parametrize("head", ["F1 (MHz);L1 (dBm);F2 (MHz);L2 (dBm)\n", ""])
def test_sweeps_of_unequal_length_side_by_side(first: int, second: int, head: str) -> None:
    options = {} if head else {"level_unit": "dBm", "frequency_unit": "MHz"}
    a, b = read_bytes((head + beside(first, second)).encode(), "x.csv", **options)
    assert a.frequency_hz.tolist() == [(1000 + i) * 1e6 for i in range(first)]
    assert a.level_dbm.tolist() == [-80.5 - i % 7 for i in range(first)]
    assert b.frequency_hz.tolist() == [(2000 + i) * 1e6 for i in range(second)]
    assert b.level_dbm.tolist() == [-90.5 - i % 7 for i in range(second)]
    shorter = a if first < second else b
    assert any("before others beside it" in text for text in shorter.origin.assumptions)


def test_a_gap_inside_a_sweep_beside_another_is_told() -> None:
    lines = beside(20, 30).splitlines()
    lines[7] = ";;" + lines[7].partition(";")[2].partition(";")[2]
    with pytest.raises(SweepFormatError) as caught:
        read_bytes("\n".join(["F1 (MHz);L1 (dBm);F2 (MHz);L2 (dBm)", *lines]).encode(), "x.csv")
    assert caught.value.line == 9


def test_a_row_cut_short_is_no_end_of_the_second_sweep() -> None:
    text = "F1 (MHz);L1 (dBm);F2 (MHz);L2 (dBm)\n" + beside(30, 30)
    with pytest.raises(SweepFormatError, match="a row of 2 cells after rows of 4"):
        read_bytes(text[: text.rindex(";2029")].encode(), "x.csv")


UNITS = {
    "W": (1e-9, -60.0),
    "mW": (1e-6, -60.0),
    "µW": (1e-3, -60.0),
    "nW": (1.0, -60.0),
    "pW": (1000.0, -60.0),
    "V": (math.sqrt(50e-9), -60.0),
    "mV": (1e3 * math.sqrt(50e-9), -60.0),
    "µV": (1e6 * math.sqrt(50e-9), -60.0),
    "dBW": (-90.0, -60.0),
    "dBpW": (30.0, -60.0),
    "dBV": (20.0 * math.log10(math.sqrt(50e-9)), -60.0),
}


@pytest.mark.parametrize("where", ["heading", "preamble", "cells", "stated"])
@pytest.mark.parametrize("unit", UNITS)
def test_watts_and_volts_come_to_dbm(unit: str, where: str) -> None:
    """1 nW is -60 dBm; a voltage U at R ohm is U^2 / R (derived). The voltage is taken as RMS, at 50 ohm."""
    value, expected = UNITS[unit]
    cell = f"{value:.12g}{' ' + unit if where == 'cells' else ''}"
    name = f"Level ({unit})" if where == "heading" else "Level"
    front = f"Y unit: {unit}\n" if where == "preamble" else ""
    text = f"{front}Frequency (MHz),{name}\n" + "".join(f"{1000 + i},{cell}\n" for i in range(20))
    sweep = one(text, **({"level_unit": unit.replace("µ", "u")} if where == "stated" else {}))
    np.testing.assert_allclose(sweep.level_dbm, expected, atol=1e-6)
    note = next(text for text in sweep.origin.assumptions if "converted to dBm" in text)
    assert ("at 50 ohm" in note) == (unit.endswith("V"))
    assert ("RMS" in note) == (unit.endswith("V") and unit != "dBV")


def test_a_stated_or_told_impedance_counts() -> None:
    text = "Frequency (MHz),Level (mV)\n" + "".join(f"{1000 + i},1.{i % 3}\n" for i in range(20))
    at_50, at_75 = one(text), one("Impedance: 75 ohm\n" + text)
    np.testing.assert_allclose(at_50.level_dbm - at_75.level_dbm, 10.0 * math.log10(75.0 / 50.0))
    np.testing.assert_array_equal(one(text, impedance_ohm=75.0).level_dbm, at_75.level_dbm)


def test_a_reference_level_in_volts_is_converted() -> None:
    """224 mV RMS at 50 ohm are 0 dBm: U = sqrt(50 ohm x 1 mW) = 223.6 mV (derived)."""
    text = "Ref level: 223.606798 mV\nFrequency (MHz),Level (mV)\n" + "".join(
        f"{1000 + i},1.{i % 3}\n" for i in range(20)
    )
    assert one(text).settings.reference_level_dbm == pytest.approx(0.0, abs=1e-7)


def test_a_level_of_no_watts_is_refused_with_its_line() -> None:
    rows = "".join(f"{1000 + i},{0 if i == 7 else 2}e-9\n" for i in range(20))
    with pytest.raises(SweepFormatError, match="no value in dB") as caught:
        one("Frequency (MHz),Level (W)\n" + rows)
    assert caught.value.line == 9


def test_a_supply_voltage_beside_levels_is_no_trace() -> None:
    rows = "".join(f"{1000 + i},-8{i % 3}.5,13.{i % 3}\n" for i in range(20))
    sweep = one("Frequency (MHz),Level (dBm),Supply (V)\n" + rows)
    assert sweep.level_dbm[0] == -80.5
    assert not sweep.traces


@pytest.mark.parametrize("unit", ["dBm/Hz", "dBuV/m", "dB", "V/m", "dBuA"])
def test_other_units_stay_refused(unit: str) -> None:
    with pytest.raises(SweepFormatError, match="level unit"):
        one(f"Frequency (MHz),Level ({unit})\n" + "".join(f"{1000 + i},{i % 3}.5\n" for i in range(20)))


@pytest.mark.parametrize(("step", "warns"), [("", True), ("Step: -0.5 MHz\n", False), ("Step: 0.5 MHz\n", True)])
def test_a_start_above_the_stop_turns_the_levels_round(step: str, warns: bool) -> None:
    """The first level stands at the start, as the word says; only a negative step makes that sure."""
    levels = [-90.5 - (i * 7919 % 13) / 10 for i in range(20)] + [-70.0]
    text = f"Start: 1183 MHz\nStop: 1173 MHz\n{step}Unit: dBm\n" + "".join(f"{x:.1f}\n" for x in levels)
    sweep = one(text)
    assert sweep.start_hz == 1173e6
    assert sweep.level_dbm.tolist() == [float(f"{x:.1f}") for x in levels[::-1]]
    assert bool(told(sweep, "quality.axis_falls")) == warns
    assert warns or any("turned round" in text for text in sweep.origin.assumptions)


@pytest.mark.parametrize("count", [8, 15, 16, 40])
@pytest.mark.parametrize("titled", [True, False])
def test_many_traces_beside_a_frequency_are_points_not_sweeps(count: int, titled: bool) -> None:
    """Rows of sixteen numbers and more are sweeps of their own only if their first number is no frequency."""
    head = "Frequency (MHz)," + ",".join(f"Trace {k + 1} (dBm)" for k in range(count)) + "\n" if titled else ""
    rows = "".join(f"{1000 + i}," + ",".join(f"-8{(i + k) % 7}.5" for k in range(count)) + "\n" for i in range(50))
    sweep = one(head + rows, **({} if titled else {"level_unit": "dBm", "frequency_unit": "MHz"}))
    assert sweep.points == 50
    assert len(sweep.traces) == count - 1
    assert sweep.frequency_hz.tolist() == [(1000 + i) * 1e6 for i in range(50)]
    assert sweep.level_dbm.tolist() == [-80.5 - i % 7 for i in range(50)]


def test_eight_sweeps_side_by_side() -> None:
    head = ",".join(f"F{k} (MHz),L{k} (dBm)" for k in range(8)) + "\n"
    rows = "".join(",".join(f"{1000 + 100 * k + i},-8{(i + k) % 7}.5" for k in range(8)) + "\n" for i in range(50))
    sweeps = read_bytes((head + rows).encode(), "x.csv")
    assert [sweep.start_hz for sweep in sweeps] == [(1000 + 100 * k) * 1e6 for k in range(8)]


def test_rows_of_levels_behind_a_count_stay_sweeps() -> None:
    """A count in front rises too; the preamble has the axis (20 points from 1 to 1.019 GHz)."""
    levels = [",".join(f"-{80 + (i * 7 + k) % 13}.5" for i in range(20)) for k in range(4)]
    text = "Start: 1000 MHz\nStop: 1019 MHz\nPoints: 20\nUnit: dBm\n" + "".join(
        f"{k},{x}\n" for k, x in enumerate(levels)
    )
    sweeps = read_bytes(text.encode(), "x.csv")
    assert [sweep.points for sweep in sweeps] == [20] * 4
    assert sweeps[1].level_dbm[0] == -81.5


PARTED = [f"{1173 + i / 2};-{80 + i % 7}.5" for i in range(31)]


@pytest.mark.parametrize("between", ["", "# battery changed", "page 2"])
def test_rows_parted_by_a_line_are_one_sweep(between: str) -> None:
    text = "\n".join(["MHz;dBm", *PARTED[:15], between, *PARTED[15:]])
    sweep = one(text)
    assert sweep.frequency_hz.tolist() == [(1173 + i / 2) * 1e6 for i in range(31)]
    assert sweep.level_dbm[15] == -81.5
    assert any("2 tables" in note for note in sweep.origin.assumptions)


def test_rows_parted_by_a_lost_one_are_none() -> None:
    """The second part has no unit of its own and does not go on where the first ends."""
    with pytest.raises(SweepFormatError) as told:
        read_bytes("\n".join(["MHz;dBm", *PARTED[:15], "", *PARTED[16:]]).encode(), "x.csv")
    assert told.value.line == 18


@pytest.mark.parametrize("between", ["", "# battery changed", "x"])
def test_levels_in_parts_are_refused(between: str) -> None:
    """Each part would be laid over the whole span."""
    levels = [row.split(";")[1] for row in PARTED]
    text = "\n".join(["Start: 1173 MHz", "Stop: 1188 MHz", *levels[:15], between, *levels[15:]])
    with pytest.raises(SweepFormatError, match="go on") as told:
        read_bytes(text.encode(), "x.csv", level_unit="dBm")
    assert told.value.line == 19
