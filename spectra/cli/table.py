"""``sweepmuster table``: what the carrier table itself tells."""

from __future__ import annotations

import argparse

from spectra.cli.console import print_json


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
    else:
        for line in check.lines():
            print(line)
    return 0 if check.ok else 1
