"""Whole files in six languages and layouts of our own invention: points, ends, levels and settings as a person reads.

Expected values are those the files were written from (derived); the words are the trade's (common practice, no source).
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from spectra.readers import read_bytes

N = 61
F = [1400.0 + i for i in range(N)]
LEVEL = [round(-88.0 + 3.0 * math.sin(i / 5.0) + i * 7919 % 13 / 20.0, 2) for i in range(N)]


def comma(value: float, decimals: int = 2) -> str:
    return f"{value:.{decimals}f}".replace(".", ",")


GERMAN = (
    "Messgerät;Werkbank\r\nStartfrequenz;1.400,0;MHz\r\nStoppfrequenz;1.460,0;MHz\r\n"
    "Auflösebandbreite (auto);300;kHz\r\n"
    "Videobandbreite;1;MHz\r\nDetektor;Effektivwert\r\nMittelungen;20\r\nReferenzpegel;-20,0;dBm\r\nDämpfung;10;dB\r\n"
    "Datum;02.03.2026 10:15:00\r\nMittelwert (dBm);Frequenz (MHz);Max Hold (dBm)\r\n"
    + "".join(f"{comma(x)};{comma(f, 1)};{comma(x + 4)}\r\n" for f, x in zip(F, LEVEL, strict=True))
)
FRENCH = (
    "Fréquence centrale : 1430 MHz\nExcursion : 60 MHz\nLargeur de bande de résolution : 100 kHz\nDétecteur : crête\n"
    "Niveau de référence : -10 dBm\nTemps de balayage : 250 ms\nNombre de points : 61\nUnité : dBm\n"
    + "".join(f"{comma(x)}\n" for x in LEVEL)
)
SPANISH = (
    "! Frecuencia inicial = 1400 MHz\n! Frecuencia final = 1460 MHz\n! RBW = 300 kHz (manual)\n! Promedios = 16\n"
    "Frecuencia;Nivel\nMHz;dBm\n" + "".join(f"{f:.3f};{x:.2f}\n" for f, x in zip(F, LEVEL, strict=True))
)
ITALIAN = (
    '[Impostazioni]\n"Frequenza iniziale","1400","MHz"\n"Frequenza finale","1460","MHz"\n'
    '"Larghezza banda risoluzione","100","kHz"\n"Rivelatore","campione"\n"Livello di riferimento","-20","dBm"\n[Dati]\n'
    '"Frequenza (Hz)","Livello (dBm)"\n'
    + "".join(f'"{f * 1e6:.0f}","{x:.2f}"\n' for f, x in zip(F, LEVEL, strict=True))
)
PORTUGUESE = (
    "Frequência inicial: 1400 MHz\nFrequência final: 1460 MHz\nLargura de banda de resolução: 30 kHz\nMédias: 10\n"
    "Atenuação: 0 dB\nUnidade: dBm\nFrequência (kHz)\tMédia (dBm)\n"
    + "".join(f"{f * 1e3:.0f}\t{x:.2f}\n" for f, x in zip(F, LEVEL, strict=True))
)
ENGLISH = "RBW (kHz): 300 (Auto)\nVBW: Auto 1 MHz\nSweep time: 120 ms (Man)\nOwner: harbour\nMHz,dBm\n" + "".join(
    f"{f:.1f},{x:.2f}\n" for f, x in zip(F, LEVEL, strict=True)
)
GROUPED = "RBW;100 kHz\nHz;dBm\n" + "".join(f"1 {400 + i:03d} 000 000,0;{comma(x)}\n" for i, x in enumerate(LEVEL))
BLOCKS = "".join(
    f"Trace {k}\nTrace Mode,{mode}\nRBW,300,kHz\nMHz,dBm\n"
    + "".join(f"{f:.1f},{x + d:.2f}\n" for f, x in zip(F, LEVEL, strict=True))
    + "\n"
    for k, mode, d in ((1, "Clear Write", 1), (2, "Average", 0), (3, "Max Hold", 4), (4, "Min Hold", -4))
)
WHOLE: dict[str, tuple[str, str, dict[str, Any], list[str]]] = {
    "German": (
        GERMAN,
        "cp1252",
        {"rbw_hz": 3e5, "vbw_hz": 1e6, "detector": "rms", "averages": 20, "attenuation_db": 10.0},
        ["Max Hold"],
    ),
    "French": (FRENCH, "utf-16", {"rbw_hz": 1e5, "detector": "peak", "sweep_time_s": 0.25}, []),
    "Spanish": (SPANISH, "utf-8-sig", {"rbw_hz": 3e5, "averages": 16, "extra": {"rbw set by": "manual"}}, []),
    "Italian": (ITALIAN, "utf-8", {"rbw_hz": 1e5, "detector": "sample", "reference_level_dbm": -20.0}, []),
    "Portuguese": (PORTUGUESE, "latin-1", {"rbw_hz": 3e4, "averages": 10, "trace_mode": "average"}, []),
    "marks": (
        ENGLISH,
        "utf-8",
        {
            "rbw_hz": 3e5,
            "sweep_time_s": 0.12,
            "extra": {"Owner": "harbour", "rbw set by": "Auto", "vbw set by": "Auto", "sweep_time set by": "Man"},
        },
        [],
    ),
    "grouped": (GROUPED, "utf-8", {"rbw_hz": 1e5}, []),
    "blocks": (
        BLOCKS,
        "utf-8",
        {"rbw_hz": 3e5, "trace_mode": "average", "extra": {}},
        ["Clear Write", "Max Hold", "Min Hold"],
    ),
}


@pytest.mark.parametrize("name", WHOLE)
def test_read_as_a_person_reads_it(name: str) -> None:
    text, encoding, settings, traces = WHOLE[name]
    (sweep,) = read_bytes(text.encode(encoding), "x.csv")
    assert sweep.points == N
    assert (sweep.start_hz, sweep.stop_hz) == (1.4e9, 1.46e9)
    assert sweep.level_dbm.tolist() == LEVEL
    assert {key: getattr(sweep.settings, key) for key in settings} == settings
    assert list(sweep.traces) == traces
