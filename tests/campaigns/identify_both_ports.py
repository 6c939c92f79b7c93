"""What both polarisations together tell: the trials of `identify_sweeps`, each swept carefully on both ports.

Draws whose position lists one polarisation only are passed over. As a script it writes `identify_both_ports.csv` beside
itself, the figures on top:

    python tests/campaigns/identify_both_ports.py [draws] [seed]
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import identify_sweeps as sweeps
import identify_trials as trials
from keeping import keep

KIND = "both_ports"
COLUMNS = tuple(
    name for name in sweeps.COLUMNS if name.startswith(KIND) or not name.startswith(tuple(sweeps.KINDS))
)  # fmt: skip


def main(arguments: list[str]) -> None:
    """Run the campaign and write its table."""
    count = int(arguments[0]) if arguments else 600
    seed = int(arguments[1]) if len(arguments) > 1 else 1
    world = trials.World.build(trials.load_plans())
    records: list[dict[str, Any]] = []
    for number in range(count):
        draw = sweeps.measured(world, number, seed, both_every=1)
        if KIND in draw.sweeps:
            records.append(sweeps.judged(world, replace(draw, sweeps={KIND: draw.sweeps[KIND]})))
    keep(__file__, COLUMNS, records, sweeps.summary(records), f"{count} draws", seed)


if __name__ == "__main__":
    main(sys.argv[1:])
