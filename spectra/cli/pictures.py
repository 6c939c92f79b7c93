"""Pictures of many captures for ``--plot``: level over frequency and time, envelope, when each interferer was seen."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.cli.console import say
from spectra.errors import UsageError

if TYPE_CHECKING:
    from spectra.capture import Capture
    from spectra.findings.emissions import Emissions
    from spectra.sweep import Sweep

__all__ = ["figures_of_set", "write_pictures"]

Headed = tuple[str, Any]


def figures_of_set(captures: Sequence[Capture], log: Emissions | None = None) -> list[Headed]:
    """Return figures under their headings; those that need a span in common are left out, with a word, where none is.

    Parameters
    ----------
    captures : sequence of Capture
        Two or more for the pictures over time; times of the contexts stand in where the files tell none.
    log : Emissions or None
        Adds when each emission was seen, if there is any.
    """
    from spectra.findings.interference_figures import envelope_figure, time_frequency_figure, timeline_figure

    made: list[Headed] = []
    if log is not None and log.emissions:
        made.append(("When each interferer was seen", timeline_figure(log)))
    sweeps = [sweep for capture in captures for sweep in _timed(capture)]
    if len(sweeps) > 1:
        try:
            made.append(("Level over frequency and time", time_frequency_figure(sweeps)))
            made.append(("Greatest, mean and least level", envelope_figure(sweeps)))
        except UsageError as problem:
            say(f"no picture over time: {problem}")
    return made


def _timed(capture: Capture) -> list[Sweep]:
    at = capture.context.captured_at
    if at is None:
        return list(capture.sweeps)
    return [dataclasses.replace(s, origin=dataclasses.replace(s.origin, captured_at=at)) for s in capture.sweeps]


def write_pictures(figures: Sequence[Headed], path: Path, title: str) -> None:
    """Write figures into one page, and say where."""
    from spectra.report.page import write_figures

    if not figures:
        say(f"no picture written to {path}: there is nothing to draw")
        return
    write_figures(figures, path, title=title)
    say(f"picture written to {path}")
