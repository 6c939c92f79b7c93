"""Words, numbers and times as files write them. No outside source: common practice of the trade in six languages."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from spectra.readers.cells import classify, find_unit, number
from spectra.readers.facts import average_type_of
from spectra.readers.layouts import READERS
from spectra.readers.times import time_of
from spectra.readers.words import detector_of, key_of, trace_mode_of

KEYS = {
    "start": [
        "Start",
        "Start Freq",
        "StartFrequency",
        "start_freq_Hz",
        "FreqStart",
        "F_START",
        "F start",
        "Startfrequenz",
        "Anfangsfrequenz",
        "Fréquence de début",
        "Fréquence initiale",
        "Frecuencia inicial",
        "Frecuencia de inicio",
        "Frequenza iniziale",
        "Frequenza di inizio",
        "Frequência inicial",
        "Start [MHz]",
        "START FREQUENCY",
        "XStart",
    ],
    "stop": [
        "Stop",
        "Stop Freq",
        "End Frequency",
        "Stoppfrequenz",
        "Endfrequenz",
        "Stopfrequenz",
        "Fréquence de fin",
        "Fréquence d'arrêt",
        "Frecuencia final",
        "Frequenza finale",
        "Frequência final",
        "Frecuencia de parada",
    ],
    "centre": [
        "Center",
        "Centre frequency",
        "Center Freq",
        "CF",
        "CenterFrequency",
        "Mittenfrequenz",
        "Mittelfrequenz",
        "Fréquence centrale",
        "Frecuencia central",
        "Frequenza centrale",
        "Frequência central",
        "Ctr Freq",
    ],
    "span": [
        "Span",
        "Frequency Span",
        "Span Freq",
        "Spanne",
        "Darstellbereich",
        "Excursion",
        "Sweep width",
        "Frequenzhub",
    ],
    "rbw": [
        "RBW",
        "Res BW",
        "ResBW",
        "Resolution Bandwidth",
        "ResolutionBandwidth",
        "RES_BW",
        "bw",
        "Auflösebandbreite",
        "Auflösungsbandbreite",
        "ZF-Bandbreite",
        "Bande passante de résolution",
        "Largeur de bande de résolution",
        "Filtre de résolution",
        "Ancho de banda de resolución",
        "Larghezza di banda di risoluzione",
        "Banda di risoluzione",
        "Largura de banda de resolução",
        "RBW (kHz)",
        "IF Bandwidth",
        "FilterBandwidth",
        "Res BW (-3dB)",
        "Actual RBW",
    ],
    "vbw": [
        "VBW",
        "Video BW",
        "Video Bandwidth",
        "Videobandbreite",
        "Bande vidéo",
        "Filtre vidéo",
        "Largeur de bande vidéo",
        "Ancho de banda de vídeo",
        "Banda video",
        "Largura de banda de vídeo",
    ],
    "detector": [
        "Detector",
        "Det",
        "DET",
        "Detector Type",
        "Trace Detector",
        "Detektor",
        "Détecteur",
        "Rivelatore",
        "Rilevatore",
        "Detetor",
        "DetectorMode",
    ],
    "averages": [
        "Averages",
        "Average count",
        "Avg",
        "AVG",
        "AvgCount",
        "Number of averages",
        "Sweeps averaged",
        "Sweep Count",
        "Mittelungen",
        "Anzahl Mittelungen",
        "Mittelungszahl",
        "Moyennes",
        "Nombre de moyennes",
        "Moyennage",
        "Promedios",
        "Número de promedios",
        "Medie",
        "Numero di medie",
        "Médias",
        "Número de médias",
        "Trace Average Count",
        "Average Number",
    ],
    "points": [
        "Points",
        "Number of points",
        "Num Points",
        "NUMBER OF POINTS",
        "Sweep Points",
        "N",
        "DataPoints",
        "Values",
        "source_trace_points",
        "Messpunkte",
        "Anzahl Messpunkte",
        "Werte",
        "Punkte",
        "Nombre de points",
        "Número de puntos",
        "Numero di punti",
        "Número de pontos",
        "Pontos",
        "NumberPoints",
    ],
    "sweep_time": [
        "Sweep Time",
        "SWT",
        "SweepTime",
        "ScanTime",
        "Sweepzeit",
        "Ablaufzeit",
        "Temps de balayage",
        "Durée de balayage",
        "Tiempo de barrido",
        "Tempo di scansione",
        "Tempo de varredura",
        "Sweep Time (ms)",
    ],
    "reference_level": [
        "Reference Level",
        "Ref Level",
        "Ref",
        "RefLevel",
        "RL",
        "reference_level_dBm",
        "Referenzpegel",
        "Niveau de référence",
        "Nivel de referencia",
        "Livello di riferimento",
        "Nível de referência",
    ],
    "attenuation": [
        "Attenuation",
        "Att",
        "RF Att",
        "Input Attenuation",
        "Eingangsdämpfung",
        "HF-Dämpfung",
        "Atténuation",
        "Atenuación",
        "Attenuazione",
        "Atenuação",
    ],
    "trace_mode": ["Trace Mode", "Trace Type", "TraceMode", "Kurvenmodus", "Mode de trace", "Modo de traza"],
    "level_unit": [
        "Y Unit",
        "Y-Unit",
        "Y Axis Unit",
        "Level Unit",
        "LevelUnits",
        "Unit",
        "Units",
        "Amplitude Unit",
        "Einheit",
        "Pegeleinheit",
        "Unité",
        "Unidad",
        "Unità",
        "Unidade",
        "DATA UNIT",
        "Y Axis Units",
    ],
    "frequency_unit": ["X Unit", "x-Unit", "FREQ UNIT", "Frequency Unit", "X Axis Units"],
    "when": [
        "Date",
        "Time",
        "Timestamp",
        "TIMESTAMP",
        "Saved",
        "Datum",
        "Uhrzeit",
        "Date/Time",
        "acquisition_time",
        "Zeitstempel",
        "Fecha",
        "Hora",
        "Horodatage",
    ],
    "impedance": ["Impedance", "Input impedance", "Eingangsimpedanz", "Impédance", "Z"],
    "preamplifier": ["Preamp", "Preamplifier", "Pre-amp", "Vorverstärker", "Préampli"],
    "level_offset": ["Ref Level Offset", "Level Offset", "Ref Offset", "External Gain"],
}


@pytest.mark.parametrize(("concept", "key"), [(c, k) for c, keys in KEYS.items() for k in keys])
def test_keys_by_meaning(concept: str, key: str) -> None:
    found = key_of(key)
    assert found is not None
    assert found.concept == concept


@pytest.mark.parametrize(
    "key",
    [
        "Serial Number",
        "Model",
        "Title",
        "Marker Frequency",
        "CF Step",
        "Marker 1",
        "Limit",
        "Firmware",
        "Operator",
        "Mode",
        "Trigger Level Source X",
        "Scale Div",
        "Version",
        "Vessel",
        "checksum",
        "M1",
        "Ref Position",
        "Level Range",
    ],
)
def test_other_keys_are_not_taken_for_settings(key: str) -> None:
    found = key_of(key)
    assert found is None or found.concept not in ("start", "stop", "centre", "span", "rbw", "vbw", "points", "averages")


@pytest.mark.parametrize(
    ("text", "detector"),
    [
        ("RMS", "rms"),
        ("rms (auto)", "rms"),
        ("Average (RMS)", "rms"),
        ("Effektivwert", "rms"),
        ("Eficaz", "rms"),
        ("Sample", "sample"),
        ("SAMP", "sample"),
        ("Abtastwert", "sample"),
        ("Échantillon", "sample"),
        ("Muestra", "sample"),
        ("Campione", "sample"),
        ("Amostra", "sample"),
        ("Positive peak", "peak"),
        ("POS", "peak"),
        ("Peak", "peak"),
        ("MAXPEAK", "peak"),
        ("Max Peak", "peak"),
        ("Spitzenwert", "peak"),
        ("Negative peak", "negative_peak"),
        ("NEG", "negative_peak"),
        ("Min Peak", "negative_peak"),
        ("MINPEAK", "negative_peak"),
        ("Normal", "normal"),
        ("Auto peak", "normal"),
        ("AUTOPEAK", "normal"),
        ("Average (log)", "log_average"),
        ("Log average", "log_average"),
        ("Average (Video)", "log_average"),
        ("Log Power", "log_average"),
        ("Voltage average", "voltage_average"),
        ("Average (Voltage)", "voltage_average"),
        ("Power average", "rms"),
        ("Average", "average"),
        ("AVG", "average"),
        ("Quasi peak", None),
        ("QP", None),
        ("on", None),
        ("", None),
    ],
)
def test_detectors(text: str, detector: str | None) -> None:
    assert detector_of(text) == detector


@pytest.mark.parametrize(
    ("text", "mode"),
    [
        ("Clear Write", "clear_write"),
        ("CLR/WRITE", "clear_write"),
        ("ClearWrite", "clear_write"),
        ("CLRW", "clear_write"),
        ("Live", "clear_write"),
        ("Average", "average"),
        ("AVER", "average"),
        ("Trace1 AVG", "average"),
        ("Mittelwert", "average"),
        ("Moyenne", "average"),
        ("Promedio", "average"),
        ("Media", "average"),
        ("Max Hold", "max_hold"),
        ("MAXH", "max_hold"),
        ("MaxHold", "max_hold"),
        ("Maximum", "max_hold"),
        ("MXHold", "max_hold"),
        ("Min Hold", "min_hold"),
        ("MINH", "min_hold"),
        ("Trace 1", None),
        ("VIEW", None),
        ("Level", None),
        ("Blank", None),
    ],
)
def test_trace_modes(text: str, mode: str | None) -> None:
    assert trace_mode_of(text) == mode


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("LogPower(Video)", "log"),
        ("Log", "log"),
        ("dB", "log"),
        ("Power (RMS)", "power"),
        ("RMS", "power"),
        ("Voltage", "voltage"),
        ("Linear", "voltage"),
        ("Auto", None),
    ],
)
def test_average_types(text: str, kind: str | None) -> None:
    assert average_type_of(text) == kind


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("1173.5", ".", 1173.5),
        ("1173,5", ",", 1173.5),
        ("1 250,5", ",", 1250.5),
        ("1.250,5", ",", 1250.5),
        ("1,250.5", ".", 1250.5),
        ("1'250.5", ".", 1250.5),
        ("1\u202f250\u202f000", ".", 1250000.0),
        ("-54.2e+01", ".", -542.0),
        ("\u221291.2", ".", -91.2),
        (".5", ".", 0.5),
        ("5.", ".", 5.0),
        ("1 25,5", ",", None),
        ("12,5", ".", None),
        ("1.5", ",", None),
        ("1.2.3", ".", None),
        ("", ".", None),
        ("-", ".", None),
        ("0x10", ".", None),
        ("1_0", ".", None),
        ("nan", ".", None),
        ("٣", ".", None),
    ],
)
def test_numbers(text: str, decimal: str, value: float | None) -> None:
    assert number(text, decimal) == value


@pytest.mark.parametrize(
    ("cell", "kind", "unit"),
    [
        ("-54.2 dBm", "N", "dBm"),
        ("1.2e+09", "N", ""),
        ("10khz", "N", "khz"),
        ("dBm", "u", "dBm"),
        ("[MHz]", "u", "MHz"),
        ("", "E", ""),
        ("---", "X", ""),
        ("NaN", "X", ""),
        ("2026-03-02", "D", ""),
        ("13:05:00", "D", ""),
        ("low", "T", ""),
        ("12 apples", "T", ""),
        ("9" * 500, "T", ""),
    ],
)
def test_cells(cell: str, kind: str, unit: str) -> None:
    found = classify(cell, ".")
    assert (found[0], found[2]) == (kind, unit)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("Level [dBm]", "dBm"),
        ("Frequency (MHz)", "MHz"),
        ("start_freq_Hz", "Hz"),
        ("Pegel/dBµV", "dBµV"),
        ("f in GHz", "GHz"),
        ("Trace 1", None),
        ("Level", None),
    ],
)
def test_units_in_names(name: str, unit: str | None) -> None:
    assert find_unit(name)[0] == unit


CLOCK = datetime(2026, 3, 2, 10, 0, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-02 10:00:05",
        "2026-03-02T10:00:05Z",
        "2026-03-02T12:00:05+02:00",
        "2026/03/02 10:00:05",
        "02.03.2026 10:00:05",
        "Mon Mar 02 10:00:05 2026",
        "2 March 2026 10:00:05",
        "02-Mar-2026 10:00:05",
        "Monday, 2 March 2026 10:00:05",
        "2. März 2026 10:00:05",
        "2 de marzo de 2026 10:00:05",
        "2 mars 2026 10:00:05",
        "2026-03-02 10:00:05 UTC",
        "March 2, 2026 10:00:05 AM",
        "20260302 10:00:05",
        "2026-03-02 05:00:05 -0500",
    ],
)
def test_times(text: str) -> None:
    assert time_of(text)[0] == CLOCK


@pytest.mark.parametrize("text", ["03/04/2026 10:00:00", "soon", "2026-13-41 10:00:00", "", "10:00:00", "99:99"])
def test_times_that_are_none_or_could_be_two(text: str) -> None:
    assert time_of(text)[0] is None


def test_time_zone_of_the_file_counts_and_its_lack_is_told() -> None:
    assert time_of("2026-03-02 12:00:05", timezone(timedelta(hours=2))) == (CLOCK, "")
    assert "UTC" in time_of("2026-03-02 10:00:05")[1]
    assert "00:00" in time_of("2 March 2026")[1]
    assert time_of("07/29/15 12:12:29")[0] == datetime(2015, 7, 29, 12, 12, 29, tzinfo=UTC)


def test_each_layout_is_sniffed_as_its_own() -> None:
    """Each sniffer on a specimen of its own and on those of all others: the surest must be its own."""
    from spectra.readers.layouts import choose_reader

    across = ",".join(str(-90 - i % 7) for i in range(20))
    specimens = {
        "sweepmuster-csv": "# sweepmuster sweep 1\nfrequency_hz,level_dbm\n1.0,-90.0\n2.0,-91.0\n",
        "sm1809": "FileType X\nFreqStart 1\nFreqStop 2\nDataPoints 20\n\n10:00:00," + across + "\n",
        "signal-list": "Signal,Frequency,Level,Remark\n1,1173.4,-81,a\n2,1180.1,-84,b\n",
        "segment-rows": "1000,2000,50," + across + "\n2000,3000,50," + across + "\n",
        "rows-across": "Start,1,MHz\n10:00:00," + across + "\n10:00:01," + across + "\n",
        "frequency-level-rows": "MHz,dBm\n1,-90\n2,-91\n3,-90\n",
        "level-rows": "Start: 1 MHz\nStop: 2 MHz\n-90.1\n-91.2\n-90.3\n",
    }
    assert list(specimens) == [reader.name for reader in READERS]
    for name, text in specimens.items():
        reader, certainty = choose_reader(text)
        assert reader.name == name
        assert 0.0 < certainty <= 1.0


@pytest.mark.parametrize("text", ["", "\n", "\x00", "\ufeff", "\u2212" * 50, "1", ",", '"', "a:b=c;d", "9" * 20000])
def test_sniffers_never_raise(text: str) -> None:
    for reader in READERS:
        assert 0.0 <= reader.sniff(text) <= 1.0
