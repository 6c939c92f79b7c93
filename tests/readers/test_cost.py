"""What reading may cost: memory under ten times the file, whatever is in it (the benchmarks have the time).

No outside source: limits of the project. Memory is what `tracemalloc` sees (NumPy reports to it); a fixed allowance
covers caches and working room that do not grow with the file.
"""

from __future__ import annotations

import tracemalloc

import pytest

from spectra.errors import SpectraError
from spectra.readers import read_bytes

SIZE = 400_000
ALLOWANCE = 4_000_000


def repeated(text: str) -> str:
    return (text * (SIZE // len(text) + 1))[:SIZE]


def rows(form: str, head: str = "") -> str:
    count = SIZE // len(form.format(f=1000, x=10))
    return head + "".join(form.format(f=1000 + i, x=i * 7919 % 83) for i in range(count))


SHAPES = {
    "plain rows": rows("{f}.000000,-{x}.5\n", "MHz,dBm\n"),
    "exponents": rows("{f}e6,-{x}.5e0\n", "Hz,dBm\n"),
    "white space": rows("{f}   -{x}.5\n", "MHz dBm\n"),
    "units in cells": rows("{f} MHz;-{x}.5 dBm\n"),
    "thousands marks": "Hz;dBm\n"
    + "".join(f"1 {i // 1000:03d} {i % 1000:03d},0;-{i * 7919 % 83},5\n" for i in range(SIZE // 19)),
    "thousands marks out of place": rows("1 {f} 000,0;-{x},5\n", "Hz;dBm\n"),
    "a gap at the end": rows("{f},-{x}.5,-{x}.1\n", "MHz,dBm,dBm\n") + "9999999,-3,---\n",
    "words beside": rows("{f},-{x}.5,word\n", "Frequency (MHz),Level (dBm),Remark\n"),
    "a time in front": rows("10:00:00,{f},-{x}.5\n", "Time,Frequency (MHz),Level (dBm)\n"),
    "one line": "Start,1,GHz\nStop,2,GHz\nUnit,dBm\n" + repeated("-91.5,-90.25,"),
    "rows across": "Start,1,GHz\nStop,2,GHz\nUnit,dBm\n" + repeated("10:00:00," + "-91.5," * 400 + "-90.25\n"),
    "levels": "Start: 1 GHz\nStop: 2 GHz\nUnit: dBm\n" + repeated("-91.5\n-90.25\n"),
    "tables without end": repeated("1,2\n2,3\nx\n"),
    "text without end": repeated("some words: and more\n"),
    "lines like rows": repeated("1'000'000;1'0\n"),
    "brackets": repeated("("),
    "traces in blocks": repeated("Trace 1\nMHz,dBm\n" + "".join(f"{1000 + i},-8{i % 7}.5\n" for i in range(20)) + "\n"),
    "units that change": rows("{f} MHz;-{x}.5 dBm\n{f}.1 kHz;-{x}.5 dBm\n"),
    "gaps": repeated("1000,-90\n1001,---\n"),
    "gaps across": "Start,1,GHz\nStop,2,GHz\nUnit,dBm\n" + repeated("10:00:00," + "-91.5,---," * 200 + "-90\n"),
    "empty lines": repeated("\n") + "MHz,dBm\n1,-90\n2,-91\n",
    "pairs": repeated("a=b "),
    "quotes": repeated('"'),
    "delimiters": repeated(";;;;\n"),
    "digits": repeated("1234567890"),
    "dates": repeated("2026-03-02 "),
    "segments that overlap": "MHz,dBm\n"
    + "".join(f"{begin + i},-80.{i % 9}\n" for begin in (1000, 1000 + SIZE // 44) for i in range(SIZE // 22)),
    "side by side, unequal": rows("{f},-{x}.5,{f},-{x}.5\n", "MHz,dBm,MHz,dBm\n")
    + "".join(f"{90000 + i},-3.5,,\n" for i in range(9)),
    "levels in volts": rows("{f},0.{x}1\n", "MHz,V\n"),
    "many traces": rows("{f}" + ",-{x}.5" * 16 + "\n", "MHz" + ",dBm" * 16 + "\n"),
    "UTF-16": rows("{f},-{x}.5\n", "MHz,dBm\n"),
}


@pytest.mark.parametrize("name", SHAPES)
def test_memory(name: str) -> None:
    data = SHAPES[name].encode("utf-16" if name == "UTF-16" else "utf-8")
    read_bytes(b"MHz,dBm\n1,-90\n2,-91\n3,-90\n", "warm.csv")
    outcome = attempt(data)
    tracemalloc.start()
    try:
        assert attempt(data) == outcome
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 10 * len(data) + ALLOWANCE, f"{peak / len(data):.1f} times the file"


def attempt(data: bytes) -> str:
    try:
        return f"{[sweep.points for sweep in read_bytes(data, 'x.csv')]}"
    except SpectraError as problem:
        return str(problem)
