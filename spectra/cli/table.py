"""``sweepmuster table``: what the carrier table itself tells."""

from __future__ import annotations

import argparse

from spectra.cli.console import print_json, wrap


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of each sub-command."""
    commands = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    check = commands.add_parser(
        "check", help="tell every fault with its line and column; exit code 1 where there is one"
    )
    check.add_argument("table", metavar="T.csv", help="carrier table")
    check.add_argument("--json", action="store_true", help="print what was found as JSON")


def execute(arguments: argparse.Namespace) -> int:
    """Check the table; 1 where it has a fault."""
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
    print(
        "No fault found." if not check.problems else f"{len(check.faults)} fault(s), {len(check.warnings)} warning(s)."
    )
    return 0 if check.ok else 1
