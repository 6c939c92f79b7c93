"""Which commands there are, and where each lives."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

__all__ = ["COMMANDS", "ENTRY_POINT_GROUP", "Command", "outside_commands"]

ENTRY_POINT_GROUP = "sweepmuster.commands"
"""Packages add a command by an entry point of this group: its name is the command's, its value a module."""


@dataclass(frozen=True, slots=True)
class Command:
    """One command: the module with `add_arguments` and `execute`, and what it does in half a sentence."""

    home: str
    about: str


COMMANDS: dict[str, Command] = {
    name: Command(f"spectra.cli.{module}", about)
    for name, module, about in (
        ("inspect", "inspect", "show how sweep files were understood, line by line, and whether they are good enough"),
        ("measure", "measure", "print the carriers of sweeps: kind, centre, widths, symbol rate, power, C/N"),
        ("identify", "identify", "call the roll of a carrier table: satellite, polarisation, LO state, LO error"),
        ("compare", "compare", "hold captures against the first: isolation of two ports, LO states, before and after"),
        ("trend", "trend", "follow the oscillator over many captures: drift, steps, when it leaves its tolerance"),
        ("watch", "watch", "measure and identify the sweeps of a folder as they are saved"),
        (
            "visit",
            "visit",
            "analyse a folder of sweeps as one visit: what is missing, accepted or not, what to do next",
        ),
        ("convert", "convert", "write sweeps as our own CSV or as exchange files, an RF axis taken back to IF"),
        ("report", "report", "make the report on a visit, verify raw files against it, report interference"),
        ("archive", "archive", "keep sweeps with their results, find them again, hand them over, recompute them"),
        ("next-sweep", "next_sweep", "plan the sweeps that would show a carrier table through a receive chain"),
        (
            "table",
            "table",
            "check a carrier table, import open scan files as one, merge two, suggest edits from sweeps",
        ),
        ("simulate", "simulate", "make sweeps from a scene, as a swept analyser would save them"),
        ("demo", "demo", "run the main job on the demo captures"),
    )
}


@lru_cache(maxsize=1)
def outside_commands() -> dict[str, str]:
    """Return the commands that other installed packages add, as name to module."""
    from importlib.metadata import entry_points

    return {point.name: point.value for point in entry_points(group=ENTRY_POINT_GROUP) if point.name not in COMMANDS}
