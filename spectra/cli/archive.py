"""``sweepmuster archive``: keep sweeps with their results, find them again, hand them over, recompute them."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.cautions import DISCLAIMER
from spectra.cli.console import print_findings, print_json, print_table, say, wrap
from spectra.cli.options import frequency
from spectra.cli.visit import progress_bar
from spectra.errors import UsageError
from spectra.units import counted, format_frequency, format_value

if TYPE_CHECKING:
    from spectra.archive import Archive, Search
    from spectra.archive.hunt import HuntLook

EPILOG = DISCLAIMER
_LIST_LIMIT = 100
_SHORT_KEY = 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of each sub-command."""
    commands = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    add = commands.add_parser("add", help="analyse sweeps and store them; what is there already is passed over")
    add.add_argument("paths", nargs="+", metavar="PATH", help="folders (whole trees) and sweep files")
    add.add_argument("--table", metavar="T.csv", help="carrier table (else that of each visit or folder)")
    add.add_argument("--chain", metavar="C.toml", help="receive chain (else that of each visit or folder)")
    _add_common(add, processes=True)
    listing = commands.add_parser("list", help="find captures: by vessel, satellite, date, verdict, finding, carrier")
    add_search_options(listing)
    listing.add_argument(
        "--visits", action="store_true", help="list visits instead (by vessel, terminal, date, verdict, finding)"
    )
    listing.add_argument("--limit", type=int, default=_LIST_LIMIT, metavar="N", help="most rows, newest first")
    _add_common(listing)
    show = commands.add_parser("show", help="show one capture with its results, or write its raw files out")
    show.add_argument("key", metavar="KEY", help="key of the capture, or its beginning")
    show.add_argument("--raw", metavar="DIR", help="write the raw files, byte for byte, into a folder")
    _add_common(show)
    hunt = commands.add_parser("hunt", help="look for a signal at one frequency in every stored sweep that held it")
    where = hunt.add_mutually_exclusive_group(required=True)
    where.add_argument("--if", dest="if_hz", type=frequency, metavar="FREQ", help="at a fixed IF: comes by the cable")
    where.add_argument("--rf", dest="rf_hz", type=frequency, metavar="FREQ", help="at a fixed RF: through the antenna")
    hunt.add_argument("--width", type=frequency, default=5e5, metavar="WIDTH", help="width to look in (default 500kHz)")
    add_search_options(hunt)
    _add_common(hunt)
    export = commands.add_parser("export", help="write captures as .csv, .json, .parquet, or as a .zip for an archive")
    export.add_argument("out", metavar="OUT", help="file to write; its ending says what it becomes")
    add_search_options(export)
    _add_common(export)
    take = commands.add_parser("import", help="take in a .zip that archive export wrote")
    take.add_argument("bundle", metavar="BUNDLE.zip", help="the file")
    _add_common(take)
    again = commands.add_parser("recheck", help="recompute stored captures and tell what changed; 1 where anything did")
    again.add_argument("--table", metavar="T.csv", help="carrier table to use (else each capture's own)")
    again.add_argument("--chain", metavar="C.toml", help="receive chain to use (else each capture's own)")
    again.add_argument("--store", action="store_true", help="also store the new results and make them the current ones")
    add_search_options(again)
    _add_common(again, processes=True)


def _add_common(parser: argparse.ArgumentParser, *, processes: bool = False) -> None:
    where = "SQLite file or postgresql://... (default: in your data folder)"
    parser.add_argument("--archive", metavar="PLACE", help=where)
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    if processes:
        parser.add_argument("--processes", type=int, metavar="N", help="worker processes (default: one a core)")


