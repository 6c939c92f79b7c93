"""``sweepmuster visit``: a folder of sweeps as one piece of work, held against the user's acceptance limits."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.cautions import CATALOGUE, DISCLAIMER
from spectra.cli.console import print_json, print_table, say, wrap
from spectra.errors import UsageError
from spectra.units import format_value

if TYPE_CHECKING:
    from spectra.visit.review import VisitReview

EPILOG = (
    """\
visit.toml in the folder says what was asked, which table and chain, the acceptance limits, which file is what.
See the section on visits in the documentation of the package, or spectra/visit/visitfile.py for every key.

"""
    + DISCLAIMER
)

_ANSWERS = {"yes": "met", "no": "not met", "cannot_tell": "cannot tell"}
_DONE = {True: "done", False: "MISSING", None: "not needed"}
_BAR = 24


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("folder", metavar="FOLDER", help="folder with the sweeps, as it came off the stick")
    parser.add_argument("--table", metavar="T.csv", help="carrier table (else that of visit.toml or of the folder)")
    parser.add_argument("--chain", metavar="C.toml", help="receive chain (else that of visit.toml or of the folder)")
    parser.add_argument("--json", action="store_true", help="print the review as JSON")
    parser.add_argument(
        "--report", metavar="OUT.html", help="also write the report (.html or .pdf), its evidence beside it"
    )
    parser.add_argument("--language", default="en", metavar="CODE", help="language of the report: en, de (default en)")
    parser.add_argument("--processes", type=int, metavar="N", help="worker processes (default: as the work needs)")
    parser.add_argument("--check", action="store_true", help="exit code 1 unless accepted, with remarks or without")


def execute(arguments: argparse.Namespace) -> int:
    """Review the visit; 2 where a file could not be used, 1 only with ``--check``."""
    from spectra.visit import load_visit, review_visit

    if arguments.processes is not None and arguments.processes < 1:
        raise UsageError("--processes", None, str(arguments.processes), "1 or more", "Leave it out.")
    target = report_path(arguments.report)
    visit = load_visit(arguments.folder, table=arguments.table, chain=arguments.chain)
    for problem in visit.failed:
        say(str(problem))
    review = review_visit(visit, processes=arguments.processes, tell=progress_bar("analysing"))
    for capture in review.captures:
        for problem in capture.failed:
            say(str(problem))
    if target is not None:
        write_report(review, target, arguments.language)
    if arguments.json:
        print_json(review.to_dict())
    else:
        print_review(review)
    if visit.failed or any(capture.failed for capture in review.captures):
        return 2
    accepted = review.statement.answer in ("accepted", "accepted with remarks")
    return 1 if arguments.check and not accepted else 0


def report_path(name: str | None) -> Path | None:
    """Return the path of a report, checked before any work is done."""
    if name is None:
        return None
    path = Path(name)
    if path.suffix.lower() not in (".html", ".htm", ".pdf"):
        raise UsageError("--report", None, name, "a file name that ends in .html or .pdf", "Name it like visit.html.")
    return path


def write_report(review: VisitReview, path: Path, language: str) -> None:
    """Write the report and its evidence, and say where."""
    from spectra.report import write_visit_report

    for written in write_visit_report(review, path, language=language):
        say(f"written: {written}")


def progress_bar(label: str) -> Callable[[int, int], None] | None:
    """Return what draws a bar on stderr, on a terminal only."""
    if not sys.stderr.isatty():
        return None

    def tell(done: int, of: int) -> None:
        filled = _BAR * done // max(of, 1)
        end = "\r" + " " * (len(label) + _BAR + 24) + "\r" if done == of else ""
        sys.stderr.write(f"\r{label} [{'=' * filled}{' ' * (_BAR - filled)}] {done}/{of}{end}")
        sys.stderr.flush()

    return tell


def print_review(review: VisitReview) -> None:
    """Print a review: what is still missing, the answer, its reasons, the captures, what to do next."""
    visit = review.visit
    who = [word for word in (visit.said("vessel"), visit.said("terminal"), visit.head.title) if word]
    print(", ".join(who) or visit.folder.name)
    missing = [item for item in review.checklist if item.done is False]
    if missing:
        print(f"\nStill missing ({len(missing)}), while you are aboard:")
        for item in missing:
            print(wrap(f"{item.title}: {item.detail}", indent="    ", first="  - "))
    print()
    print(wrap(review.statement.sentence))
    for reason in review.statement.reasons:
        print(wrap(reason, indent="    ", first="  - "))
    _print_numbers(review)
    print("\nHeld against the limits:")
    print_table(("point", "answer", "why"), [(c.name, _ANSWERS[c.answer], c.why) for c in review.criteria], indent="  ")
    _print_captures(review)
    _print_offers(review)
    _print_steps(review)
    print(f"\n{DISCLAIMER}")


def _print_numbers(review: VisitReview) -> None:
    numbers = review.numbers()
    print("\nThe three numbers:")
    satellite = numbers["satellite"] or "none identified"
    if numbers["satellite"] is not None:
        odds = numbers["log10_odds_none"]
        told = "" if odds is None else f", odds 10^{odds:.1f} against none of these"
        satellite += f", polarisation {numbers['polarisation']}, {numbers['verdict']}{told}"
    print(f"  Satellite  {satellite}")
    error = format_value(numbers["lo_error_hz"], numbers["lo_error_std_hz"], "kHz", 1e3)
    print(f"  LO error   {error} (true minus nominal)")
    isolation = format_value(numbers["isolation_db"], numbers["isolation_std_db"], "dB")
    if numbers["isolation_db"] is None and numbers["isolation_lower_bound_db"] is not None:
        isolation = f"above {numbers['isolation_lower_bound_db']:.1f} dB"
    print(f"  Isolation  {isolation}")


def _print_captures(review: VisitReview) -> None:
    aside = dict(review.set_aside)
    rows = []
    for capture in review.captures:
        at, context = capture.source.captured_at, capture.source.context
        best = None if capture.identification is None else capture.identification.best
        rows.append(
            (
                capture.name,
                "–" if at is None else at.strftime("%Y-%m-%d %H:%M"),
                context.role if context.role not in (None, "normal") else (context.port or "–"),
                capture.verdict or "–",
                "–"
                if best is None or best.satellite is None
                else f"{best.satellite} {best.polarisation or ''}".strip(),
                str(sum(len(m.carriers) for m in capture.measurements)),
                "yes" if capture.name not in aside else f"no: {aside[capture.name]}",
            )
        )
    print("\nCaptures:")
    print_table(("capture", "UTC", "port or role", "verdict", "seen", "carriers", "counts"), rows)


def _print_offers(review: VisitReview) -> None:
    for assumption in review.visit.assumptions:
        print(wrap(f"Assumed: {assumption}", indent="  "))
    if review.visit.suggestions:
        print("\nFile names hint at this; nothing of it was assumed. If it is true, write it into the sidecar:")
        print_table(("file", "line"), [(s.file, s.line) for s in review.visit.suggestions])


def _print_steps(review: VisitReview) -> None:
    if not review.next_steps:
        return
    print("\nWhat to do next, in this order:")
    cautions: dict[str, None] = {}
    for number, item in enumerate(review.next_steps, 1):
        print(wrap(f"{item.step.text} [{', '.join(item.because)}]", indent="     ", first=f"  {number}. "))
        cautions.update(dict.fromkeys(item.step.cautions))
    for caution in cautions:
        text = f"Caution, {CATALOGUE[caution].title.lower()}: {CATALOGUE[caution].text}"
        print(wrap(text, indent="    ", first="  "))
