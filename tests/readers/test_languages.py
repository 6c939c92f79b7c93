"""Whole files in six languages and layouts of our own invention: points, ends, levels and settings as a person reads.

Expected values are those the files were written from (derived); the words are the trade's (common practice, no source).
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from spectra.readers import read_bytes
from spectra.readers.words import key_of

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


KEYS = {
    "start": (
        "Start|Start Freq|Start frequency|F start|Fstart|Freq. start|Startfrequenz|Anfangsfrequenz|"
        "Fréquence de départ|Fréquence début|Fréquence initiale|Frecuencia inicial|Frecuencia de inicio|"
        "Frequenza iniziale|Frequenza di inizio|Frequenza di start|Frequência inicial|Frequência de início|"
        "Freq Start"
    ),
    "stop": (
        "Stop|Stop Freq|End frequency|F stop|Stoppfrequenz|Stopfrequenz|Endfrequenz|Fréquence d'arrêt|"
        "Fréquence de fin|Fréquence finale|Frecuencia final|Frecuencia de parada|Frecuencia fin|"
        "Frequenza finale|Frequenza di fine|Frequenza di stop|Frequência final|Frequência de fim|"
        "Frequência de parada"
    ),
    "centre": (
        "Center Freq|Centre|CF|Mittenfrequenz|Fréquence centrale|Frecuencia central|Frequenza centrale|"
        "Frequenza di centro|Frequência central|Centerfrequency|Freq Center|Zentralfrequenz|Centro"
    ),
    "span": (
        "Span|Frequency span|Spanne|Frequenzspanne|Darstellbreite|Étendue|Plage de fréquence|"
        "Excursion de fréquence|Ancho de barrido|Span de frecuencia|Rango de frecuencia|"
        "Escursione di frequenza|Intervallo|Faixa de frequência|Span de frequência|Largeur de balayage"
    ),
    "rbw": (
        "RBW|Res BW|Resolution Bandwidth|ResBW|Auflösebandbreite|Auflösungsbandbreite|Bandbreite|"
        "Filterbandbreite|Largeur de bande de résolution|Bande passante|Filtre de résolution|"
        "Ancho de banda de resolución|Ancho de banda RBW|Filtro de resolución|"
        "Larghezza di banda di risoluzione|Banda di risoluzione|Banda passante di risoluzione|Filtro RBW|"
        "Largura de banda de resolução|Banda de resolução|Filtro de resolução|IF bandwidth|ZF-Bandbreite|"
        "Messbandbreite"
    ),
    "vbw": (
        "VBW|Video BW|Videobandbreite|Videofilter|Largeur de bande vidéo|Bande vidéo|Filtre vidéo|"
        "Ancho de banda de video|Filtro de vídeo|Larghezza di banda video|Filtro video|Banda video|"
        "Largura de banda de vídeo"
    ),
    "detector": (
        "Detector|Det|Detektor|Détecteur|Détection|Detector type|Tipo de detector|Rivelatore|Tipo rivelatore|"
        "Detetor|Detector mode|Detektortyp"
    ),
    "averages": (
        "Averages|Average count|Avg count|Sweep count|No. of averages|Number of sweeps|Anzahl Mittelungen|"
        "Mittelungen|Mittelungszahl|Anzahl Sweeps|Anzahl Messdurchläufe|Nombre de moyennes|Moyennage|"
        "Moyennes|Nombre de balayages|Promedios|Número de promedios|Número de barridos|Medie|Numero di medie|"
        "Numero di sweep|Médias|Número de médias|Número de varreduras|Averaging"
    ),
    "trace_mode": (
        "Trace mode|Trace type|Spurmodus|Kurvenmodus|Messkurvenmodus|Mode de trace|Mode de courbe|"
        "Modo de traza|Tipo de traza|Modo traccia|Tipo di traccia|Modo de traço|Tipo de traço|Modo do traço"
    ),
    "sweep_time": (
        "Sweep time|SWT|Sweepzeit|Ablaufzeit|Wobbelzeit|Temps de balayage|Durée de balayage|"
        "Tiempo de barrido|Tempo di scansione|Tempo di sweep|Tempo de varredura|Sweep Time (s)|Scan time"
    ),
    "reference_level": (
        "Ref Level|Reference level|RefLevel|RL|Referenzpegel|Bezugspegel|Niveau de référence|"
        "Nivel de referencia|Livello di riferimento|Nível de referência|Ref Lvl"
    ),
    "attenuation": (
        "Attenuation|Atten|RF Att|Input attenuation|Dämpfung|HF-Dämpfung|Eingangsdämpfung|"
        "Eingangsabschwächung|Eingangsteiler|Atténuation|Atténuateur|Atténuation d'entrée|Atenuación|"
        "Atenuador|Atenuación de entrada|Attenuazione|Attenuatore|Attenuazione di ingresso|Atenuação|"
        "Atenuador de entrada"
    ),
    "preamplifier": (
        "Preamp|Pre-amplifier|Preamplifier|Vorverstärker|Préampli|Préamplificateur|Preamplificador|"
        "Preamplificatore|Pré-amplificador|Preamp state"
    ),
    "level_offset": (
        "Ref level offset|Level offset|Offset|Pegeloffset|Pegelversatz|Décalage de niveau|Offset de nivel|"
        "Offset di livello|External gain|Externe Verstärkung|Gain externe|Ganancia externa|Guadagno esterno|"
        "Ganho externo"
    ),
    "impedance": (
        "Impedance|Input impedance|Impedanz|Eingangsimpedanz|Impédance|Impédance d'entrée|Impedancia|"
        "Impedancia de entrada|Impedenza|Impedenza d'ingresso|Impedância"
    ),
    "level_unit": (
        "Unit|Level unit|Y unit|Y axis unit|Einheit|Pegeleinheit|Y-Einheit|Unité|Unité de niveau|Unidad|"
        "Unidad de nivel|Unidades|Unità|Unità di livello|Unidade|Unidade de nível|Amplitude units|Unidad Y"
    ),
    "points": (
        "Points|No. of points|Number of points|Sweep points|Trace points|Punkte|Anzahl Punkte|Messpunkte|"
        "Anzahl der Messpunkte|Nombre de points|Points de mesure|Número de puntos|Puntos|Puntos de traza|"
        "Numero di punti|Punti|Número de pontos|Pontos|Data points"
    ),
    "when": (
        "Date|Date/Time|Date and time|Timestamp|Time|Datum|Datum und Uhrzeit|Uhrzeit|Zeitstempel|"
        "Date et heure|Heure|Fecha|Fecha y hora|Hora|Ora|Measurement time|Acquisition date"
    ),
}
"""Keys as firmware in six languages and its abbreviations write them; common practice, no source."""


@pytest.mark.parametrize(("concept", "key"), [(c, key) for c, keys in KEYS.items() for key in keys.split("|")])
def test_keys_of_six_languages(concept: str, key: str) -> None:
    meaning = key_of(key)
    assert meaning is not None
    assert meaning.concept == concept


@pytest.mark.parametrize(
    "line",
    [
        "Data;2 marzo 2026 10:11:12",
        "Data: 2 de março de 2026 10:11:12",
        "Data e ora: 02.03.2026 10:11:12",
        "Data/hora=2026-03-02 10:11:12",
        "Fecha y hora: 2 mar 2026 10:11:12",
    ],
)
def test_a_word_for_data_that_holds_a_date_is_the_date(line: str) -> None:
    text = f"{line}\nFrequenza (MHz);Livello (dBm)\n" + "".join(f"{f};{x}\n" for f, x in zip(F, LEVEL, strict=True))
    (sweep,) = read_bytes(text.encode(), "x.csv")
    assert str(sweep.origin.captured_at) == "2026-03-02 10:11:12+00:00"


@pytest.mark.parametrize("line", ["Data;61", "Data: rms", "Trace data 1"])
def test_a_word_for_data_without_a_date_is_no_date(line: str) -> None:
    text = f"{line}\nMHz;dBm\n" + "".join(f"{f};{x}\n" for f, x in zip(F, LEVEL, strict=True))
    assert read_bytes(text.encode(), "x.csv")[0].origin.captured_at is None


@pytest.mark.parametrize(
    ("line", "warns"),
    [
        ("Frequenzbereich;60,0;MHz", False),
        ("Frequency range: 1400 - 1460 MHz", False),
        ("Frequenzbereich;50,0;MHz", True),
        ("Frequency range: 1400 - 1450 MHz", True),
    ],
)
def test_a_range_is_two_ends_or_a_span(line: str, warns: bool) -> None:
    """Held against the rows, whose ends are 1400 and 1460 MHz: what does not go with them is told."""
    text = f"Centre: 1430 MHz\n{line}\nMHz;dBm\n" + "".join(f"{f};{x}\n" for f, x in zip(F, LEVEL, strict=True))
    (sweep,) = read_bytes(text.encode(), "x.csv")
    assert bool(sweep.origin.warnings) == warns
