"""``sweepmuster report``: make the report on a visit, check it against the raw files, report interference."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.cautions import DISCLAIMER
from spectra.cli import interference
from spectra.cli.console import print_json, print_table, say
from spectra.cli.visit import progress_bar, report_path, write_report
from spectra.errors import ArchiveError, UsageError

if TYPE_CHECKING:
    from spectra.archive import Archive

EPILOG = DISCLAIMER

_WORDS = {"same": "same", "changed": "CHANGED", "missing": "MISSING"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of each sub-command."""
    commands = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    make = commands.add_parser("make", help="write the report on a visit's folder, and its evidence as JSON beside it")
    make.add_argument(
        "folder",
        metavar="FOLDER",
        help="folder with the sweeps, as it came off the stick; with --archive the key of a visit or of its capture",
    )
    make.add_argument("--out", required=True, metavar="OUT.html", help="where to write it: .html or .pdf")
    make.add_argument("--table", metavar="T.csv", help="carrier table (else that of visit.toml or of the folder)")
    make.add_argument("--chain", metavar="C.toml", help="receive chain (else that of visit.toml or of the folder)")
    make.add_argument("--language", default="en", metavar="CODE", help="language: en, de (default en)")
    make.add_argument("--archive", metavar="PLACE", help="archive that holds the visit: nothing is measured again")
    make.add_argument("--raw", metavar="DIR", help="with --archive: also write the visit's raw files into a folder")
    verify = commands.add_parser("verify", help="hold the raw files against the hashes in a report's evidence")
    verify.add_argument("file", metavar="FILE", help="the report, or the .json written beside it")
    verify.add_argument("--folder", metavar="DIR", help="folder of the visit (else looked for beside the evidence)")
    verify.add_argument("--json", action="store_true", help="print what was found as JSON")
    interference.add_options(
        commands.add_parser(
            "interference", help="the facts that a report of harmful interference asks for, for you to complete"
        )
    )


def execute(arguments: argparse.Namespace) -> int:
    """Make a report, verify one (1 where a file is changed or missing), or report interference."""
    return {"make": _make, "verify": _verify, "interference": interference.execute}[arguments.what](arguments)


def _make(arguments: argparse.Namespace) -> int:
    from spectra.visit import load_visit, review_visit

    target = report_path(arguments.out)
    if target is None:
        raise UsageError("--out", None, "no name", "a file name that ends in .html", "Name it like visit.html.")
    if arguments.archive is not None:
        return _make_stored(arguments, target)
    if arguments.raw is not None:
        raise UsageError("--raw", None, "no --archive beside it", "--archive PLACE", "A folder holds its raw files.")
    visit = load_visit(arguments.folder, table=arguments.table, chain=arguments.chain)
    for problem in visit.failed:
        say(str(problem))
    review = review_visit(visit, tell=progress_bar("analysing"))
    write_report(review, target, arguments.language)
    print(review.statement.sentence)
    return 2 if visit.failed or any(capture.failed for capture in review.captures) else 0


def _make_stored(arguments: argparse.Namespace, target: Path) -> int:
    """Write the report on a stored visit, from its stored results."""
    import tempfile

    from spectra.archive import open_archive, restore_visit
    from spectra.archive.restore import visit_row

    if arguments.table is not None or arguments.chain is not None:
        raise UsageError(
            "--archive",
            None,
            "another carrier table or receive chain beside it",
            "the stored ones",
            "Recompute with archive recheck --table T.csv --store first.",
        )
    with open_archive(arguments.archive, create=False) as archive, tempfile.TemporaryDirectory() as place:
        row = visit_row(archive, _visit_key(archive, arguments.folder))
        base = Path(place if arguments.raw is None else arguments.raw)
        review = restore_visit(archive, row["key"], base / Path(row["folder"]).name)
        write_report(review, target, arguments.language)
    print(review.statement.sentence)
    return 0


def _visit_key(archive: Archive, key: str) -> str:
    """Return a visit's key from its beginning, or from that of a capture of it."""
    from spectra.archive.restore import visit_row

    try:
        return str(visit_row(archive, key)["key"])
    except ArchiveError as problem:
        try:
            visit = archive.capture(key)["visit"]
        except ArchiveError:
            raise problem from None
        if visit is None:
            raise
        return str(visit)


def _verify(arguments: argparse.Namespace) -> int:
    from spectra.report import verify_evidence

    checks = verify_evidence(arguments.file, arguments.folder)
    wrong = [check for check in checks if check.status != "same"]
    if arguments.json:
        print_json(
            {
                "schema": "sweepmuster/verification/1",
                "ok": not wrong,
                "files": [check.to_dict() for check in checks],
            }
        )
    else:
        print_table(
            ("file", "kind", "state", "SHA-256 in the evidence"),
            [(check.path, check.kind, _WORDS[check.status], check.expected) for check in checks],
        )
        print(f"{len(checks) - len(wrong)} of {len(checks)} files are as they were when the report was made.")
    return 1 if wrong else 0
