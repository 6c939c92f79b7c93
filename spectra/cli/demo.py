"""``sweepmuster demo``: the main job on the demo captures, a visit to an invented vessel."""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import spectra
from spectra.cautions import DISCLAIMER
from spectra.cli.batch import BATCH_SCHEMA
from spectra.cli.console import print_cautions, print_findings, print_json, print_table, progress, wrap
from spectra.cli.identify import print_identification
from spectra.errors import UsageError

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.finding import Finding
    from spectra.findings.comparison import Comparison
    from spectra.findings.trend import Trend
    from spectra.identify.identification import Identification
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable

    Answer = Identification | Comparison | Trend


_CRAFT = ("quality", "clock")
"""Subjects that speak of how a sweep was taken, not of what it shows."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the visit: what was swept, what was wanted, what had happened aboard, and the verdict to come.

    `command` is that of the command line which gives the same answer: identify, compare or trend; `notes` are codes of
    findings that the step is about although they are only notes.
    """

    title: str
    tells: str
    command: str
    files: tuple[str, ...]
    lo_states: tuple[str, ...]
    expect: str | None
    verdict: str | None
    satellite: str | None
    notes: tuple[str, ...] = ()


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "--full", action="store_true", help="print the whole evidence of each step, as its own command does"
    )
    parser.add_argument("--json", action="store_true", help="print the answers as JSON")


def demo_folder() -> Path:
    """Return the folder of the demo captures: inside an installed package, or at the top of a checkout.

    Raises
    ------
    UsageError
        If the captures are nowhere.
    """
    package = Path(spectra.__file__).resolve().parent
    for folder in (package / "captures_demo", package.parent / "captures_demo"):
        if (folder / "demo.toml").is_file():
            return folder
    raise UsageError(
        str(package), None, "an installation without demo captures", "captures_demo/demo.toml", "Install it again."
    )


def load_steps(folder: Path) -> tuple[dict[str, Any], tuple[Step, ...]]:
    """Return the head of ``demo.toml`` and its steps."""
    script = tomllib.loads((folder / "demo.toml").read_text(encoding="utf-8"))
    steps = []
    for entry in script.pop("step"):
        states = entry["lo_state"]
        steps.append(
            Step(
                title=entry["title"],
                tells=entry["tells"],
                command=entry["command"],
                files=tuple(entry["files"]),
                lo_states=tuple(states) if isinstance(states, list) else (states,) * len(entry["files"]),
                expect=entry.get("expect"),
                verdict=entry.get("verdict"),
                satellite=entry.get("satellite"),
                notes=tuple(entry.get("notes", ())),
            )
        )
    return script, tuple(steps)


def run_steps(folder: Path) -> Iterator[tuple[Step, Answer]]:
    """Give the answer of each step: its sweeps identified jointly, compared, or followed over time."""
    from spectra.plan import load_chain, load_table
    from spectra.readers import load_capture

    script, steps = load_steps(folder)
    table, chain = load_table(folder / script["table"]), load_chain(folder / script["chain"])
    for step in progress(steps, "demo"):
        yield step, _answer(step, [load_capture(folder / name) for name in step.files], table, chain)


def _answer(step: Step, captures: list[Capture], table: CarrierTable, chain: ReceiveChain) -> Answer:
    if step.command == "compare":
        from spectra.findings.compare import compare

        return compare(captures, table, chain)
    if step.command == "trend":
        from spectra.findings.trend import trend

        return trend(captures, table, chain)
    from spectra.findings import with_capture_findings
    from spectra.identify import identify
    from spectra.measure import measure

    measurements = [measure(sweep) for capture in captures for sweep in capture.sweeps]
    contexts = [capture.context for capture in captures for _ in capture.sweeps]
    # sidecars say which LO state was commanded; a step of one state says it once more for all its files
    lo_state = step.lo_states[0] if len(set(step.lo_states)) == 1 else None
    answer = identify(measurements, table, chain, lo_state=lo_state, expect=step.expect, context=contexts)
    return with_capture_findings(answer, measurements, table, chain, contexts, lo_state=lo_state)


def _print_whole(step: Step, answer: Any) -> None:
    if step.command == "compare":
        from spectra.cli.compare import print_comparison

        print_comparison(answer)
    elif step.command == "trend":
        from spectra.cli.trend import print_trend

        print_trend(answer)
    else:
        print_identification(answer)


def _said(step: Step, answer: Any) -> tuple[str, str]:
    """Return the answer in a sentence and in a word."""
    if step.command == "identify":
        return answer.sentence, answer.verdict
    if step.command == "trend":
        word = answer.fit.answer.replace("_", " ")
    else:
        whole = answer.polarisation
        entries = [f.code for f in answer.findings if f.code.startswith("interference.enters_by_")]
        word = entries[0].partition(".")[2].replace("_", " ") if entries else answer.kind
        if whole is not None:
            word = f"isolation {whole.isolation_db:.1f} dB"
    titles = [f.title for f in answer.findings if f.severity != "note"] or [f.title for f in answer.findings[:1]]
    return "; ".join(titles[:2]) + ".", word


def execute(arguments: argparse.Namespace) -> int:
    """Run the visit and print what each step gives."""
    folder = demo_folder()
    if arguments.json:
        results = [answer.to_dict() for _, answer in run_steps(folder)]
        print_json({"schema": BATCH_SCHEMA, "results": results, "failed": []})
        return 0
    script, steps = load_steps(folder)
    print(f"A visit to {script['vessel']} (all invented), {len(steps)} steps. Captures: {folder}")
    rows = []
    told: list[Finding] = []
    for number, (step, answer) in enumerate(run_steps(folder), 1):
        print(f"\n{number}. {step.title}")
        print(wrap(f"Aboard: {step.tells}", indent="   "))
        sentence, word = _said(step, answer)
        if arguments.full:
            _print_whole(step, answer)
        else:
            print(wrap(sentence, indent="     ", first="   → "))
            serious = [finding for finding in answer.findings if finding.severity != "note"]
            telling = [finding for finding in serious if finding.code.partition(".")[0] not in _CRAFT]
            left = len(serious) - len(telling)
            telling += [finding for finding in answer.findings if finding.code in step.notes]
            print_findings(telling, cautions=False)
            told += telling
            if left:
                print(wrap(f"({left} more on how the sweeps were taken: --full)", indent="  "))
        files = ", ".join(step.files) if len(step.files) < 4 else f"{step.files[0]} … {step.files[-1]}"
        rows.append((str(number), files, step.expect or "–", word))
    print()
    print_table(("step", "sweeps", "wanted", "answer"), rows)
    print("\nThe next steps above come with these cautions:")
    print_cautions(told)
    print(f"\n{DISCLAIMER}")
    return 0
