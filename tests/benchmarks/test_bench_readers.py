"""Cost of reading a sweep of 1001 and of 1,000,000 points, hash and preamble included, seed 1.

Beside it, in the same run, `pandas.read_csv` with exact floats on the same numeric body (and pyarrow's reader, where
that package is installed). Look at the ratio of the minima: under 4 for 1001 points, under 1.3 for a million.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spectra import SpectraError, read_sweep
from spectra.readers import read_bytes

PREAMBLE = (
    "# Swept trace\n# Date: 2026-03-02 01:07:13\n# Start: 1173000000 Hz\n# Stop: 1233000000 Hz\n# RBW: 100000 Hz\n"
    "# VBW: 1000000 Hz\n# Detector: RMS\n# Averages: 8\n# Ref level: -20 dBm\nFrequency [Hz],Level [dBm]\n"
)
POINTS = (1001, 1_000_000)
# pandas from 3.1 on reads every number exactly and calls the option by which older ones did so deprecated
EXACT = {} if tuple(map(int, pd.__version__.split(".")[:2])) >= (3, 1) else {"float_precision": "round_trip"}


@pytest.fixture(scope="module", params=POINTS)
def files(request, tmp_path_factory) -> tuple[Path, Path, int]:
    points = request.param
    frequency = np.linspace(1173e6, 1233e6, points)
    level = np.random.default_rng(1).normal(-90.0, 3.0, points)
    form = "{:.0f},{:.2f}\n" if points < 10_000 else "{:.3f},{:.2f}\n"
    body = "".join(form.format(f, x) for f, x in zip(frequency, level, strict=True))
    folder = tmp_path_factory.mktemp("bench")
    whole, bare = folder / "sweep.csv", folder / "body.csv"
    whole.write_text(PREAMBLE + body, encoding="utf-8")
    bare.write_text(body, encoding="utf-8")
    return whole, bare, points


def test_read_sweep(benchmark, files) -> None:
    whole, _, points = files
    benchmark.group = f"read {points} points"
    sweep = benchmark(read_sweep, whole)
    assert sweep.points == points


def test_reference_pandas(benchmark, files) -> None:
    _, bare, points = files
    benchmark.group = f"read {points} points"
    frame = benchmark(pd.read_csv, bare, header=None, **EXACT)
    assert len(frame) == points
    assert (frame[0].to_numpy() == read_sweep(files[0]).frequency_hz).all()


def test_reference_pyarrow(benchmark, files) -> None:
    reader = pytest.importorskip("pyarrow.csv", reason="pyarrow is not installed; it is only a second reference")
    _, bare, points = files
    benchmark.group = f"read {points} points"
    options = reader.ReadOptions(autogenerate_column_names=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert benchmark(reader.read_csv, bare, read_options=options).num_rows == points


HOSTILE = {
    "tables without end": "1,2\n2,3\nx\n",
    "lines like rows": "1'000'000;1'0\n",
    "numbers wrongly grouped": "1 1000 000,0;-8,5\n",
    "gaps": "1000,-90\n1001,---\n",
    "short sweeps": "10:00:00,-91,-92,-93\n",
    "blocks without end": "Trace\nMHz,dBm\n1,2\n2,3\n3,4\n",
    "text without end": "some words: and more\n",
    "brackets": "(",
    "traces in blocks without end": "Trace,1\nTrace Mode,Average\nDetector,RMS\nMHz,dBm\n"
    + "".join(f"{950 + 5 * i},-8{i % 7}.5\n" for i in range(20))
    + "\n",
    "gaps across": "10:00:00," + "-91.5,---," * 200 + "-90\n",
    "units that change": "1000 MHz;-90 dBm\n1001 kHz;-91 dBm\n",
    "segments": "2026-03-02,10:00:00,950000000,955000000,1000000,12,-91.2,-91.0,-90.8,-91.1,-90.9\n",
    "empty lines": "\n" * 4000 + "x\n",
    "numbers and a word": "1,2,x\n",
    "numbered blocks": "".join(
        f"Trace,{k}\nTrace Mode,Average {k}\nDetector {k},RMS\nMHz{k},dBm\n"
        + "".join(f"{950 + 5 * i}.{k},-8{i % 7}.5\n" for i in range(20))
        + "\n"
        for k in range(3200)
    ),
    "settings and few levels": "".join(
        f"RBW: {k + 1} kHz\nVBW: {k} kHz\nStart: {k} MHz\nStop: {k + 9} MHz\nUnit: dBm\n" + "-80.5\n-81.5\n-82.5\n" * 4
        for k in range(9000)
    ),
    "units in turn": "".join(f"{k} {'MHz' if k % 2 else 'kHz'},-80.5 dBm\n" for k in range(60_000)),
    "rows with a remark": "".join(f"{k},-80.5,w{k}\n" for k in range(60_000)),
}


@pytest.mark.parametrize("size", [200_000, 400_000, 1_000_000])
@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_text(benchmark, name: str, size: int) -> None:
    benchmark.group = f"hostile text, {size / 1e6} MB (the limit is {size / 1e6} s)"
    text = HOSTILE[name]
    data = (text * (size // len(text) + 1))[:size].encode()

    def tried() -> None:
        try:
            sweeps = read_bytes(data, "x.csv", level_unit="dBm")
        except SpectraError:
            return
        assert name in ("traces in blocks without end", "numbered blocks", "rows with a remark")  # read, if few enough
        assert sweeps

    benchmark.pedantic(tried, rounds=2)
