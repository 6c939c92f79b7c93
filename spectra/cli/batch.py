"""Files and folders in any number: one bad file among many does not stop the rest."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Generic, TypeVar

from spectra.cli.console import print_json, progress, say
from spectra.errors import SpectraError, UsageError
from spectra.visit.folder import is_carrier_table
from spectra.visit.folder import may_be_sweeps as sweep_files

__all__ = [
    "BATCH_SCHEMA",
    "Batch",
    "gather",
    "is_carrier_table",
    "our_fault",
    "print_batch",
    "run_batch",
    "sweep_files",
]

BATCH_SCHEMA = "sweepmuster/batch/1"
T = TypeVar("T")


@dataclass(slots=True)
class Batch(Generic[T]):
    """What became of the files: results in order, and what could not be used."""

    results: list[tuple[Path, T]] = field(default_factory=list)
    failed: list[SpectraError] = field(default_factory=list)


def gather(paths: Iterable[str], leave_out: Sequence[Path] = ()) -> list[Path]:
    """Return the files named, and of folders (whole trees) the files that may be sweeps, sorted by name.

    A folder's carrier tables are passed over, with a word; a file named itself is always taken.
    """
    left_out = {path.resolve() for path in leave_out}
    files: list[Path] = []
    for name in paths:
        path = Path(name)
        if not path.is_dir():
            files.append(path)
            continue
        inside = [item for item in sweep_files(path) if item.resolve() not in left_out]
        tables = [item for item in inside if is_carrier_table(item)]
        for table in tables:
            say(f"{table}: passed over, a carrier table")
        inside = [item for item in inside if item not in tables]
        if not inside:
            raise UsageError(str(path), None, "no sweep files in the folder", "CSV files of sweeps", "Name a folder.")
        files += inside
    return files


def run_batch(files: Sequence[Path], work: Callable[[Path], Iterable[T]], label: str) -> Batch[T]:
    """Do the work (any number of results) for every file; errors of ours are told and kept, the rest goes on."""
    batch: Batch[T] = Batch()
    for path in progress(files, label):
        try:
            batch.results += [(path, result) for result in work(path)]
        except SpectraError as problem:
            batch.failed.append(problem)
            say(str(problem))
        except Exception as problem:  # noqa: BLE001 - a fault of ours over one file must not cost the others
            batch.failed.append(our_fault(path, problem))
            say(str(batch.failed[-1]))
            if os.environ.get("SWEEPMUSTER_TRACEBACK"):
                traceback.print_exc()
    return batch


def our_fault(path: Path, problem: Exception) -> SpectraError:
    """Return an exception that is no SpectraError as one: what happened, and what to do with the file."""
    return SpectraError(
        str(path),
        None,
        f"an error inside sweepmuster ({type(problem).__name__}: {problem})",
        "a result",
        "This is our fault: keep the file and report it (SWEEPMUSTER_TRACEBACK=1 shows where it happened).",
    )


def print_batch(batch: Batch[Any]) -> None:
    """Print one result as the object, anything else as a batch."""
    if len(batch.results) == 1 and not batch.failed:
        print_json(batch.results[0][1].to_dict())
        return
    print_json(
        {
            "schema": BATCH_SCHEMA,
            "results": [result.to_dict() for _, result in batch.results],
            "failed": [problem.to_dict() for problem in batch.failed],
        }
    )
