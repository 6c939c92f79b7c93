"""Shapes of exports invented by hand, each with what a person reads from it (derived from the text itself)."""

from __future__ import annotations

import pytest

from spectra.errors import SweepFormatError
from spectra.readers import read_bytes

N = 21
F = [1200 + 0.5 * i for i in range(N)]
L = [round(-91.2 + 0.37 * ((i * 7) % 11), 2) for i in range(N)]


def rows(form: str) -> str:
    """Return a row for each point: {i} its number from 0, {f} MHz, {hz} Hz, {l} dBm, {m} 3 dB above."""
    return "".join(form.format(i=i, f=F[i], hz=int(F[i] * 1e6), l=L[i], m=round(L[i] + 3, 2)) + "\n" for i in range(N))


def comma(text: str) -> str:
    return text.replace(",", ";").replace(".", ",")


LEVELS = ",".join(map(str, L))
PAGES = "".join(("MHz,dBm\n" if i % 7 == 0 else "") + f"{F[i]},{L[i]}\n" for i in range(N))
OBJECT = '{"start": "1200 MHz", "stop": "1210 MHz", "rbw_hz": 100000, "unit": "dBm", "levels": [' + LEVELS + "]}"
SHAPES = {
    "trace names over pairs of columns": "Average,,Max Hold,\nMHz,dBm,MHz,dBm\n" + rows("{f},{l},{f},{m}"),
    "remark behind one row": "MHz,dBm\n" + rows("{f},{l}").replace(f",{L[4]}\n", f",{L[4]} # spur?\n", 1),
    "remarks behind every row": "MHz,dBm\n" + rows("{f},{l} # {i}"),
    "column of remarks, mostly empty": "Frequency MHz,Level dBm,Comment\n"
    + rows("{f},{l},").replace(f"{F[4]},{L[4]},", f"{F[4]},{L[4]},beacon"),
    "column of passes": "Frequency (MHz),Level (dBm),Limit (dBm),Pass\n" + rows("{f},{l},-60,PASS"),
    "count of rows without a name": "Freq (MHz);dBm\n" + rows("{i};{f};{l}"),
    "settings among words": "Swept on the bridge wing with RBW 100 kHz in calm weather\nMHz;dBm\n" + rows("{f};{l}"),
    "one line of settings": "Start 1200 MHz, Stop 1210 MHz, RBW 100 kHz, 21 points, dBm\n" + rows("{l}"),
    "values below their keys": "Center Frequency (MHz),Span (MHz),RBW (kHz),Detector\n1205,10,100,RMS\n\n"
    "Frequency (MHz),Level (dBm)\n" + rows("{f},{l}"),
    "rows numbered with equals": "[Sweep]\nStart=1200 MHz\nStop=1210 MHz\nRBW=100 kHz\nUnit=dBm\n[Trace 1]\n"
    + rows("{i}={l}"),
    "JSON": OBJECT,
    "JSON of pairs": '{"unit": "dBm", "points": [' + rows('{{"freq_hz": {hz}, "level_dbm": {l}}},')[:-2] + "]}",
    "headings again in the middle": "RBW,100,kHz\n" + PAGES,
    "blank line after every row": "RBW,100,kHz\n\nMHz,dBm\n\n" + rows("{f},{l}\n"),
    "lines quoted as wholes": "".join(f'"{line}"\n' for line in ["RBW,100,kHz", "MHz,dBm", *rows("{f},{l}").split()]),
    "levels seven to a line": "Start,1200 MHz\nStop,1210 MHz\nPoints,21\nUnit,dBm\n"
    + "".join(",".join(map(str, L[k : k + 7])) + "\n" for k in (0, 7, 14)),
    "unit behind a row across": comma(f"Frequenz,{','.join(map(str, F))},MHz\nPegel,{LEVELS},dBm\n"),
    "frequencies with units across": "Time," + ",".join(f"{f} MHz" for f in F) + f"\n2026-03-02 10:00:00,{LEVELS}\n",
    "names of blanked columns": "Frequency (MHz),A (dBm),B,C,D\n" + rows("{f},{l},,,"),
    "settings with equals above the heading": "Resolution Bandwidth=100kHz;VBW=1MHz;RBW\nMHz;dBm\n".replace(";RBW", "")
    + rows("{f};{l}"),
    "a bandwidth beside the RBW": "Bandwidth,10 MHz\nRBW,100 kHz\nMHz,dBm\n" + rows("{f},{l}"),
    "minimum, mean, maximum": "Freq (MHz),Min (dBm),Mean (dBm),Max (dBm)\n" + rows("{f},-99.5,{l},{m}"),
    "percentiles": "Freq (MHz),P10 (dBm),P50 (dBm),P90 (dBm)\n"
    + rows("{f},-99.5,{l},{m}").replace("-99.5", "-99.4", 1),
    "numbers in brackets": "MHz;dBm\n" + rows("{f};({l})").replace("(-", "("),
    "minus sign behind": "MHz;dBm\n" + rows("{f};{l}-").replace(";-", ";"),
    "minus sign apart": "MHz;dBm\n" + rows("{f};{l}").replace(";-", ";- "),
    "numbers kept as text": "MHz,dBm\n" + rows("'{f},'{l}"),
    "numbers kept as formulas": "MHz,dBm\n" + rows('="{f}",="{l}"'),
    "files put together with their marks": "\ufeffMHz,dBm\n\ufeff" + rows("{f},{l}"),
    "a column in metres": "Frequency (MHz),Wavelength (m),Level (dBm)\n" + rows("{f},0.2{i},{l}"),
    "cells left empty behind keys": "RBW;;100;kHz\nDetector;;RMS\nMHz;dBm\n" + rows("{f};{l}"),
    "unit inside a name": "Frequency MHz,Amplitude dBm Avg,Amplitude dBm Max\n" + rows("{f},{l},{m}"),
    "hyphens for minus signs": "MHz;dBm\n" + rows("{f};{l}").replace("-", "\u2010"),
    "a limit line in front": "Limit line\nMHz,dBm\n" + rows("{f},-60") + "Trace 1\nMHz,dBm\n" + rows("{f},{l}"),
    "columns named by times": "Frequency (MHz);10:00:00;10:00:10\n" + rows("{f};{l};{m}"),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_shape(name: str, end: str) -> None:
    data = SHAPES[name].replace("\n", end).encode()
    (sweep,) = read_bytes(data, "noon.csv", level_unit=None if "dB" in SHAPES[name] else "dBm")
    assert (sweep.start_hz, sweep.stop_hz) == (1200e6, 1210e6)
    assert sweep.level_dbm.tolist() == L
    if "RBW" in SHAPES[name]:
        assert sweep.settings.rbw_hz == 1e5


def test_what_stands_over_a_pair_names_its_trace() -> None:
    (sweep,) = read_bytes(SHAPES["trace names over pairs of columns"].encode(), "noon.csv")
    assert sweep.settings.trace_mode == "average"
    assert list(sweep.traces) == ["Max Hold"]


def test_a_value_that_could_be_a_key_is_no_row_of_keys() -> None:
    text = "Detector,Log average\nAverages,8\nPoints,21\nMHz,dBm\n" + rows("{f},{l}")
    settings = read_bytes(text.encode(), "noon.csv")[0].settings
    assert (settings.detector, settings.averages) == ("log_average", 8)


def test_a_setting_among_words_counts_only_where_nothing_else_says_it() -> None:
    text = "Remark: RBW 30 kHz was tried as well\nRBW,100,kHz\nMHz,dBm\n" + rows("{f},{l}")
    assert read_bytes(text.encode(), "noon.csv")[0].settings.rbw_hz == 1e5
    text = SHAPES["settings among words"]
    assert any("among other words" in note for note in read_bytes(text.encode(), "noon.csv")[0].origin.assumptions)


@pytest.mark.parametrize(
    "second",
    ["RBW,30,kHz\nMHz,dBm\n", "Max Hold\nMHz,dBm\n", "MHz,dBuV\n"],
    ids=["other settings", "another trace", "another unit"],
)
def test_tables_that_say_something_of_their_own_are_no_pages(second: str) -> None:
    more = "".join(f"{1210.5 + 0.5 * i},{L[i]}\n" for i in range(N))
    text = "RBW,100,kHz\nMHz,dBm\n" + rows("{f},{l}") + second + more
    assert [s.points for s in read_bytes(text.encode(), "noon.csv")] == [N, N]


def test_a_bandwidth_as_wide_as_the_span_is_no_rbw() -> None:
    text = "Bandwidth,10 MHz\nMHz,dBm\n" + rows("{f},{l}")
    (sweep,) = read_bytes(text.encode(), "noon.csv")
    assert sweep.settings.rbw_hz is None
    assert any(warning.startswith("quality.rbw_unclear") for warning in sweep.origin.warnings)
    (sweep,) = read_bytes(text.replace("10 MHz", "30 kHz").encode(), "noon.csv")
    assert sweep.settings.rbw_hz == 3e4


@pytest.mark.parametrize("first", ["2026-03-02 10:00:0{k}", "{k}"])
def test_sweeps_below_each_other_over_one_axis(first: str) -> None:
    lines = [f"{first.format(k=k)};{f};{level - k:.2f}\n" for k in range(3) for f, level in zip(F, L, strict=True)]
    sweeps = read_bytes(("Time;Frequency (MHz);Level (dBm)\n" + "".join(lines)).encode(), "noon.csv")
    assert [s.level_dbm.tolist() for s in sweeps] == [[float(f"{level - k:.2f}") for level in L] for k in range(3)]
    assert [s.origin.lines for s in sweeps] == [(2 + k * N, 1 + (k + 1) * N) for k in range(3)]
    times = [s.origin.captured_at for s in sweeps]
    assert [t and t.second for t in times] == ([0, 1, 2] if ":" in first else [None] * 3)


@pytest.mark.parametrize(
    "key",
    ["Resolution Bandwidth (RBW)", "RBW 3dB", "IFBW", "Auflösebandbreite (RBW)", "Trace RBW", "Meas. Bandwidth"],
)
@pytest.mark.parametrize("value", ["100,kHz", "100 kHz", "100 (kHz)", "0.1M"])
def test_keys_and_values_of_the_rbw(key: str, value: str) -> None:
    (sweep,) = read_bytes(f"{key},{value}\nMHz,dBm\n{rows('{f},{l}')}".encode(), "noon.csv")
    assert sweep.settings.rbw_hz == 1e5


@pytest.mark.parametrize("key", ["3 dB Bandwidth", "ENBW", "Marker RBW", "Channel Bandwidth", "x dB BW"])
def test_keys_that_are_none_of_the_rbw(key: str) -> None:
    (sweep,) = read_bytes(f"{key},100,kHz\nMHz,dBm\n{rows('{f},{l}')}".encode(), "noon.csv")
    assert sweep.settings.rbw_hz is None


def test_a_first_row_behind_a_strange_character_is_not_lost() -> None:
    with pytest.raises(SweepFormatError, match="a row behind '>'"):
        read_bytes((">" + rows("{f},{l}")).encode(), "noon.csv", level_unit="dBm", frequency_unit="MHz")
    text = "# 1203.5,-87\nMHz,dBm\n" + rows("{f},{l}")  # a comment may hold numbers
    assert read_bytes(text.encode(), "noon.csv")[0].points == N


def test_settings_left_of_the_rows_never_cost_the_first_row() -> None:
    text = "RBW,100 kHz,,MHz,dBm\n" + rows(",,,{f},{l}").replace(",,,", "VBW,300 kHz,,", 1)
    with pytest.raises(SweepFormatError, match="words beside the numbers of a first row"):
        read_bytes(text.encode(), "noon.csv")


def test_a_choice_among_columns_without_names_is_told() -> None:
    (sweep,) = read_bytes(rows("{f},{l},{m}").encode(), "noon.csv", level_unit="dBm", frequency_unit="MHz")
    assert any("without names" in note for note in sweep.origin.assumptions)


def test_a_row_across_in_two_units_is_refused() -> None:
    text = "Time," + ",".join(f"{f} MHz" for f in F[:-1]) + f",1.21 GHz\n2026-03-02 10:00:00,{LEVELS}\n"
    with pytest.raises(SweepFormatError):
        read_bytes(text.encode(), "noon.csv", level_unit="dBm")
