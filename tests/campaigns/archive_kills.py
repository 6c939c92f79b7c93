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
import multiprocessing
import random
import sys
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spectra.archive import Archive

ENTRIES = 40
HEADER = ("trial", "after_s", "second_importer", "told", "stored", "complete", "fault")


# a forked child does not import everything again: the kills then fall into the work and not into the start
CONTEXT = multiprocessing.get_context("fork" if "fork" in multiprocessing.get_all_start_methods() else "spawn")


def child(pipe: Connection, place: str, folder: str) -> None:
    """Import a folder, telling each stored entry through the pipe."""
    import numpy as np

    import spectra.archive.importer as importer
    import spectra.archive.work as work
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

    work.analyse_capture = quick
    work.apply_rules = lambda job, table, chain: job.review
    importer._CHUNK = 5
    add_all = Archive.add_all

    def telling(self, records, **options):
        fresh = add_all(self, records, **options)
        for record in records:
            pipe.send(record.captures[0].key)
        return fresh

    Archive.add_all = telling  # every way of storing goes through it
    pipe.send("ready")
    with open_archive(place) as archive:
        importer.add_paths(archive, [folder], processes=1)
    pipe.send("done")


def make_folder(root: Path) -> Path:
    """Write small sweeps, each with bytes of its own."""
    folder = root / "sweeps"
    folder.mkdir()
    for number in range(ENTRIES):
        rows = "\n".join(f"{1_000_000_000 + 100_000 * k},{-90 - number / 100 - k % 3}" for k in range(101))
        (folder / f"s{number:03d}.csv").write_text(f"Frequency (Hz),Level (dBm)\n{rows}\n", encoding="utf-8")
    return folder


class Importer:
    """A child at work."""

    def __init__(self, place: Path, folder: Path) -> None:
        self.pipe, end = CONTEXT.Pipe(duplex=False)
        self.process = CONTEXT.Process(target=child, args=(end, str(place), str(folder)))
        self.process.start()
        end.close()
        assert self.pipe.recv() == "ready"

    def told(self) -> list[str]:
        """Return the keys it told, once it has ended; a message that the kill cut short was never told."""
        keys = []
        while True:
            try:
                keys.append(self.pipe.recv())
            except (EOFError, OSError):
                break
        self.process.join(120)
        self.pipe.close()
        return [key for key in keys if key != "done"]


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
        if lists_of(archive) != lists_of(archive, anew=True):
            return "lists that are not what the captures tell", len(captures)
        lost = told - {capture["key"] for capture in captures}
        return (f"{len(lost)} told entries lost" if lost else ""), len(captures)


def lists_of(archive: Archive, *, anew: bool = False) -> list[dict[str, Any]]:
    """Return what lists show of the visits: as it is kept, or made anew from the captures."""
    import sqlalchemy as sa

    from spectra.archive.database import writing
    from spectra.archive.lists import sum_up_all
    from spectra.archive.schema import VISIT_LIST

    with writing(archive.engine) as connection:
        if anew:
            connection.execute(sa.delete(VISIT_LIST))
            sum_up_all(connection)
        return [dict(row) for row in connection.execute(sa.select(VISIT_LIST).order_by("visit")).mappings()]


def trial(place: Path, folder: Path, told: set[str], rng: random.Random, longest_s: float) -> tuple[float, bool, str]:
    """Start one or two importers, kill the first after a random time; return the time, whether two, and an error."""
    first = Importer(place, folder)
    second = Importer(place, folder) if rng.random() < 0.2 else None
    after = rng.uniform(0.0, longest_s)
    time.sleep(after)
    first.process.kill()
    told.update(first.told())
    if second is None:
        return after, False, ""
    told.update(second.told())
    return after, True, "" if second.process.exitcode == 0 else "the second importer failed"


def campaign(kills: int, seed: int) -> list[dict[str, object]]:
    """Return one row a kill."""
    import alembic.command  # noqa: F401 - what a child needs is here before it is forked

    import spectra.archive.importer
    import spectra.archive.store
    import spectra.readers.face
    import spectra.visit.analysis  # noqa: F401 - the same

    rng = random.Random(seed)
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory(prefix="sweepmuster-kills-") as name:
        root = Path(name)
        folder = make_folder(root)
        whole = Importer(root / "whole.sqlite", folder)
        begun = time.monotonic()
        if len(set(whole.told())) != ENTRIES:
            raise SystemExit("an import that was not killed did not tell every entry: nothing would be proved")
        longest = time.monotonic() - begun
        sys.stderr.write(f"import of {ENTRIES} entries {longest:.2f} s\n")
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
    """Run the campaign and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".csv"))
    arguments = parser.parse_args()
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
    sys.stdout.write(json.dumps(summary) + "\n")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