def add_search_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which captures of an archive are meant."""
    group = parser.add_argument_group("which captures (a * stands for anything)")
    group.add_argument("--vessel", metavar="NAME")
    group.add_argument("--terminal", metavar="NAME")
    group.add_argument("--satellite", metavar="NAME", help="as identified")
    group.add_argument("--since", metavar="DATE", help="from this date or time (UTC) on")
    group.add_argument("--until", metavar="DATE", help="up to this date or time, a date with its whole day")
    group.add_argument("--verdict", metavar="WORD", help="confirmed, probable, ambiguous, contradicted, unidentified")
    group.add_argument("--finding", metavar="CODE", help="code of a finding, such as oscillator.*")
    group.add_argument("--carrier", type=frequency, metavar="FREQ", help="with a carrier near this IF or RF")
    group.add_argument("--tolerance", type=frequency, default=5e5, metavar="WIDTH", help="how near (default 500kHz)")
    group.add_argument("--replaced", action="store_true", help="also captures whose context was corrected later")


def execute(arguments: argparse.Namespace) -> int:
    """Do what the sub-command says."""
    if getattr(arguments, "processes", None) is not None and arguments.processes < 1:
        raise UsageError("--processes", None, str(arguments.processes), "1 or more", "Leave it out.")
    from spectra.archive import open_archive

    run = {
        "add": _add,
        "list": _list,
        "show": _show,
        "hunt": _hunt,
        "export": _export,
        "import": _import,
        "recheck": _recheck,
    }
    creates = arguments.what in ("add", "import")
    with open_archive(arguments.archive, create=creates) as archive:
        return run[arguments.what](archive, arguments)


def search_of(arguments: argparse.Namespace, limit: int | None = None) -> Search:
    """Return the search that the options state."""
    from spectra.archive import Search
    from spectra.archive.query import moment

    return Search(
        vessel=arguments.vessel,
        terminal=arguments.terminal,
        satellite=arguments.satellite,
        since=None if arguments.since is None else moment(arguments.since),
        until=None if arguments.until is None else moment(arguments.until, end=True),
        verdict=arguments.verdict,
        finding=arguments.finding,
        carrier_hz=arguments.carrier,
        tolerance_hz=arguments.tolerance,
        replaced=arguments.replaced,
        limit=limit,
    )


def _add(archive: Archive, arguments: argparse.Namespace) -> int:
    from spectra.archive import add_paths

    result = add_paths(
        archive,
        arguments.paths,
        table=arguments.table,
        chain=arguments.chain,
        processes=arguments.processes,
        tell=progress_bar("storing"),
    )
    for problem in result.failed:
        say(str(problem))
    if arguments.json:
        print_json({"schema": "sweepmuster/import/1", **result.to_dict()})
    else:
        print(f"{result.stored} stored, {result.known} there already, {len(result.failed)} not usable: {archive.where}")
    return 2 if result.failed else 0


def _list(archive: Archive, arguments: argparse.Namespace) -> int:
    from spectra.archive import list_captures

    if arguments.visits:
        return _list_visits(archive, arguments)
    rows = list_captures(archive, search_of(arguments, arguments.limit))
    if arguments.json:
        print_json({"schema": "sweepmuster/archive-list/1", "captures": rows})
        return 0
    print_table(
        ("key", "UTC", "vessel", "terminal", "capture", "verdict", "seen", "LO error", "carriers", "faults"),
        [_row(row) for row in rows],
        indent="",
    )
    if len(rows) == arguments.limit:
        say(f"the newest {len(rows)}; see more with --limit")
    return 0


def _list_visits(archive: Archive, arguments: argparse.Namespace) -> int:
    from spectra.archive.listing import VisitSearch, list_visits

    for name in ("satellite", "carrier"):
        if getattr(arguments, name) is not None:
            raise UsageError(
                f"--{name}", None, "a search of captures", "none beside --visits", "Leave one of them out."
            )
    search = search_of(arguments)
    wanted = VisitSearch(
        vessel=search.vessel,
        terminal=search.terminal,
        verdict=search.verdict,
        finding=search.finding,
        since=search.since,
        until=search.until,
    )
    told = list_visits(archive, wanted, limit=arguments.limit)
    if arguments.json:
        print_json({"schema": "sweepmuster/visit-list/1", "visits": list(told.rows), "total": told.total})
        return 0
    print_table(
        ("key", "first UTC", "last UTC", "vessel", "terminal", "folder", "captures", "verdict", "faults"),
        [_visit_row(row) for row in told.rows],
        indent="",
    )
    if told.total > len(told.rows):
        say(f"{len(told.rows)} of {told.total}; see more with --limit")
    return 0


def _visit_row(row: Mapping[str, Any]) -> tuple[str, ...]:
    first, last = ("–" if at is None else at[:16].replace("T", " ") for at in (row["first_at"], row["last_at"]))
    return (
        row["key"][:_SHORT_KEY],
        first,
        last,
        row["vessel"] or "–",
        row["terminal"] or "–",
        row["folder"],
        str(row["captures"]),
        (row["last"] or {}).get("verdict") or "–",
        str(row["faults"] or 0),
    )


def _row(row: dict[str, Any]) -> tuple[str, ...]:
    seen = " ".join(part for part in (row["satellite"], row["polarisation"]) if part)
    return (
        row["key"][:_SHORT_KEY],
        "–" if row["captured_at"] is None else row["captured_at"][:16].replace("T", " "),
        row["vessel"] or "–",
        row["terminal"] or "–",
        row["name"] + (" (replaced)" if row["replaced"] else ""),
        row["verdict"] or "–",
        seen or "–",
        format_frequency(row["lo_error_hz"], row["lo_error_std_hz"], "kHz"),
        str(row["carriers"]),
        str(row["faults"]),
    )


def _show(archive: Archive, arguments: argparse.Namespace) -> int:
    capture = archive.capture(arguments.key)
    if arguments.raw is not None:
        _write_raw(archive, capture, Path(arguments.raw))
    if arguments.json:
        print_json({"schema": "sweepmuster/archive-capture/1", "capture": capture})
        return 0
    print(f"{capture['name']}  {capture['key']}")
    for name in ("captured_at", "vessel", "terminal", "verdict", "satellite", "polarisation", "lo_state"):
        if capture[name] is not None:
            print(f"  {name.replace('_', ' '):<13} {capture[name]}")
    for item in capture["raw"]:
        print(f"  raw           {item['file']}  SHA-256 {item['sha256']}")
    for number, result in enumerate(capture["results"]):
        what = "current result" if number == 0 else "earlier result"
        print(f"  {what}, made {result['made_at'][:16].replace('T', ' ')} UTC with version {result['software']}")
        print(f"    carrier table {result['plan'] or 'none'}")
        print(f"    receive chain {result['chain'] or 'none'}")
        found = result["identification"]
        if found is not None and found.get("sentence"):
            print(wrap(found["sentence"], indent="    "))
        for finding in result["findings"]:
            print(wrap(f"{finding['severity']}: {finding['title']} ({finding['code']})", indent="      ", first="    "))
    return 0


def _write_raw(archive: Archive, capture: dict[str, Any], folder: Path) -> None:
    from spectra.atomic import write_atomic

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise UsageError(
            str(folder), None, f"a folder that cannot be made ({problem.strerror})", "a writable place", "Name another."
        ) from None
    for file in archive.raw_files(capture["key"]):
        path = folder / Path(file.name).name
        if path.exists() and path.read_bytes() != file.data:
            raise UsageError(str(path), None, "another file of that name", "an empty folder", "Name another folder.")
        write_atomic(path, file.data)
        say(f"written: {path}")


def _hunt(archive: Archive, arguments: argparse.Namespace) -> int:
    from spectra.archive import hunt

    told = hunt(
        archive,
        if_hz=arguments.if_hz,
        rf_hz=arguments.rf_hz,
        width_hz=arguments.width,
        search=search_of(arguments),
        tell=progress_bar("looking"),
    )
    if arguments.json:
        print_json(told.to_dict())
        return 0
    print_table(
        ("key", "UTC", "vessel", "capture", "IF MHz", "answer", "over its surroundings dB", "remark"),
        [_hunt_row(one) for one in told.looks],
        indent="",
    )
    seen = sum(one.status == "seen" for one in told.looks)
    print(f"Seen in {seen} of {counted(len(told.looks), 'sweep')} that held it.")
    for word, when in (("First", told.first_seen), ("Last", told.last_seen)):
        if when is not None:
            print(f"  {word} seen {when:%Y-%m-%d %H:%M} UTC")
    print_findings(told.findings)
    return 0


def _hunt_row(one: HuntLook) -> tuple[str, ...]:
    over = format_value(one.excess_db, one.excess_std_db)
    if one.upper_limit_db is not None:
        over += f", below {one.upper_limit_db:.1f}"
    return (
        one.key[:_SHORT_KEY],
        "–" if one.captured_at is None else f"{one.captured_at:%Y-%m-%d %H:%M}",
        one.vessel or "–",
        one.capture,
        f"{one.if_hz / 1e6:.3f}",
        one.status.replace("_", " "),
        over,
        one.why,
    )


def _export(archive: Archive, arguments: argparse.Namespace) -> int:
    from spectra.archive import export_captures

    count = export_captures(archive, arguments.out, search_of(arguments) if _narrowed(arguments) else None)
    if arguments.json:
        print_json({"schema": "sweepmuster/export/1", "file": arguments.out, "captures": count})
    else:
        print(f"{counted(count, 'capture')} written to {arguments.out}")
    return 0


def _narrowed(arguments: argparse.Namespace) -> bool:
    names = ("vessel", "terminal", "satellite", "since", "until", "verdict", "finding", "carrier")
    return any(getattr(arguments, name) is not None for name in names)


def _import(archive: Archive, arguments: argparse.Namespace) -> int:
    from spectra.archive import import_bundle

    fresh, count = import_bundle(archive, arguments.bundle)
    if arguments.json:
        print_json({"schema": "sweepmuster/import/1", "stored": fresh, "known": count - fresh, "failed": []})
    else:
        print(f"{fresh} stored, {count - fresh} there already: {archive.where}")
    return 0


def _recheck(archive: Archive, arguments: argparse.Namespace) -> int:
    from spectra.archive import recheck_captures

    found = recheck_captures(
        archive,
        search_of(arguments),
        table=None if arguments.table is None else Path(arguments.table),
        chain=None if arguments.chain is None else Path(arguments.chain),
        store=arguments.store,
        processes=arguments.processes,
        tell=progress_bar("recomputing"),
    )
    changed = [item for item in found if item.changes]
    if arguments.json:
        print_json({"schema": "sweepmuster/recheck/1", "captures": [item.to_dict() for item in found]})
    else:
        for item in changed:
            print(f"{item.key[:_SHORT_KEY]}  {item.name}")
            for change in item.changes:
                print(f"  {change}")
        print(f"{len(found)} recomputed, {len(changed)} with changes.")
    return 1 if changed else 0
