"""Reading in bulk: the same numbers whichever way the rows are read; many small tables cost no more than their bytes.

Expected numbers are Python's own ``float`` of the text (derived); limits of cost are the project's.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spectra.errors import SweepFormatError
from spectra.readers import bulk, read_bytes
from spectra.sweep import Sweep, settle

HEAD = "Frequency (Hz),Level (dBm)\n"


def body(points: int) -> tuple[str, list[tuple[str, str]]]:
    level = np.random.default_rng(5).normal(-90.0, 3.0, points)
    cells = [(f"{1.173e9 + 137.031 * i:.3f}", f"{x:.2f}") for i, x in enumerate(level)]
    return "".join(f"{f},{x}\n" for f, x in cells), cells


@pytest.mark.parametrize("workers", [1, 3])
@pytest.mark.parametrize("end", ["\n", ""])
def test_every_number_is_float_of_its_text(monkeypatch: pytest.MonkeyPatch, workers: int, end: str) -> None:
    for name in ("_LARGE", "_LARGE_IF_LOADED"):
        monkeypatch.setattr(bulk, name, 50_000)
    monkeypatch.setattr(bulk, "_workers", lambda _size: workers)
    monkeypatch.setattr(bulk, "_CHUNK", 20_000)
    text, cells = body(20_000)
    sweep = read_bytes((HEAD + text.rstrip("\n") + end).encode(), "x.csv")[0]
    assert sweep.frequency_hz.tolist() == [float(f) for f, _ in cells]
    assert sweep.level_dbm.tolist() == [float(x) for _, x in cells]


@pytest.mark.parametrize("workers", [1, 3])
def test_a_broken_row_far_down_is_told_with_its_line(monkeypatch: pytest.MonkeyPatch, workers: int) -> None:
    for name in ("_LARGE", "_LARGE_IF_LOADED"):
        monkeypatch.setattr(bulk, name, 50_000)
    monkeypatch.setattr(bulk, "_workers", lambda _size: workers)
    lines = (HEAD + body(20_000)[0]).splitlines()
    lines[15_000] = "1175055000.000,-9x.2"
    with pytest.raises(SweepFormatError) as told:
        read_bytes("\n".join(lines).encode(), "x.csv")
    assert told.value.line == 15_001


@pytest.mark.parametrize("marks", [1, 255, 256, 257, 2000])
def test_rows_with_any_count_of_trailing_delimiters(marks: int) -> None:
    rows = "".join(f"{1000 + i};-{80 + i % 7}.5{';' * marks}\n" for i in range(40))
    sweep = read_bytes(("MHz;dBm\n" + rows).encode(), "x.csv")[0]
    assert sweep.points == 40
    assert sweep.level_dbm[3] == -83.5


@pytest.mark.parametrize("unit", ["1,2\n2,3\nx\n", "Trace\nMHz,dBm\n1,2\n2,3\n3,4\n", "1,2\n2,3\n1;2\n2;3\n"])
def test_tables_without_end_cost_no_more_in_a_larger_file(unit: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With pandas loaded each table once tried to parse the whole rest: the cost grew with the file."""
    seen = {"bytes": 0, "parsers": 0}
    regular, parser = bulk._regular, pd.read_csv

    def looked_at(chunk: bytes, *rest: object) -> object:
        seen["bytes"] += len(chunk)
        return regular(chunk, *rest)

    def parsed(*arguments: object, **options: object) -> object:
        seen["parsers"] += 1
        return parser(*arguments, **options)

    monkeypatch.setattr(bulk, "_regular", looked_at)
    monkeypatch.setattr(pd, "read_csv", parsed)
    data = (unit * (1_200_000 // len(unit))).encode()
    with pytest.raises(SweepFormatError):
        read_bytes(data, "x.csv")
    assert seen["bytes"] < 4 * len(data)
    assert seen["parsers"] <= 2


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("MHz,dBm\n1000,-90\n1001,---\n1002,-91\n1003,-92\n", 3),
        ("MHz;dBm\n1000;\n1001;-90\n1002;-91\n1003;-92\n", 2),
        ("MHz;dBm\n1000;-90\n1001;\n1002;-91\n1003;-92\n", 3),
    ],
)
def test_a_gap_in_the_first_rows_is_told(text: str, line: int) -> None:
    with pytest.raises(SweepFormatError) as told:
        read_bytes(text.encode(), "x.csv")
    assert told.value.line == line


def test_a_unit_in_some_cells_only_is_told() -> None:
    rows = "".join(f"{1000 + i} MHz;-80,5\n" for i in range(9)) + "1009;-80,5\n1010 MHz;-80,5\n"
    with pytest.raises(SweepFormatError) as told:
        read_bytes(rows.encode(), "x.csv", level_unit="dBm")
    assert told.value.line == 10


def test_cells_in_different_units_are_read_each_by_its_own() -> None:
    rows = "".join(f"{f};-8{i}.5 dBm\n" for i, f in enumerate(("999.5 kHz", "1 MHz", "1000.5 kHz", "1.001 MHz")))
    for stated in (None, "MHz"):
        sweep = read_bytes(rows.encode(), "x.csv", frequency_unit=stated)[0]
        assert sweep.frequency_hz.tolist() == [999.5 * 1e3, 1.0 * 1e6, 1000.5 * 1e3, 1.001 * 1e6]


def test_titles_of_columns_are_no_settings() -> None:
    levels = ";".join(f"-9{i % 7}.5" for i in range(20))
    text = f"Start;1;GHz\nStop;2;GHz\nOwner;harbour\nTime;Level (dBm)\n2026-03-02 10:00:00;{levels}\n"
    assert dict(read_bytes(text.encode(), "x.csv")[0].settings.extra) == {"Owner": "harbour"}


def test_a_sweep_copies_what_others_can_write_to() -> None:
    frequency, level = np.array([1.0, 2.0, 3.0]), np.array([-1.0, -2.0, -3.0])
    view = level[:]
    view.setflags(write=False)
    sweep = Sweep(frequency, view)
    level[0] = frequency[0] = 0.5
    assert sweep.level_dbm[0] == -1.0
    assert sweep.frequency_hz[0] == 1.0
    mine = settle(np.array([-1.0, -2.0, -3.0]))
    assert Sweep(sweep.frequency_hz, mine).level_dbm is mine
