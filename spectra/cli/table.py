"""``sweepmuster table``: check, import, merge carrier tables, and suggest edits of one from confirmed sweeps."""

from __future__ import annotations

import argparse
from pathlib import Path

from spectra.cli import suggest
from spectra.cli.console import print_json, say, wrap
from spectra.errors import UsageError
from spectra.plan.merge import Conflict, Merge
from spectra.plan.table import CarrierTable
from spectra.units import counted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of each sub-command."""
    commands = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    check = commands.add_parser("check", help="tell every fault with its line and column; exit code 1 for a fault")
    check.add_argument("table", metavar="T.csv", help="carrier table")
    check.add_argument("--json", action="store_true", help="print what was found as JSON")

    take = commands.add_parser("import", help="make a table of open DVB scan files (a file, or a folder of them)")
    take.add_argument("source", metavar="FILE", help="scan file, or a folder of them as one table")
    take.add_argument("--out", required=True, metavar="T.csv", help="carrier table to write")
    take.add_argument("--satellite", metavar="NAME", help="satellite (default: from the file name)")
    take.add_argument("--longitude", type=float, metavar="DEG", help="orbital longitude, east positive (default: same)")

    merge = commands.add_parser(
        "merge", help="add a second table to a first, conflicts shown and settled for the first"
    )
    merge.add_argument("first", metavar="A.csv")
    merge.add_argument("second", metavar="B.csv")
    merge.add_argument("--out", metavar="T.csv", help="table to write (default: only show what would come of it)")
    merge.add_argument("--json", action="store_true", help="print what became of every row as JSON")

    suggest.add_arguments(
        commands.add_parser("suggest", help="propose edits from confirmed sweeps, to be accepted one by one")
    )


def execute(arguments: argparse.Namespace) -> int:
    """Run the sub-command."""
    return {"check": _check, "import": _import, "merge": _merge, "suggest": suggest.execute}[arguments.what](arguments)


def _check(arguments: argparse.Namespace) -> int:
    from spectra.plan import check_table

    check = check_table(arguments.table)
    if arguments.json:
        print_json(check.to_dict())
        return 0 if check.ok else 1
    print(f"{check.file}: {check.rows} rows, {check.lists} lists of one satellite, beam and polarisation")
    for problem in check.problems:
        where = f"line {problem.line}" if problem.line is not None else "the file"
        if problem.column is not None:
            where += f", column {problem.column}"
        text = f"{problem.severity}, {where}: found {problem.found}; expected {problem.expected}. {problem.mend}"
        print(wrap(text[:1].upper() + text[1:], indent="      ", first="  "))
    faults, warnings = counted(len(check.faults), "fault"), counted(len(check.warnings), "warning")
    print(f"{faults}, {warnings}." if check.problems else "No fault found.")
    return 0 if check.ok else 1


def _write(table: CarrierTable, name: str) -> None:
    from spectra.plan import save_table

    save_table(table, Path(name))
    for warning in table.warnings:
        say(f"noticed: {warning}")
    print(f"{name}: {len(table)} rows, {len(table.lists)} lists of one satellite, beam and polarisation")


def _import(arguments: argparse.Namespace) -> int:
    from spectra.plan import import_scan_file, load_scan_folder

    source = Path(arguments.source)
    if source.is_dir():
        if arguments.satellite is not None or arguments.longitude is not None:
            raise UsageError(
                "--satellite", None, "one satellite for a folder of files", "a single file", "Import it file by file."
            )
        table = load_scan_folder(source)
    else:
        table = import_scan_file(source, satellite=arguments.satellite, orbital_longitude_deg=arguments.longitude)
    _write(table, arguments.out)
    return 0


def _merge(arguments: argparse.Namespace) -> int:
    from spectra.plan import load_table, merge_tables

    merge = merge_tables(load_table(arguments.first), load_table(arguments.second))
    if arguments.out is not None:
        from spectra.plan import save_table

        save_table(merge.table, Path(arguments.out))
        say(f"written to {arguments.out}; a version that was there is kept beside it")
    if arguments.json:
        print_json(merge.to_dict())
    else:
        _print_merge(merge)
    return 0


def _print_merge(merge: Merge) -> None:
    print(
        f"{len(merge.table)} rows: {len(merge.same)} the same in both, {len(merge.filled)} completed by the second "
        f"table, {len(merge.added)} added from it, {len(merge.conflicts)} in conflict"
    )
    for conflict in merge.conflicts:
        print(wrap(_told(conflict), indent="      ", first="  "))


def _told(conflict: Conflict) -> str:
    value = conflict.to_dict()
    differing = "; ".join(f"{item['name']} {item['first']} against {item['second']}" for item in value["differing"])
    return (
        f"Conflict, line {value['first_line']} against line {value['second_line']} of the second table: "
        f"{value['satellite']} {value['polarisation']} {value['rf_mhz']:.6g} MHz, {differing}. The first table's "
        "values were kept; edit that line if the second is right."
    )
