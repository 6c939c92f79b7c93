"""Any combination of preamble, delimiter, decimal mark, encoding, unit and line end reads back to exact floats.

Reference: Python's own ``float`` of the text that was written, times the unit (IEEE 754 double, correctly rounded).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spectra import read_sweep
from spectra.errors import SpectraError

SCALE = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
WORDS = {
    "en": ("Start", "Stop", "Frequency", "Level", "Averages", "Detector", "RBW"),
    "de": ("Startfrequenz", "Stoppfrequenz", "Frequenz", "Pegel", "Mittelungen", "Detektor", "Auflösebandbreite"),
    "fr": (
        "Fréquence de début",
        "Fréquence de fin",
        "Fréquence",
        "Niveau",
        "Moyennes",
        "Détecteur",
        "Bande passante de résolution",
    ),
    "es": (
        "Frecuencia inicial",
        "Frecuencia final",
        "Frecuencia",
        "Nivel",
        "Promedios",
        "Detector",
        "Ancho de banda de resolución",
    ),
    "it": (
        "Frequenza iniziale",
        "Frequenza finale",
        "Frequenza",
        "Livello",
        "Medie",
        "Rivelatore",
        "Banda di risoluzione",
    ),
    "pt": (
        "Frequência inicial",
        "Frequência final",
        "Frequência",
        "Nível",
        "Médias",
        "Detetor",
        "Largura de banda de resolução",
    ),
}


@st.composite
def layouts(draw: st.DrawFn) -> dict[str, object]:
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", "  "]))
    decimal = draw(st.sampled_from([".", ","])) if delimiter != "," else "."
    unit = draw(st.sampled_from(list(SCALE)))
    points = draw(st.integers(8, 60))
    start_hz = draw(st.integers(900_000, 2_100_000)) * 1000
    step_hz = draw(st.integers(1, 2000)) * 1000
    digits = {"Hz": 0, "kHz": 0, "MHz": 3, "GHz": 6}[unit] + draw(st.integers(0, 3))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))  # levels of noise: no two traces are alike
    places = draw(st.integers(1, 4))
    exponent = draw(st.booleans())
    levels = [f"{x:.6e}" if exponent else f"{x:.{places}f}" for x in rng.normal(-90.0, 8.0, points)]
    return {
        "delimiter": delimiter,
        "decimal": decimal,
        "unit": unit,
        "frequencies": [f"{(start_hz + i * step_hz) / SCALE[unit]:.{digits}f}" for i in range(points)],
        "levels": levels,
        "encoding": draw(
            st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"])
        ),
        "end": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "style": draw(
            st.sampled_from(
                [
                    "key,value,unit",
                    "key: value unit",
                    "key=value unit",
                    '"key","value unit"',
                    "# key: value unit",
                    "! key value unit",
                    "[key],value unit",
                ]
            )
        ),
        "language": draw(st.sampled_from(list(WORDS))),
        "units": draw(st.sampled_from(["names", "row", "cells", "own cells", "preamble"])),
        "index": draw(st.booleans()),
        "trailing": draw(st.booleans()),
        "level_first": draw(st.booleans()),
        "level_only": draw(st.booleans()),
        "quoted": draw(st.booleans()),
        "last_end": draw(st.booleans()),
        "averages": draw(st.integers(2, 999)),
        "rbw_khz": draw(st.sampled_from([1, 3, 10, 30, 100, 300])),
    }


def preamble(told: dict[str, object]) -> list[str]:
    delimiter, decimal = str(told["delimiter"]), str(told["decimal"])
    start, stop, _, _, averages, detector, rbw = WORDS[str(told["language"])]
    frequencies = told["frequencies"]
    assert isinstance(frequencies, list)
    unit = str(told["unit"])
    entries = [(rbw, str(told["rbw_khz"]), "kHz"), (averages, str(told["averages"]), ""), (detector, "RMS", "")]
    if told["level_only"]:
        entries += [(start, frequencies[0], unit), (stop, frequencies[-1], unit)]
    if told["units"] == "preamble" or told["level_only"]:
        entries += [("Y unit", "dBm", ""), ("X unit", unit, "")]
    cell = delimiter if delimiter.strip() or delimiter == "\t" else ";"
    lines = []
    for key, value, unit_ in entries:
        value = value.replace(".", decimal)
        style = str(told["style"])
        if decimal == "," and style.startswith('"'):
            style = "key: value unit"
        text = style.replace("key", "K").replace("value", "V").replace("unit", "U")
        if text in ("K,V,U", '"K","V U"', "[K],V U"):
            text = text.replace(",", cell)
        text = text.replace("K", "\x01").replace("V", "\x02").replace("U", "\x03")
        lines.append(text.replace("\x01", key).replace("\x02", value).replace("\x03", unit_))
    return lines


def file_of(told: dict[str, object]) -> bytes:
    delimiter, decimal, unit = str(told["delimiter"]), str(told["decimal"]), str(told["unit"])
    _, _, frequency, level, *_ = WORDS[str(told["language"])]
    place = "preamble" if told["level_only"] else str(told["units"])
    quote = '"' if told["quoted"] and place != "own cells" and delimiter != "  " else ""
    names = [f"{frequency} ({unit})", f"{level} (dBm)"] if place == "names" else [frequency, level]
    lines = preamble(told)
    order = [1, 0] if told["level_first"] else [0, 1]
    if delimiter == "  " and place in ("row", "names"):
        names = [name.replace(" ", "_") for name in names]
    head = [names[i] for i in order]
    if place == "own cells":
        head = [part for name in head for part in (name, "")]
    if told["index"]:
        head.insert(0, "No")
    if not told["level_only"]:
        lines.append(delimiter.join(head))
        if place == "row":
            row = [[unit, "dBm"][i] for i in order]
            lines.append(delimiter.join((["#"] if False else [""] if told["index"] else []) + row).lstrip(" "))
    elif told["index"]:
        lines.append(delimiter.join(["No", level]))
    for i, (f, x) in enumerate(zip(told["frequencies"], told["levels"], strict=True)):  # type: ignore[call-overload]
        texts = [f.replace(".", decimal), x.replace(".", decimal)]
        if place == "cells":
            texts = [f"{texts[0]} {unit}", f"{texts[1]} dBm"]
        cells = [texts[1]] if told["level_only"] else [texts[j] for j in order]
        if place == "own cells":
            cells = [
                part for cell, u in zip(cells, [(unit, "dBm")[j] for j in order], strict=True) for part in (cell, u)
            ]
        if told["index"]:
            cells.insert(0, str(i))
        tail = delimiter if told["trailing"] and delimiter != "  " else ""
        lines.append(delimiter.join(f"{quote}{cell}{quote}" for cell in cells) + tail)
    end = str(told["end"])
    return (end.join(lines) + (end if told["last_end"] else "")).encode(str(told["encoding"]))


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(told=layouts())
def test_any_layout_reads_back_exactly(told: dict[str, object], tmp_path: Path) -> None:
    path = tmp_path / "sweep.csv"
    data = file_of(told)
    path.write_bytes(data)
    try:
        sweep = read_sweep(path)
    except SpectraError as problem:
        raise AssertionError(f"{problem}\n{data[:1500]!r}") from problem
    scale = SCALE[str(told["unit"])]
    frequencies, levels = told["frequencies"], told["levels"]
    assert isinstance(frequencies, list)
    assert isinstance(levels, list)
    n = len(levels)
    if told["level_only"]:
        start, stop = float(frequencies[0]) * scale, float(frequencies[-1]) * scale
        wanted = [start + i * (stop - start) / (n - 1) for i in range(n)]
    else:
        wanted = [float(text) * scale for text in frequencies]
    assert sweep.frequency_hz.tolist() == wanted, repr(data[:800])
    assert sweep.level_dbm.tolist() == [float(text) for text in levels], repr(data[:800])
    assert sweep.settings.rbw_hz == float(str(told["rbw_khz"])) * 1e3, repr(data[:800])
    assert sweep.settings.averages == told["averages"]
    assert sweep.settings.detector == "rms"
    assert not sweep.origin.warnings


@pytest.mark.parametrize("seed", range(3))
def test_large_and_small_paths_give_the_same_floats(seed: int, tmp_path: Path) -> None:
    """A million digits by the bulk parser of pandas, and the same rows by NumPy in pieces: both equal float()."""
    import pandas  # noqa: F401  # loaded: the large path is taken above 256 kB

    rng = np.random.default_rng(seed)
    for n in (500, 30_000):
        texts = [
            (
                f"{9.5e8 + 1e4 * i + rng.uniform(0, 5e3):.{rng.integers(0, 9)}f}",
                f"{rng.normal(-90, 9):.{rng.integers(1, 17)}f}",
            )
            for i in range(n)
        ]
        path = tmp_path / f"n{n}.csv"
        path.write_text("Frequency (Hz),Level (dBm)\n" + "\n".join(",".join(t) for t in texts) + "\n")
        sweep = read_sweep(path)
        assert sweep.frequency_hz.tolist() == [float(f) for f, _ in texts]
        assert sweep.level_dbm.tolist() == [float(x) for _, x in texts]
        assert math.isfinite(sweep.level_dbm.sum())
