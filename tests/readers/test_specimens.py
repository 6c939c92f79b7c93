"""Layouts by meaning: many invented exports, each with what a person reads from it.

No outside source: the shapes are common practice of instruments and spreadsheets; all names are invented. What is
expected is written down beside each specimen, not taken from the program.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from spectra import read_sweep, read_sweeps

F_MHZ = [1173.0, 1173.5, 1174.0, 1174.5, 1175.0, 1175.5, 1176.0, 1176.5, 1177.0, 1177.5]
LEVEL = [-96.4, -97.82, -94.75, -98.62, -84.11, -83.9, -84.27, -95.87, -94.73, -96.1]
DBUV_50 = 10.0 * math.log10(1e-12 / 50.0 * 1e3)  # P = U^2 / R (derived): 0 dBuV at 50 ohm in dBm


def rows(form: str, sep: str = "\n", start: int = 0, levels: list[float] = LEVEL) -> str:
    """Rows from a form with {i}, {f} (MHz), {hz}, {l}, {m} (3 dB more)."""
    return sep.join(
        form.format(i=i + start, f=f, hz=round(f * 1e6), l=level, m=round(level + 3.0, 2), k=f * 1e3, g=f / 1e3)
        for i, (f, level) in enumerate(zip(F_MHZ, levels, strict=True))
    )


def comma(text: str) -> str:
    return text.replace(".", ",")


BASE = {"points": 10, "first": 1173e6, "last": 1177.5e6, "lowest": -98.62, "highest": -83.9}

SPECIMENS: dict[str, tuple[str | bytes, dict]] = {
    "colon preamble in hash comments": (
        "# Start: 1173 MHz\n# Stop: 1177.5 MHz\n# RBW: 100 kHz\n# VBW: 1 MHz\n# Detector: RMS\n# Averages: 8\n"
        "Frequency [MHz],Level [dBm]\n" + rows("{f},{l}") + "\n",
        {"rbw_hz": 1e5, "vbw_hz": 1e6, "detector": "rms", "averages": 8, "trace_mode": "average"},
    ),
    "equals preamble, brackets, tabs": (
        "[Settings]\nCenterFrequency=1175.25MHz\nSpan=4.5MHz\nResBW=30kHz\nDetectorMode=Sample\nAvgCount=100\n"
        "YUnit=dBm\n[Trace]\n" + rows("{hz}\t{l}") + "\n",
        {"rbw_hz": 3e4, "detector": "sample", "averages": 100},
    ),
    "exclamation comments, unit line, begin and end": (
        "! TIMESTAMP 2026-03-02 10:00:00Z\n! FREQ UNIT MHz\n! DATA UNIT dBm\n! RBW 100000 Hz\nBEGIN\n"
        + rows("{f},{l}")
        + "\nEND\n",
        {"rbw_hz": 1e5, "captured_at": "2026-03-02T10:00:00+00:00"},
    ),
    "German, semicolon, decimal comma": (
        comma(
            "Mittenfrequenz;1175.25;MHz\nSpanne;4.5;MHz\nAuflösebandbreite;100;kHz\nVideobandbreite;1000;kHz\n"
            "Detektor;Effektivwert\nMittelungen;16\nReferenzpegel;-20;dBm\nEingangsdämpfung;10;dB\nSweepzeit;50;ms\n"
            "Frequenz (MHz);Pegel (dBm)\n" + rows("{f};{l}") + "\n"
        ),
        {
            "rbw_hz": 1e5,
            "vbw_hz": 1e6,
            "detector": "rms",
            "averages": 16,
            "reference_level_dbm": -20.0,
            "attenuation_db": 10.0,
            "sweep_time_s": 0.05,
        },
    ),
    "French, semicolon, decimal comma, Latin-1": (
        comma(
            "Fréquence centrale;1175.25 MHz\nExcursion;4.5 MHz\nFiltre de résolution;100 kHz\n"
            "Filtre vidéo;300 kHz\nDétecteur;Échantillon\nNombre de moyennes;4\nNiveau de référence;-30 dBm\n"
            "Atténuation;5 dB\nTemps de balayage;20 ms\n"
            "Fréquence (MHz);Niveau (dBm)\n" + rows("{f};{l}")
        ).encode("latin-1"),
        {
            "rbw_hz": 1e5,
            "vbw_hz": 3e5,
            "detector": "sample",
            "averages": 4,
            "reference_level_dbm": -30.0,
            "attenuation_db": 5.0,
            "sweep_time_s": 0.02,
        },
    ),
    "Spanish": (
        comma(
            "Frecuencia inicial;1173;MHz\nFrecuencia final;1177.5;MHz\nAncho de banda de resolución;100;kHz\n"
            "Ancho de banda de vídeo;1;MHz\nDetector;Eficaz\nPromedios;12\nNivel de referencia;-10;dBm\n"
            "Atenuación;0;dB\nTiempo de barrido;1;s\nNúmero de puntos;10\nFrecuencia (MHz);Nivel (dBm)\n"
            + rows("{f};{l}")
        ),
        {
            "rbw_hz": 1e5,
            "vbw_hz": 1e6,
            "detector": "rms",
            "averages": 12,
            "reference_level_dbm": -10.0,
            "attenuation_db": 0.0,
            "sweep_time_s": 1.0,
        },
    ),
    "Italian": (
        comma(
            "Frequenza iniziale;1173;MHz\nFrequenza finale;1177.5;MHz\nLarghezza di banda di risoluzione;100;kHz\n"
            "Banda video;1;MHz\nRivelatore;Campione\nNumero di medie;12\nLivello di riferimento;-10;dBm\n"
            "Attenuazione;0;dB\nTempo di scansione;1;s\nPunti;10\nFrequenza (MHz);Livello (dBm)\n" + rows("{f};{l}")
        ),
        {
            "rbw_hz": 1e5,
            "vbw_hz": 1e6,
            "detector": "sample",
            "averages": 12,
            "reference_level_dbm": -10.0,
            "attenuation_db": 0.0,
            "sweep_time_s": 1.0,
        },
    ),
    "Portuguese": (
        comma(
            "Frequência inicial;1173;MHz\nFrequência final;1177.5;MHz\nLargura de banda de resolução;100;kHz\n"
            "Largura de banda de vídeo;1;MHz\nDetetor;Amostra\nMédias;12\nNível de referência;-10;dBm\n"
            "Atenuação;0;dB\nTempo de varredura;1;s\nPontos;10\nFrequência (MHz);Nível (dBm)\n" + rows("{f};{l}")
        ),
        {
            "rbw_hz": 1e5,
            "vbw_hz": 1e6,
            "detector": "sample",
            "averages": 12,
            "reference_level_dbm": -10.0,
            "attenuation_db": 0.0,
            "sweep_time_s": 1.0,
        },
    ),
    "German, level only, centre and span": (
        comma(
            "Mittenfrequenz;1175.25;MHz\nDarstellbereich;4.5;MHz\nMesspunkte;10\nBandbreite;100;kHz\nEinheit;dBm\n"
            "Messwerte\n" + rows("{l}")
        ),
        {"rbw_hz": 1e5},
    ),
    "several pairs a line": (
        "Start 1173 MHz  Stop 1177.5 MHz  Ref -20 dBm\nRBW 100 kHz  VBW 300 kHz  SWT 20 ms  Att 10 dB\nDet RMS\n"
        "MHz,dBm\n" + rows("{f},{l}"),
        {"rbw_hz": 1e5, "vbw_hz": 3e5, "sweep_time_s": 0.02, "attenuation_db": 10.0, "reference_level_dbm": -20.0},
    ),
    "several pairs in cells with auto and manual marks": (
        "Start Freq,1173000000,Stop Freq,1177500000\nRBW,100000,MAN,VBW,300000,AUTO\nRef,-20.00dBm,Ref Offset,0\n"
        "Frequency(Hz),Trace1(dBm),\n" + rows("{hz},{l},"),
        {"rbw_hz": 1e5, "vbw_hz": 3e5, "reference_level_dbm": -20.0},
    ),
    "joined keys": (
        "Center/Span : 1175.25 MHz / 4.5 MHz\nRBW/VBW : 100 kHz / 1 MHz\nDet : Positive peak , Avg 1\n"
        "No;Freq;Ampl\n" + rows("{i};{f} MHz;{l} dBm"),
        {"rbw_hz": 1e5, "vbw_hz": 1e6, "detector": "peak", "averages": 1},
    ),
    "quoted cells with decimal comma and comma as delimiter": (
        '"RBW (kHz)","100"\n"Frequenz (MHz)","Pegel (dBm)"\n' + comma(rows('"{f}";"{l}"')).replace(";", ","),
        {"rbw_hz": 1e5},
    ),
    "thousands marks by blanks and decimal comma": (
        "RBW;100 kHz\nFréquence (kHz);Niveau (dBm)\n"
        + "\n".join(
            f"1 17{3 + i // 2} {'000' if i % 2 == 0 else '500'},0;{str(x).replace('.', ',')}"
            for i, x in enumerate(LEVEL)
        ),
        {"rbw_hz": 1e5},
    ),
    "thousands marks by points, no-break blanks in the preamble": (
        "Startfrequenz;1.173.000.000;Hz\nRBW;100\u00a0000;Hz\nFrequenz;Pegel\nHz;dBm\n"
        + "\n".join(
            f"1.17{3 + i // 2}.{'000' if i % 2 == 0 else '500'}.000;{str(x).replace('.', ',')}"
            for i, x in enumerate(LEVEL)
        ),
        {"rbw_hz": 1e5},
    ),
    "UTF-16 little endian with byte order mark, CRLF": (
        b"\xff\xfe" + ("RBW=0.1MHz\r\nGHz\tdBm\r\n" + rows("{g:.6f}\t{l}", "\r\n") + "\r\n").encode("utf-16-le"),
        {"rbw_hz": 1e5},
    ),
    "UTF-16 big endian without byte order mark": (
        ("RBW=0.1MHz\r\nMHz\tdBm\r\n" + rows("{f}\t{l}", "\r\n") + "\r\n").encode("utf-16-be"),
        {"rbw_hz": 1e5},
    ),
    "UTF-16 little endian without byte order mark": (
        ("RBW=0.1MHz\nMHz\tdBm\n" + rows("{f}\t{l}") + "\n").encode("utf-16-le"),
        {"rbw_hz": 1e5},
    ),
    "UTF-8 with byte order mark and micro sign": (
        ("\ufeffRBW;100;kHz\nFrequenz [MHz];Pegel [dBµV]\n" + rows("{f};{l}")).encode(),
        {"rbw_hz": 1e5, "shift": DBUV_50, "warns": "quality.level_implausible"},
    ),
    "code page 1252": (
        ("Auflösungsbandbreite;100;kHz\nBemerkung;„Mast“ – 5°\nFrequenz [MHz];Pegel [dBµV]\n" + rows("{f};{l}")).encode(
            "cp1252"
        ),
        {"rbw_hz": 1e5, "shift": DBUV_50, "warns": "quality.level_implausible"},
    ),
    "NUL bytes behind cells": (
        ("RBW\0,100000\0,Hz\0\r\nFrequency(Hz)\0,Amplitude(dBm)\0,\0\r\n" + rows("{hz}\0,{l}\0,\0", "\r\n")).encode(),
        {"rbw_hz": 1e5},
    ),
    "old Mac line ends": ("RBW,100,kHz\rFrequency (MHz),Level (dBm)\r" + rows("{f},{l}", "\r") + "\r", {"rbw_hz": 1e5}),
    "sep line of a spreadsheet, trailing delimiters": (
        "sep=;\nType;BOX;\nRBW;100000.000000;Hz;\nx-Unit;Hz;\ny-Unit;dBm;\nTrace Mode;CLR/WRITE;\nDetector;MAXPEAK;\n"
        "Sweep Count;0;\nValues;10;\n" + rows("{hz}.0;{l};"),
        {"rbw_hz": 1e5, "detector": "peak", "trace_mode": "clear_write", "averages": None},
    ),
    "level before frequency": ("RBW,100 kHz\nAmplitude (dBm),Frequency (MHz)\n" + rows("{l},{f}"), {"rbw_hz": 1e5}),
    "no heading, level before frequency, unit in the preamble": (
        "Y Axis Unit: dBm\nStart: 1173 MHz\nStop: 1177.5 MHz\n" + rows("{l} {f}"),
        {},
    ),
    "point column named, from zero": ("Point,Frequency (Hz),dBm\n" + rows("{i},{hz},{l}"), {}),
    "index column without a name": ("Level unit,dBm\nX unit,Hz\n" + rows("{i},{hz},{l}", start=1), {}),
    "units in cells of their own": ("Freq,,Amp,,\n" + rows("   {hz},Hz,  {l}, dBm,"), {}),
    "units glued, exponents": (
        "No.,Frequency,Amplitude\n" + rows("{i},{hz}.000000Hz,{l:e}dBm", start=1),
        {"exact": False},
    ),
    "unit changes from row to row": (
        (
            "Frequency;Level\n1173 MHz;-96.4 dBm\n1173500 kHz;-97.82 dBm\n1174e6 Hz;-94.75 dBm\n1.1745 GHz;-98.62 dBm\n"
            "1175 MHz;-84.11 dBm\n1175.5 MHz;-83.9 dBm\n1176 MHz;-84.27 dBm\n"
            "1176.5 MHz;-95.87 dBm\n1177 MHz;-94.73 dBm\n"
            "1177.5 MHz;-96.1 dBm\n"
        ),
        {},
    ),
    "unit row below the names": ("RBW;100 kHz\nFrequency;Level\n[MHz];[dBm]\n" + rows("{f};{l}"), {"rbw_hz": 1e5}),
    "white space between columns": (
        "# RBW 100 kHz\n# Frequency (MHz)   Level (dBm)\n" + rows("  {f}    {l}"),
        {"rbw_hz": 1e5},
    ),
    "white space, decimal comma": ("Frequenz (MHz)  Pegel (dBm)\n" + comma(rows("{f}   {l}")), {}),
    "bars between columns": ("| Frequency (MHz) | Level (dBm) |\n" + rows("| {f} | {l} |"), {}),
    "live, average, hold columns": (
        "Averages,12\nDetector,RMS\nFrequency (MHz),Clear/Write (dBm),Average (dBm),Max hold (dBm)\n"
        + rows("{f},{m},{l},{m}"),
        {"trace_mode": "average", "averages": 12, "traces": {"Clear/Write", "Max hold"}},
    ),
    "columns numbered, modes in the preamble": (
        "Trace 1 Mode,Max Hold\nTrace 2 Mode,Clear Write\nTrace 3 Mode,Blank\nTrace 1 Detector,Peak\n"
        "Trace 2 Detector,Sample\nFrequency (MHz),Trace 1 (dBm),Trace 2 (dBm),Trace 3 (dBm)\n"
        + rows("{f},{m},{l},-2147.48"),
        {"trace_mode": "clear_write", "detector": "sample", "traces": {"Trace 1"}},
    ),
    "modes of the columns side by side in the preamble": (
        "Trace Mode;Max Hold;Average;Clear Write\nDetector;Peak;RMS;Sample\nUnit;dBm\nFreq (MHz);Trace1;Trace2;Trace3\n"
        + rows("{f};{m};{l};{m}"),
        {"trace_mode": "average", "detector": "rms"},
    ),
    "blanked columns of three kinds": (
        "Freq (MHz),A (dBm),B (dBm),C (dBm),D (dBm)\n" + rows("{f},---,-999.0,{l},0.0"),
        {"traces": set()},
    ),
    "only a hold": (
        "Frequency (MHz),Max Hold (dBm)\n" + rows("{f},{l}"),
        {"trace_mode": "max_hold", "warns": "quality.hold_used"},
    ),
    "level only, start, stop and points": (
        "START FREQUENCY,1173,MHz\nSTOP FREQUENCY,1177.5,MHz\nNUMBER OF POINTS,10\nY UNIT,dBm\nTRACE DATA\n"
        + rows("{l}"),
        {},
    ),
    "level only with an index": ("Start (MHz),1173\nStop (MHz),1177.5\nIndex,Level (dBm)\n" + rows("{i},{l}"), {}),
    "level only, start and step": ("Start: 1173 MHz\nStep: 500 kHz\nUnit: dBm\nValues:\n" + rows("{l}"), {}),
    "level only, all on one line": (
        "Start,1173,MHz\nStop,1177.5,MHz\nPoints,20\nUnit,dBm\n" + rows("{l}", ",") + "," + rows("{l}", ","),
        {"points": 20},
    ),
    "level only, two traces": (
        "Start,1173,MHz\nStop,1177.5,MHz\nAverage (dBm),Max hold (dBm)\n" + rows("{l},{m}"),
        {"trace_mode": "average", "traces": {"Max hold"}},
    ),
    "marker table before the trace": (
        "RBW,100 kHz\nMarker,Frequency,Level\n1,1175.0,-84.11\n2,1175.5,-83.9\n\nFrequency (MHz),Level (dBm)\n"
        + rows("{f},{l}"),
        {"rbw_hz": 1e5},
    ),
    "markers and checksum after the trace": (
        '"Frequency (MHz)","Level (dBm)"\n' + rows("{f},{l}") + '\n\n"Markers"\n"M1",1175.0,-84.11\n"M2",---,---\n'
        '"End of file"\n\n"checksum",4A7F\n',
        {},
    ),
    "settings after the trace": (
        "Frequency (MHz),Level (dBm)\n" + rows("{f},{l}") + "\n\nRBW,100,kHz\nDetector,RMS\n",
        {"rbw_hz": 1e5},
    ),
    "blocks of traces over one axis": (
        "RBW,100,kHz\nTrace,1\nTrace Mode,Max Hold\nFrequency (MHz),Level (dBm)\n"
        + rows("{f},{m}")
        + "\n\nTrace,2\nTrace Mode,Average\nFrequency (MHz),Level (dBm)\n"
        + rows("{f},{l}")
        + "\n",
        {"rbw_hz": 1e5, "trace_mode": "average"},
    ),
    "blocks of levels under headings": (
        "Start: 1173 MHz\nStop: 1177.5 MHz\nUnit: dBm\n[Trace A Max Hold]\n"
        + rows("{m}")
        + "\n[Trace B Clear Write]\n"
        + rows("{l}")
        + "\n",
        {"trace_mode": "clear_write"},
    ),
    "rows across, frequencies in a row": (
        "Frequency (MHz),"
        + ",".join(map(str, F_MHZ))
        + "\nAverage (dBm),"
        + rows("{l}", ",")
        + "\nMax hold (dBm),"
        + rows("{m}", ",")
        + "\n",
        {"trace_mode": "average", "traces": {"Max hold"}},
    ),
    "one row with a time": (
        "Start;1173;MHz\nStop;1177.5;MHz\nTime;Level (dBm)\n2026-03-02 10:00:00;" + rows("{l}", ";") + "\n",
        {"captured_at": "2026-03-02T10:00:00+00:00"},
    ),
    "segment rows": (
        "date,time,start Hz,stop Hz,step Hz,samples,dBm\n"
        "2026-03-02,10:00:00,1173000000,1175500000,500000,12," + ",".join(map(str, LEVEL[:5])) + "\n"
        "2026-03-02,10:00:01,1175500000,1178000000,500000,12," + ",".join(map(str, LEVEL[5:])) + "\n",
        {"captured_at": "2026-03-02T10:00:00+00:00"},
    ),
    "level unit of the reference level": (
        "start_freq_Hz 1173000000\nstop_freq_Hz 1177500000\nreference_level_dBm 0.0\nbw 10khz\ntrace_data\n"
        + rows("{hz}.0,{l}"),
        {"rbw_hz": 1e4, "assumes": "level unit dBm"},
    ),
    "only one level unit possible": (
        "RBW: 100 kHz\nFrequency (MHz),Amplitude\n" + rows("{f},{l}"),
        {"rbw_hz": 1e5, "assumes": "level unit dBm"},
    ),
    "only one frequency unit possible": (
        "RBW: 100 kHz\nUnit: dBm\nFrequency,Amplitude\n" + rows("{f},{l}"),
        {"rbw_hz": 1e5, "assumes": "frequency unit MHz"},
    ),
    "unicode minus": ("Frequency (MHz);Level (dBm)\n" + rows("{f};{l}").replace("-", "\u2212"), {}),
    "preamble in a spreadsheet's padded columns": (
        "Start,1173,MHz,,,\nStop,1177.5,MHz,,,\nRBW,100,kHz,,,\n,,,,,\nFrequency (MHz),Level (dBm),,,,\n"
        + rows("{f},{l},,,,"),
        {"rbw_hz": 1e5},
    ),
    "settings beside the rows": (
        "Frequency (MHz),Level (dBm),,Setting,Value\n"
        + "\n".join(
            f"{f},{x},{tail}"
            for f, x, tail in zip(
                F_MHZ, LEVEL, [",RBW,100 kHz", ",VBW,1 MHz", ",Detector,RMS", *[",,"] * 7], strict=True
            )
        ),
        {"rbw_hz": 1e5, "vbw_hz": 1e6, "detector": "rms"},
    ),
    "impedance of 75 ohm in the file": (
        "Input impedance;75;ohm\nFrequency (MHz);Level (dBmV)\n" + rows("{f};{l}"),
        {"shift": 10.0 * math.log10(1e-6 / 75.0 * 1e3)},
    ),
    "time per point in front": ("Time,Frequency (MHz),Level (dBm)\n" + rows("10:00:0{i},{f},{l}"), {}),
    "bench export with many settings": (
        "Trace\nSwept,\nA.01,BOX9\nSegment,0\nNumber of Points,10\nSweep Time,0.00106\nStart Frequency,1173000000\n"
        "Stop Frequency,1177500000\nAverage Count,0\nAverage Type,LogPower(Video)\nRBW,100000\nRBW Filter,Gaussian\n"
        "RBW Filter BW,3dB\nVBW,1000000\nSweep Type,Sweep\nX Axis Scale,Lin\nPreAmp State,Off\nRef Level Offset,0\n"
        "Trace Type,ClearWrite\nDetector,Normal\nTrace Name,Trace1\nX Axis Units,Hz\nY Axis Units,dBm\nDATA\n"
        + rows("{hz},{l}"),
        {"rbw_hz": 1e5, "vbw_hz": 1e6, "detector": "normal", "trace_mode": "clear_write", "averages": None},
    ),
    "names of the columns a few comments above": (
        "! FILETYPE CSV\n! DATA Freq,Max Hold,Average\n! FREQ UNIT MHz\n! DATA UNIT dBm\nBEGIN\n"
        + rows("{f},{m},{l}")
        + "\nEND\n",
        {"trace_mode": "average"},
    ),
    "rows as numbered keys": (
        "START_FREQ=1173.0 MHZ\nSTOP_FREQ=1177.5 MHZ\nRBW=100 KHZ\nDATA_POINTS=10\nUNITS=DBM\n# Begin TRACE A Data\n"
        + rows("P_{i}={l}")
        + "\n# Data Done\n",
        {"rbw_hz": 1e5},
    ),
    "rows as numbered keys with frequencies": (
        "RBW=100 KHZ\nUNITS=DBM\n# Begin TRACE A Data\n" + rows("P_{i}={l} , {f} MHz") + "\n# Data Done\n",
        {"rbw_hz": 1e5},
    ),
    "modes in a line of their own": (
        "Frequency,Trace 1,Trace 2\n,Max Hold,Average\nMHz,dBm,dBm\n" + rows("{f},{m},{l}"),
        {"trace_mode": "average"},
    ),
    "remark in brackets behind a key": (
        "Res BW (-3dB): 100 kHz\nVBW (Auto): 300 kHz\nFrequency (MHz),Level (dBm)\n" + rows("{f},{l}"),
        {"rbw_hz": 1e5, "vbw_hz": 3e5},
    ),
    "points in the preamble, commas in the rows": (
        "Mittenfrequenz;1175.25;MHz\nRBW;1.000;MHz\nFrequenz (MHz);Pegel (dBm)\n" + comma(rows("{f};{l}")),
        {"rbw_hz": 1e6},
    ),
    "frequency range": ("Frequency range: 1173 - 1177.5 MHz\nUnit: dBm\nLevels\n" + rows("{l}"), {}),
    "traces by letter": (
        "Trace A Mode: Max Hold\nTrace B Mode: Average\nFrequency (MHz),Trace A (dBm),Trace B (dBm)\n"
        + rows("{f},{m},{l}"),
        {"trace_mode": "average", "traces": {"Trace A"}},
    ),
    "units in upper case, slashes": ("RBW: 100KHZ\nFrequenz/MHZ;Pegel/DBM\n" + rows("{f};{l}"), {"rbw_hz": 1e5}),
    "count of sweeps of a hold": (
        "Sweep Count;10\nTrace Mode;Max Hold\nUnit;dBm\nFreq (MHz);Trace\n" + rows("{f};{l}"),
        {"trace_mode": "max_hold", "averages": None, "warns": "quality.averages_unclear"},
    ),
    "auto and manual before the value": (
        "RBW: Auto 100 kHz\nVBW,Manual,300,kHz\nFrequency (MHz),Level (dBm)\n" + rows("{f},{l}"),
        {"rbw_hz": 1e5, "vbw_hz": 3e5},
    ),
    "number sign as name of the index": (
        "#\tFrequency\tValue\n\tMHz\tdBm\n" + rows("{i}\t{f}\t{l}", start=1),
        {},
    ),
    "symbols and slashes as names": ("Level unit = dBm\nf/MHz;U\n" + rows("{f};{l}"), {}),
    "date and time apart, with a zone": (
        "Time: 12:00:05\nDate: 02.03.2026\nTime zone: UTC+2\nMHz,dBm\n" + rows("{f},{l}"),
        {"captured_at": "2026-03-02T12:00:05+02:00"},
    ),
    "levels wrapped over lines": (
        "Start,1173,MHz\nStop,1177.5,MHz\nPoints,10\nUnit,dBm\n"
        + "\n".join(",".join(map(str, LEVEL[i : i + 2])) for i in range(0, 10, 2)),
        {},
    ),
    "blocks without a line between": (
        "Unit;dBm\nTrace;1\nTrace Mode;MAXHOLD\nDetector;MAXPEAK\nX unit;MHz\n"
        + rows("{f};{m}")
        + "\nTrace;2\nTrace Mode;AVERAGE\nDetector;RMS\nSweep Count;20\n"
        + rows("{f};{l}"),
        {"trace_mode": "average", "detector": "rms", "averages": 20},
    ),
    "two empty columns in front": ("Unit,dBm\n,,Frequency (MHz),Level\n" + rows(",,{f},{l}"), {}),
    "limit line beside the trace": (
        "Frequency (MHz),Level (dBm),Upper limit (dBm)\n" + rows("{f},{l},-40"),
        {"traces": set()},
    ),
    "centre and span without units": ("Center Frequency,1175250000\nSpan,4500000\nUnit,dBm\nDATA\n" + rows("{l}"), {}),
    "video average of the log trace": (
        "Detector,Average\nAverage type,Log Power (Video)\nAverages,16\nFrequency (MHz),Level (dBm)\n"
        + rows("{f},{l}"),
        {"detector": "log_average", "averages": 16},
    ),
    "power average": (
        "Detector,Average\nAverage type,Power (RMS)\nFrequency (MHz),Level (dBm)\n" + rows("{f},{l}"),
        {"detector": "rms"},
    ),
    "detector not told apart": (
        "Detector,Average\nFrequency (MHz),Level (dBm)\n" + rows("{f},{l}"),
        {"detector": None, "warns": "quality.detector_unclear"},
    ),
}


@pytest.mark.parametrize("name", SPECIMENS)
def test_specimen(name: str, tmp_path: Path) -> None:
    text, told = SPECIMENS[name]
    path = tmp_path / "specimen.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    sweep = read_sweep(path)
    told = {**BASE, **told}
    shift = told.pop("shift", 0.0)
    exact = told.pop("exact", True)
    assert sweep.points == told.pop("points")
    assert sweep.start_hz == pytest.approx(told.pop("first"), abs=1e-6)
    assert sweep.stop_hz == pytest.approx(told.pop("last"), abs=1e-6)
    lowest, highest = told.pop("lowest") + shift, told.pop("highest") + shift
    assert (sweep.level_dbm.min(), sweep.level_dbm.max()) == (
        (lowest, highest) if exact and not shift else pytest.approx((lowest, highest), abs=1e-9)
    )
    if sweep.points == 10:
        np.testing.assert_allclose(sweep.frequency_hz, np.array(F_MHZ) * 1e6, rtol=1e-15)
        np.testing.assert_allclose(sweep.level_dbm, np.array(LEVEL) + shift, rtol=1e-14)
    if "traces" in told:
        assert set(sweep.traces) == told.pop("traces")
    if "captured_at" in told:
        assert sweep.origin.captured_at is not None
        assert sweep.origin.captured_at.isoformat() == told.pop("captured_at")
    if "warns" in told:
        wanted = told.pop("warns")
        assert any(warning.startswith(wanted) for warning in sweep.origin.warnings)
    else:
        assert not sweep.origin.warnings
    if "assumes" in told:
        wanted = told.pop("assumes")
        assert any(assumption.startswith(wanted) for assumption in sweep.origin.assumptions)
    for key, value in told.items():
        assert getattr(sweep.settings, key) == (pytest.approx(value) if isinstance(value, float) else value), key


@pytest.mark.parametrize("name", SPECIMENS)
def test_one_sweep_of_a_specimen_is_the_list_of_one(name: str, tmp_path: Path) -> None:
    text, _ = SPECIMENS[name]
    path = tmp_path / "specimen.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    assert read_sweeps(path) == [read_sweep(path)]
