"""What the campaigns of the identification count, and how they keep a table as it grows."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from spectra import __version__

__all__ = ["figures", "keep", "reliability"]


def figures(records: list[dict[str, object]], twins_from: float = 0.7) -> dict[str, float]:
    """Return what the documentation quotes."""

    def column(name: str, rows: list[dict[str, object]]) -> np.ndarray:
        return np.array([float(str(r[name])) for r in rows if r.get(name, "") != ""])

    def part(rows: list[dict[str, object]], *conditions: tuple[str, object]) -> float:
        if not rows:
            return float("nan")
        return float(np.mean([all(r[name] == value for name, value in conditions) for r in rows]))

    alone = [r for r in records if float(str(r["twin"])) < twins_from]
    twins = [r for r in records if float(str(r["twin"])) >= twins_from]
    gone = [r for r in records if r.get("absent_verdict", "")]
    far = [r for r in gone if float(str(r["far_twin"])) < twins_from]
    good = [r for r in records if r["right"] == 1 and r["verdict"] in ("confirmed", "probable")]
    z = column("error_hz", good) / column("std_hz", good)
    ratio = column("error_hz", good) / column("bound_hz", good)
    return {
        "trials": len(records),
        "without twins": len(alone),
        "without twins: first": part(alone, ("right", 1)),
        "without twins: confirmed and right": part(alone, ("right", 1), ("verdict", "confirmed")),
        "twins: true one named": part(twins, ("named", 1)),
        "wrongly confirmed": sum(r["verdict"] == "confirmed" and r["right"] == 0 for r in records),
        "probable or better": part(records, ("verdict", "confirmed")) + part(records, ("verdict", "probable")),
        "absent": len(gone),
        "absent: confirmed": sum(r["absent_verdict"] == "confirmed" for r in gone),
        "absent: unidentified": part(gone, ("absent_verdict", "unidentified")),
        "absent, no twin elsewhere": len(far),
        "absent, no twin elsewhere: confirmed": sum(r["absent_verdict"] == "confirmed" for r in far),
        "absent, no twin elsewhere: unidentified": part(far, ("absent_verdict", "unidentified")),
        "LO error: coverage of 95 %": float(np.mean(np.abs(z) < 1.96)),
        "LO error: RMSE over its standard uncertainty": float(np.sqrt(np.mean(z**2))),
        "LO error: RMSE over the bound": float(np.sqrt(np.mean(ratio**2))),
        "LO error: RMSE over the bound, 2 % of trials trimmed": float(
            np.sqrt(np.mean(np.sort(ratio**2)[: int(0.98 * ratio.size)]))
        ),
    }


def reliability(records: list[dict[str, object]], listed: float = 0.9) -> list[dict[str, float]]:
    """Return claimed probability against the share that was right, in bins.

    Each trial counts twice: with the whole table (weight `listed`, the prior of the method) and without the true
    position (weight 1 - `listed`, where no answer is right).
    """
    claimed, right, weight = [], [], []
    for r in records:
        for prefix, part in (("", listed), ("absent_", 1.0 - listed)):
            if r.get(prefix + "probability", "") != "":
                claimed.append(float(str(r[prefix + "probability"])))
                right.append(float(prefix == "" and r["right"] == 1))
                weight.append(part)
    p, y, w = np.array(claimed), np.array(right), np.array(weight)
    table = []
    edges = (0.0, 0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 1.0)
    for low, high in pairwise(edges):
        use = (p >= low) & ((p < high) | (high == 1.0))
        if use.any():
            mean, share = float(np.average(p[use], weights=w[use])), float(np.average(y[use], weights=w[use]))
            table.append({"from": low, "to": high, "answers": int(use.sum()), "claimed": mean, "right": share})
    return table


def keep(path: Path, note: str, columns: Sequence[str], found: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Write records to a table as they come, under the version and a note, and return them."""
    records = []
    with path.open("w", encoding="utf-8", newline="") as out:
        out.write(f"# sweepmuster {__version__}, {note}\n")
        writer = csv.DictWriter(out, columns)
        writer.writeheader()
        for one in found:
            writer.writerow(one)
            out.flush()
            records.append(one)
    return records
