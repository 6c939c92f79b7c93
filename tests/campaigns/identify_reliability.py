"""Whether claimed probabilities come true: the answers of the kept campaigns, pooled into bins of 2500 and more.

Read are the tables of `identify_sweeps` (swept in three ways, five listed carriers or more) and `identify_trials`
(drawn, five or more, usual and careful, and two to four, which fill the middle). Every trial that was answered both
ways counts twice: with the whole table at the weight that the method gives to "it is in the table" beforehand (nine of
ten), and with the true position left out, where no answer is right, at the rest. As a script it writes its table beside
itself:

    python tests/campaigns/identify_reliability.py
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path
from typing import Any

import numpy as np

from spectra import __version__

HERE = Path(__file__).parent
TABLES = (
    "identify_sweeps.csv",
    "identify_trials_5_up.csv",
    "identify_trials_careful_5_up.csv",
    "identify_trials_2_4.csv",
)
KINDS = ("", "usual_", "careful_", "both_ports_")
LEAST = 2500
LISTED = 0.9
COLUMNS = ("from", "to", "answers", "claimed", "right", "right_std")


def answers(path: Path) -> list[tuple[float, float, float]]:
    """Return (claimed, right, weight) of every answer of a table that claims a probability."""
    with path.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    found = []
    for row in rows:
        if row.get("absent_verdict") == "":
            continue
        for kind in KINDS:
            if row.get(f"{kind}probability"):
                found.append((float(row[f"{kind}probability"]), float(row[f"{kind}right"]), LISTED))
            if row.get(f"{kind}absent_probability"):
                found.append((float(row[f"{kind}absent_probability"]), 0.0, 1.0 - LISTED))
    return found


def pooled(found: list[tuple[float, float, float]], least: int = LEAST) -> list[dict[str, Any]]:
    """Return bins of equal count, `least` answers each or more, by rising probability."""
    claimed, right, weight = np.array(sorted(found)).T
    bins = []
    for part in np.array_split(np.arange(claimed.size), max(1, claimed.size // least)):
        p, y, w = claimed[part], right[part], weight[part] / weight[part].sum()
        bins.append(
            {
                "from": round(float(p[0]), 5),
                "to": round(float(p[-1]), 5),
                "answers": part.size,
                "claimed": round(float(w @ p), 4),
                "right": round(float(w @ y), 4),
                "right_std": round(float(np.sqrt(np.sum(w**2) * (w @ (y - w @ y) ** 2))), 4),
            }
        )
    return bins


def main() -> None:
    """Write the table."""
    found = [one for name in TABLES for one in answers(HERE / name)]
    with Path(__file__).with_suffix(".csv").open("w", encoding="utf-8", newline="") as out:
        out.write(f"# sweepmuster {__version__}, {len(found)} answers of {', '.join(TABLES)}\n")
        writer = csv.DictWriter(out, COLUMNS)
        writer.writeheader()
        for each in pooled(found):
            writer.writerow(each)
            sys.stdout.write(f"{each}\n")


if __name__ == "__main__":
    main()
