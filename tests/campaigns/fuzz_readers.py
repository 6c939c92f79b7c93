"""Fuzz the readers: mutated sweep files by the million, and what must hold for every one of them.

    python tests/campaigns/fuzz_readers.py --inputs 1000000 --seed 1 --table tests/campaigns/fuzz_readers.csv

Held to: no exception but a SpectraError; no input slower than 1 s (plus 1 s per MB); never a sweep whose arrays
differ in length, are not finite, or whose frequencies do not rise; never a file taken for another's size. Every
fourth input is read twice, the second time as large tables are read (by patterns from the first rows on, and every
other time by pandas where those do not do): it must give the same numbers to the bit, or be refused too. With
``--engine atheris`` (where that package is installed) inputs are guided by coverage, else they are mutated at random
from specimens of every layout: bytes changed, cut, doubled, lines swapped, dropped and repeated, cells replaced by
troublesome ones, encodings changed, files spliced together.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import platform
import random
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

from spectra import __version__
from spectra.errors import SpectraError
from spectra.readers import bulk, read_bytes
from spectra.sweep import Sweep

ROWS = "".join(f"{1173 + 0.5 * i},{-90 - (i * 7919 % 13) / 10}\n" for i in range(14))
LEVELS = "".join(f"{-90 - (i * 7919 % 13) / 10}\n" for i in range(14))
ACROSS = ",".join(f"{-90 - (i * 7919 % 13) / 10}" for i in range(14))
SEEDS = [
    "RBW,100,kHz\nDetector,RMS\nFrequency (MHz),Level (dBm)\n" + ROWS,
    "# Start: 1173 MHz\n# Stop: 1179.5 MHz\n# Points: 14\n# Unit: dBm\n" + LEVELS,
    ("Mittenfrequenz;1176,25;MHz\nSpanne;6,5;MHz\nFrequenz (MHz);Pegel (dBm)\n" + ROWS.replace(",", ";")).replace(
        ".", ","
    ),
    "Frequency (MHz),Average (dBm),Max hold (dBm)\n" + ROWS.replace("\n", ",-85.5\n"),
    "Time;Level (dBm)\nStart;1173;MHz\nStop;1179.5;MHz\n2026-03-02 10:00:00;" + ACROSS.replace(",", ";") + "\n",
    "2026-03-02,10:00:00,1173000000,1180000000,500000,12," + ACROSS + "\n",
    "FileType Standard Data exchange Format 2.0\nFreqStart 1100000\nFreqStop 1101300\nFilterBandwidth 30\n"
    "LevelUnits dBm\nDate 2026-03-14\nDataPoints 14\nScanTime 0.5\nDetector RMS\n\n13:05:00," + ACROSS + "\n",
    '# sweepmuster sweep 1\n# rbw_hz: 100000.0\n# extra: {"a": "b"}\nfrequency_hz,level_dbm\n'
    + "".join(f"{1e9 + i * 1e5},{-90.0 - i}\n" for i in range(14)),
    " Sweep no. 6 ;;\n RBW/VBW : 100 kHz / 1 MHz ;;\n No ; Freq ; Ampl ;\n"
    + "".join(f" {i} ; {1006 + i / 10} MHz ; {-90 - i % 7} dBm ;\n" for i in range(14)),
    "Trace,1\nTrace Mode,Max Hold\nMHz,dBm\n" + ROWS + "\nTrace,2\nTrace Mode,Average\nMHz,dBm\n" + ROWS,
    "Signal,Frequency,Level,Remark\n1,1173.4,-81,a\n2,1180.1,-84,b\n",
    "Frequency (MHz)," + ",".join(str(1173 + i) for i in range(14)) + "\nAverage (dBm)," + ACROSS + "\n",
    "Frequency (MHz),Level (dBm)\n" + ROWS + "".join(f"{1179 + 0.5 * i},-90.{i}\n" for i in range(12)),
    "F1 (MHz);L1 (dBm);F2 (MHz);L2 (dBm)\n"
    + "".join(f"{1000 + i};-8{i % 7}.5;" + (f"{2000 + i};-9{i % 5}.5\n" if i < 9 else ";\n") for i in range(14)),
    "Impedance: 75 ohm\nFrequency (MHz),Level (mV)\n" + "".join(f"{1173 + i},0.0{1 + i % 7}\n" for i in range(14)),
    "Start: 1180 MHz\nStop: 1173 MHz\nUnit: dBm\n" + LEVELS,
    "RBW;100;kHz\nHz;dBm\n" + "".join(f"1.{173 + i}0E+09;-9.{i % 7}E+01\n" for i in range(40)),
    "Date;02.03.2026\nFrequenz (MHz);Pegel (dBm)\n" + "".join(f"{98 + i},5;{-101 + i % 5},25\n" for i in range(40)),
]
CELLS = [
    "",
    "nan",
    "inf",
    "-inf",
    "1e999",
    "-1e-999",
    "0",
    "-0",
    "1_0",
    "0x10",
    "1e5",
    "1.2.3",
    "1,2,3",
    "--",
    "---",
    "+",
    ".",
    "e",
    "1e",
    "1 250",
    "1'250",
    "\u2212",
    "\u00a0",
    '"',
    '""',
    '"1',
    ";",
    ",",
    "\t",
    "|",
    "MHz",
    "dBm",
    "dB",
    "dBuV",
    "\x00",
    "\ufeff",
    "\x1a",
    "9" * 400,
    "1" + "0" * 5000,
    "=",
    ":",
    "::",
    "a=b=c",
    "RBW=",
    "RBW/VBW",
    "Start",
    "Points,0",
    "Points,99999999999",
    "13:05:00",
    "2026-99-99",
    "#",
    "!",
    "[",
    "Trace 2",
    "Max Hold",
    "{}",
    "[[[[",
    "\U0001f4e1",
    "½",
    "٣",
]
SMALL = {"_STEP": 24, "_LEAST_STEP": 24, "_LEAST_BY_PATTERN": 1, "_FEW_ROWS": 0}
"""Limits of the bulk reading under which every table is read as a large one is."""
VERY_SMALL = SMALL | {"_LARGE": 1, "_LARGE_IF_LOADED": 1}
"""The same where pandas' parser has a try too."""
ENCODINGS = ["utf-8", "utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"]


