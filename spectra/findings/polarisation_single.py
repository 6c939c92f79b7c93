"""The rule on one sweep alone: carriers of the other polarisation that show exactly where the table has them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.units import counted

__all__ = ["Suspicion", "leak_suspected"]


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Rows of the other polarisation that show in one sweep, each with its strength and what was listed."""

    rows: tuple[int, ...]
    centre_hz: tuple[float, ...]
    cn0_hz: tuple[float, ...]
    std_hz: tuple[float, ...]
    level_db: tuple[float | None, ...]
    capture: str
    polarisation: str


def leak_suspected(suspicion: Suspicion) -> Iterable[Finding]:
    """Tell carriers of the other polarisation in a single sweep, at low level just where the table has them."""
    score = np.array(suspicion.cn0_hz) / np.array(suspicion.std_hz)
    told = [level for level in suspicion.level_db if level is not None]
    level = float(np.median(told)) if told else None
    words = (
        "too strong to be a leak of an aligned feed"
        if level is not None and level > -10.0
        else "a leak of a turned feed or of the satellite"
    )
    places = ", ".join(
        f"row {row} at {hz / 1e6:.3f} MHz"
        for row, hz in list(zip(suspicion.rows, suspicion.centre_hz, strict=True))[:5]
    )
    evidence = [
        Evidence("rows", float(len(suspicion.rows))),
        Evidence("weakest_over_uncertainty", float(score.min()), None, None, 4.0),
    ]
    if level is not None:
        evidence.append(Evidence("level_against_table", level, None, "dB"))
    carriers = counted(len(suspicion.rows), "carrier")
    show = "shows" if len(suspicion.rows) == 1 else "show"
    strength = "" if level is None else f", {-level:.0f} dB below what the table expects on their own polarisation"
    yield Finding(
        "polarisation.leak_suspected",
        "warning" if len(suspicion.rows) > 1 else "note",
        f"{carriers} of the other polarisation ({suspicion.polarisation}) {show} in this sweep",
        f"{places}{strength}: {words}, or carriers that the table lacks. One sweep only raises the suspicion.",
        evidence=tuple(evidence),
        subjects=Subjects(captures=(suspicion.capture,), rows=suspicion.rows),
        next_steps=(
            step(
                "Sweep both ports (or both supply voltages) over the same span, one right after the other, with port = "
                '"co" and "cross" in their contexts, and compare them: sweepmuster compare CO CROSS --table T.csv '
                "--chain C.toml."
            ),
        ),
    )
