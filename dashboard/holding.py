"""A stored visit held against another version of table and chain: a further result beside those that are there."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.drafts import safe_name

if TYPE_CHECKING:
    from dashboard.desk import Desk
    from spectra.archive.recheck import Recheck
    from spectra.archive.store import Archive

__all__ = ["Held", "hold"]

_ALONE = 3
"""Up to so many sweeps starting workers takes longer than measuring."""


@dataclass(frozen=True, slots=True)
class Held:
    """What became of a visit's captures."""

    visit: str
    captures: tuple[Recheck, ...]


def hold(desk: Desk, visit: str, plan: str, tell: Callable[[int, int], None]) -> Held:
    """Recompute a visit with a carrier table, and with its receive chain as edited since; the old results stay.

    Raises
    ------
    ArchiveError
        If there is no such visit or table, or raw bytes are damaged.
    """
    from spectra.archive import Search, recheck_captures
    from spectra.archive.editions import follow

    key = desk.visit(visit)["key"]
    rows = desk.visit_list(key)
    with tempfile.TemporaryDirectory(prefix="sweepmuster-") as place:
        table = _written(desk.archive, plan, "plan", Path(place))
        chain = None
        results = desk.archive.capture(rows[0]["key"])["results"] if rows else []
        if results and results[0]["chain"] is not None:
            chain = _written(desk.archive, follow(desk.archive, "chain", results[0]["chain"]), "chain", Path(place))
        found = recheck_captures(
            desk.archive,
            Search(visit=key),
            table=table,
            chain=chain,
            store=True,
            processes=1 if len(rows) <= _ALONE else desk.processes,
            tell=tell,
        )
    return Held(key, tuple(found))


def _written(archive: Archive, sha256: str, kind: str, folder: Path) -> Path:
    raw = archive.plan_file(sha256, kind).raw
    home = folder / kind
    home.mkdir()
    path = home / safe_name(raw.name)
    path.write_bytes(raw.data)
    return path