def mutated(rng: random.Random) -> bytes:
    """Return one input."""
    text = rng.choice(SEEDS)
    if rng.random() < 0.1:
        text += rng.choice(SEEDS)
    lines = text.split("\n")
    for _ in range(rng.choice((0, 1, 1, 2, 4))):
        at = rng.randrange(len(lines))
        way = rng.randrange(6)
        if way == 0:
            lines.insert(at, rng.choice(lines))
        elif way == 1 and len(lines) > 2:
            del lines[at]
        elif way == 2:
            other = rng.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        elif way == 3:
            mark = rng.choice(",;\t ")
            cells = lines[at].split(mark)
            cells[rng.randrange(len(cells))] = rng.choice(CELLS)
            lines[at] = mark.join(cells)
        elif way == 4:
            lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)]
        else:
            lines[at] += rng.choice(CELLS)
    text = rng.choice(("\n", "\n", "\r\n", "\r")).join(lines)
    if rng.random() < 0.15:
        text = text.replace(
            *rng.choice(((",", ";"), (".", ","), (",", "\t"), (",", " "), ("-", "\u2212"), ("dBm", "dBuV")))
        )
    data = bytearray(text.encode(rng.choice(ENCODINGS), "replace"))
    for _ in range(rng.choice((0, 0, 1, 3, 10))):
        if not data:
            break
        at = rng.randrange(len(data))
        way = rng.randrange(4)
        if way == 0:
            data[at] = rng.randrange(256)
        elif way == 1:
            del data[at : at + rng.randrange(1, 20)]
        elif way == 2:
            data[at:at] = bytes(rng.randrange(256) for _ in range(rng.randrange(1, 6)))
        else:
            data[at:at] = data[at : at + rng.randrange(1, 60)]
    return bytes(data)


def wrong(sweep: Sweep, size: int) -> str | None:
    """Say what is wrong with a sweep, None if nothing is."""
    f, level = sweep.frequency_hz, sweep.level_dbm
    if f.shape != level.shape or f.ndim != 1 or f.size < 2:
        return "arrays of unequal or no length"
    if not (np.isfinite(f).all() and np.isfinite(level).all()):
        return "values that are not finite"
    if not (np.diff(f) > 0.0).all():
        return "frequencies that do not rise"
    if 2 * f.size > size + 2:
        return "more points than the file has digits for"
    if any(t.shape != f.shape for t in sweep.traces.values()):
        return "a trace of another length"
    return None


def tried(data: bytes, count: Counter[str]) -> None:
    """Read one input and count what came of it.

    Raises
    ------
    AssertionError
        If anything but a good sweep or an error of ours came of it.
    """
    start = time.process_time()  # of this process: the machine may be busy with other work
    options = {"level_unit": "dBm", "frequency_unit": "MHz"} if len(data) % 5 == 0 else {}
    try:
        sweeps = read_bytes(data, "fuzz.csv", **options)
        for sweep in sweeps:
            fault = wrong(sweep, len(data))
            assert fault is None, fault
        count["read"] += 1
        for sweep in sweeps:
            count[sweep.origin.layout] += 1
    except SpectraError as problem:
        assert "\n" not in str(problem), "a message of several lines"
        count["refused"] += 1
    seconds = time.process_time() - start
    if len(data) % 4 == 0:
        assert outcome(data, options) == as_if_large(data, options), "read otherwise as if it were large"
        count["read_twice"] += 1
    count["slowest_us"] = max(count["slowest_us"], int(seconds * 1e6))
    assert seconds < 1.0 + len(data) / 1e6, f"{seconds:.2f} s for {len(data)} bytes"


