"""Kill an import at random moments, again and again: nothing lost, nothing half, nothing twice.

Run it as a script: ``python tests/campaigns/archive_kills.py --kills 200``; it writes ``archive_kills.csv`` beside
itself. A child imports a folder of small sweeps into an archive, with the analysis replaced by a quick stand-in, so
that most kills hit the writing. It tells every entry after it is stored; the parent kills it (SIGKILL,
TerminateProcess on Windows) after a random time, now and then while a second child imports too, and then holds the
archive against what was told: SQLite's own integrity check, every capture whole, every told entry there, none twice.
The import is then run again until it is complete; then a new archive is begun.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ENTRIES = 40
HEADER = ("trial", "after_s", "second_importer", "told", "stored", "complete", "fault")


def child(place: str, folder: str) -> None:
    """Import a folder, telling each stored entry on stdout."""
    import numpy as np

    import spectra.archive.importer as importer
    from spectra.archive import open_archive
    from spectra.archive.store import Archive
    from spectra.measure.measurement import Carrier, Floor, Measurement
    from spectra.visit.analysis import CaptureReview

    def quick(capture, table=None, chain=None):
        sweep = capture.capture.sweeps[0]
        n = sweep.points
        floor = Floor(-90.0, None, None, 0.0, np.full(n, -90.0), np.full(n, 0.1), np.ones(n, bool))
        carriers = tuple(Carrier("cw", sweep.start_hz + 1e6 * k, 1e3) for k in range(20))
        return CaptureReview(capture, (Measurement(sweep, floor, carriers, None, None, 1.0, np.full(n, -90.0)),))

    importer.analyse_capture = quick
    importer.with_rules = lambda reviews, table, chain: tuple(reviews)
    importer._CHUNK = 5
    add = Archive.add

    def telling(self, record, **options):
        fresh = add(self, record, **options)
        tell(record.captures[0].key)
        return fresh

    Archive.add = telling
    tell("ready")
    with open_archive(place) as archive:
        importer.add_paths(archive, [folder], processes=1)
    tell("done")


def tell(line: str) -> None:
    """Write a line to stdout at once: the parent must have it before the kill."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def make_folder(root: Path) -> Path:
    """Write small sweeps, each with bytes of its own."""
    folder = root / "sweeps"
    folder.mkdir()
    for number in range(ENTRIES):
        rows = "\n".join(f"{1_000_000_000 + 100_000 * k},{-90 - number / 100 - k % 3}" for k in range(101))
        (folder / f"s{number:03d}.csv").write_text(f"Frequency (Hz),Level (dBm)\n{rows}\n", encoding="utf-8")
    return folder


def start(place: Path, folder: Path) -> subprocess.Popen[str]:
    command = [sys.executable, __file__, "--child", str(place), str(folder)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8")


def fault_of(place: Path, told: set[str]) -> tuple[str, int]:
    """Return what is wrong with an archive (empty where nothing is), and how many captures it holds."""
    import sqlalchemy as sa

    from spectra.archive import Search, open_archive, whole_captures

    if not place.exists():
        return ("told but no archive" if told else ""), 0
    with open_archive(place) as archive:
        with archive.engine.connect() as connection:
            if connection.execute(sa.text("PRAGMA integrity_check")).scalar() != "ok":
                return "integrity check", 0
            if connection.execute(sa.text("PRAGMA foreign_key_check")).first() is not None:
                return "rows without their parent", 0
        captures = list(whole_captures(archive, Search(replaced=True)))
        raw_keys = [capture["raw_key"] for capture in captures]
        if len(set(raw_keys)) != len(raw_keys):
            return "a sweep twice", len(captures)
        for capture in captures:
            if len(capture["results"]) != 1 or len(capture["raw"]) != 1:
                return "a capture that is not whole", len(captures)
            if len(capture["results"][0]["measurements"][0]["carriers"]) != 20 or capture["carriers"] != 20:
                return "a result that is not whole", len(captures)
            data = archive.blob(capture["raw"][0]["sha256"])
            if hashlib.sha256(data).hexdigest() != capture["raw"][0]["sha256"]:
                return "raw bytes", len(captures)
        lost = told - {capture["key"] for capture in captures}
        return (f"{len(lost)} told entries lost" if lost else ""), len(captures)


def trial(place: Path, folder: Path, told: set[str], rng: random.Random, longest_s: float) -> tuple[float, bool, str]:
    """Start one or two importers, kill the first after a random time; return the time, whether two, and an error."""
    first = start(place, folder)
    second = start(place, folder) if rng.random() < 0.2 else None
    assert first.stdout is not None
    assert first.stdout.readline().strip() == "ready", first.stderr.read() if first.stderr else ""
    after = rng.uniform(0.0, longest_s)
    time.sleep(after)
    first.kill()
    out, err = first.communicate(timeout=120)
    told.update(line for line in out.split() if len(line) == 64)
    if second is not None:
        out, more = second.communicate(timeout=120)
        err += more if second.returncode else ""
        told.update(line for line in out.split() if len(line) == 64)
    return after, second is not None, err.strip().splitlines()[-1] if err.strip() else ""


def campaign(kills: int, seed: int) -> list[dict[str, object]]:
    """Return one row a kill."""
    rng = random.Random(seed)
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory(prefix="sweepmuster-kills-") as name:
        root = Path(name)
        folder = make_folder(root)
        began = time.monotonic()
        whole = start(root / "whole.sqlite", folder)
        assert whole.stdout is not None
        whole.stdout.readline()
        begun = time.monotonic()
        whole.communicate(timeout=300)
        longest = max(time.monotonic() - begun, 0.2)
        sys.stderr.write(f"start {begun - began:.2f} s, import of {ENTRIES} entries {longest:.2f} s\n")
        number, place, told = 0, root / "a0.sqlite", set()
        for k in range(kills):
            # a third of the time: three kills or so before an archive is complete
            after, two, error = trial(place, folder, told, rng, 0.7 * longest)
            fault, stored = fault_of(place, told)
            complete = stored == ENTRIES
            row = (k + 1, round(after, 3), two, len(told), stored, complete, fault or error)
            rows.append(dict(zip(HEADER, row, strict=True)))
            if complete or fault:
                number, told = number + 1, set()
                place = root / f"a{number}.sqlite"
    return rows


def main() -> int:
    """Run the campaign, or a child of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--child", nargs=2, metavar=("ARCHIVE", "FOLDER"))
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".csv"))
    arguments = parser.parse_args()
    if arguments.child:
        child(*arguments.child)
        return 0
    from spectra import __version__

    rows = campaign(arguments.kills, arguments.seed)
    with arguments.out.open("w", encoding="utf-8", newline="") as stream:
        stream.write(
            f"# version {__version__}, seed {arguments.seed}, {sys.platform}, Python {sys.version.split()[0]}\n"
        )
        writer = csv.DictWriter(stream, HEADER)
        writer.writeheader()
        writer.writerows(rows)
    faults = [row for row in rows if row["fault"]]
    summary = {"kills": len(rows), "faults": len(faults), "archives": sum(bool(row["complete"]) for row in rows)}
    tell(json.dumps(summary))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
