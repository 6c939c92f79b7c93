"""Files of several sweeps: rows with times, blocks, segments, tables side by side; all invented, no outside source."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from spectra import read_sweep, read_sweeps
from spectra.errors import SweepFormatError

F_MHZ = [1173.0, 1173.5, 1174.0, 1174.5, 1175.0, 1175.5, 1176.0, 1176.5, 1177.0, 1177.5]
LEVEL = [-96.4, -97.82, -94.75, -98.62, -84.11, -83.9, -84.27, -95.87, -94.73, -96.1]
HIGHER = [round(level + 3.0, 2) for level in LEVEL]


def rows(levels: list[float]) -> str:
    return "\n".join(f"{f},{level}" for f, level in zip(F_MHZ, levels, strict=True))


SEVERAL = {
    "rows with times": (
        "Frequency (MHz);"
        + ";".join(map(str, F_MHZ))
        + "\n2026-03-02 10:00:00;"
        + ";".join(map(str, LEVEL))
        + "\n2026-03-02 10:00:10;"
        + ";".join(map(str, HIGHER))
        + "\n",
        "dBm",
    ),
    "blocks with a time each": (
        "Date: 2026-03-02 10:00:00\nFrequency (MHz),Level (dBm)\n"
        + rows(LEVEL)
        + "\n\nDate: 2026-03-02 10:00:10\nFrequency (MHz),Level (dBm)\n"
        + rows(HIGHER)
        + "\n",
        None,
    ),
    "blocks over different spans": (
        "Frequency (MHz),Level (dBm)\n"
        + rows(LEVEL)
        + "\n\nFrequency (MHz),Level (dBm)\n"
        + "\n".join(f"{f + 100},{x + 3:.2f}" for f, x in zip(F_MHZ, LEVEL, strict=True))
        + "\n",
        None,
    ),
    "segment rows swept twice": (
        "\n".join(
            f"2026-03-02,10:00:{s:02d},{a},{a + 2500000},500000,12," + ",".join(f"{x + s / 10 * 3:.2f}" for x in part)
            for s in (0, 10)
            for a, part in ((1173000000, LEVEL[:5]), (1175500000, LEVEL[5:]))
        )
        + "\n",
        "dBm",
    ),
    "side by side": (
        "Frequency (MHz);Level (dBm);Frequency (MHz);Level (dBm)\n"
        + "\n".join(f"{f};{x};{f + 100};{x + 3:.2f}" for f, x in zip(F_MHZ, LEVEL, strict=True)),
        None,
    ),
}


@pytest.mark.parametrize("name", SEVERAL)
def test_several_sweeps(name: str, tmp_path: Path) -> None:
    text, unit = SEVERAL[name]
    path = tmp_path / "several.csv"
    path.write_text(text, encoding="utf-8")
    sweeps = read_sweeps(path, level_unit=unit)
    assert [s.points for s in sweeps] == [10, 10]
    np.testing.assert_array_equal(sweeps[0].level_dbm, LEVEL)
    np.testing.assert_allclose(sweeps[1].level_dbm, np.array(LEVEL) + 3.0, atol=1e-9)
    with pytest.raises(SweepFormatError, match="read_sweeps"):
        read_sweep(path, level_unit=unit)