def outcome(data: bytes, options: dict[str, str]) -> list[tuple[bytes, ...]] | None:
    """Return all numbers of all sweeps as bytes, None for a refusal (where it is found depends on the way there)."""
    try:
        sweeps = read_bytes(data, "fuzz.csv", **options)
    except SpectraError:
        return None
    return [
        (s.frequency_hz.tobytes(), s.level_dbm.tobytes(), *(t.tobytes() for t in s.traces.values())) for s in sweeps
    ]


def as_if_large(data: bytes, options: dict[str, str]) -> list[tuple[bytes, ...]] | None:
    """Return the outcome where tables are read by patterns (and pandas) as soon as there are a few rows."""
    limits = VERY_SMALL if len(data) % 8 == 0 else SMALL
    kept = {name: getattr(bulk, name) for name in limits}
    try:
        for name, value in limits.items():
            setattr(bulk, name, value)
        return outcome(data, options)
    finally:
        for name, value in kept.items():
            setattr(bulk, name, value)


def run(inputs: int, seed: int, keep: Path | None = None) -> Counter[str]:
    """Try so many inputs; an input that fails is kept and the run goes on."""
    rng = random.Random(seed)
    count: Counter[str] = Counter()
    for _ in range(inputs):
        data = mutated(rng)
        try:
            tried(data, count)
        except Exception as problem:  # noqa: BLE001  # every failure is counted and kept, that is the purpose
            count["failed"] += 1
            sys.stderr.write(f"FAILED {type(problem).__name__}: {problem}" + "\n")
            if keep is not None and count["failed"] <= 50:
                keep.mkdir(parents=True, exist_ok=True)
                (keep / f"fail-{seed}-{count['failed']}.bin").write_bytes(data)
    return count


def run_guided(inputs: int, seed: int) -> Counter[str]:
    """Try so many inputs guided by coverage (needs the package atheris); stops at the first failure."""
    import atheris  # type: ignore[import-not-found]  # optional, only for long runs

    count: Counter[str] = Counter()

    def one(data: bytes) -> None:
        rng = random.Random(data[:8])
        whole = data[8:] if len(data) > 40 and data[0] % 2 else bytes(data[8:]) + mutated(rng)
        count["inputs"] += 1
        tried(whole, count)

    corpus = Path("fuzz-corpus")
    corpus.mkdir(exist_ok=True)
    for i, text in enumerate(SEEDS):
        (corpus / f"seed{i}").write_bytes(b"\x01seed...." + text.encode())
    for name in [name for name in sys.modules if name.split(".")[0] == "spectra"]:
        del sys.modules[name]
    with atheris.instrument_imports(include=["spectra"]):  # the readers anew, watched; nothing else is
        watched = importlib.import_module("spectra.readers")
    globals()["read_bytes"] = watched.read_bytes
    globals()["bulk"] = sys.modules["spectra.readers.bulk"]
    globals()["SpectraError"] = sys.modules["spectra.errors"].SpectraError
    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            f"-runs={inputs}",
            f"-seed={seed}",
            "-max_len=4000",
            "-timeout=5",
            "-print_final_stats=1",
        ],
        one,
    )
    try:
        atheris.Fuzz()
    finally:
        sys.stderr.write(f"{dict(count)}\n")
    return count


def main() -> int:
    """Run from the command line and add a row to the table."""
    parser = argparse.ArgumentParser(description="Fuzz the readers.")
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--engine", choices=("random", "atheris"), default="random")
    parser.add_argument("--table", type=Path, default=None)
    parser.add_argument("--keep", type=Path, default=None, help="folder for inputs that fail")
    options = parser.parse_args()
    start = time.perf_counter()
    if options.engine == "atheris":
        run_guided(options.inputs, options.seed)
        return 0
    count = run(options.inputs, options.seed, options.keep)
    seconds = time.perf_counter() - start
    row = {
        "version": __version__,
        "python": platform.python_version(),
        "engine": options.engine,
        "seed": options.seed,
        "inputs": options.inputs,
        "read": count["read"],
        "refused": count["refused"],
        "failed": count["failed"],
        "slowest_ms": count["slowest_us"] / 1000,
        "seconds": round(seconds),
    }
    sys.stdout.write(f"{row} { {k: v for k, v in count.items() if k not in row and k != 'slowest_us'} }\n")
    if options.table is not None:
        new = not options.table.exists()
        with options.table.open("a", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, fieldnames=list(row))
            if new:
                writer.writeheader()
            writer.writerow(row)
    return 1 if count["failed"] else 0


if __name__ == "__main__":
    sys.exit(main())
