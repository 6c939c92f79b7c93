"""How a campaign keeps its table: beside its script, the figures on top, each run's seed and version with them."""

from __future__ import annotations

import csv
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from spectra import __version__

__all__ = ["keep"]


def keep(
    script: str,
    columns: Sequence[str],
    records: Sequence[Mapping[str, object]],
    figures: Mapping[str, float],
    what: str,
    seed: int,
) -> None:
    """Write the table of a campaign beside its script, and its figures to the terminal as well.

    `what` says how much was run, such as ``1000 pairs``.
    """
    with Path(script).with_suffix(".csv").open("w", newline="", encoding="utf-8") as file:
        file.write(f"# sweepmuster {__version__}, seed {seed}, {what}\n")
        for name, value in figures.items():
            file.write(f"# {name}: {value:.5g}\n")
            sys.stdout.write(f"{name}: {value:.5g}\n")
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(records)
