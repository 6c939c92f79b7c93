"""Recompute what is stored, with the stored table and chain or with others, and tell what changed."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from spectra.archive.query import Search, whole_captures
from spectra.archive.record import result_of
from spectra.archive.store import Archive, PlanFile, plan_files
from spectra.archive.work import Job, ruled, run_job, workers
from spectra.visit.analysis import CaptureReview
from spectra.visit.visit import VisitHead
from spectra.visit.visitfile import CaptureEntry

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = ["Change", "Recheck", "differences", "recheck_captures"]

_MOVED = 0.1
"""A number that moved less than this part of its standard uncertainty is the same."""
_SAME_CARRIER_STD = 5.0
_WORDS = ("verdict", "satellite", "polarisation", "lo_state")
_PLACE_OF_TIME = "clock"
"""Findings on clocks rest on the times of files, which a stored sweep no longer has."""


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is no longer what it was."""

    what: str
    old: Any
    new: Any

    def __str__(self) -> str:
        return f"{self.what}: {_shown(self.old)} → {_shown(self.new)}"

    def to_dict(self) -> dict[str, Any]:
        """Return the change by name."""
        return {"what": self.what, "old": self.old, "new": self.new}


@dataclass(frozen=True, slots=True)
class Recheck:
    """One capture, recomputed: `changes` is empty where all is as it was."""

    key: str
    name: str
    changes: tuple[Change, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the recheck by name."""
        return {"key": self.key, "name": self.name, "changes": [change.to_dict() for change in self.changes]}


def _shown(value: Any) -> str:
    if value is None:
        return "none"
    return f"{value:.7g}" if isinstance(value, float) else str(value)


def recheck_captures(
    archive: Archive,
    search: Search | None = None,
    *,
    table: Path | None = None,
    chain: Path | None = None,
    store: bool = False,
    processes: int | None = None,
    tell: Callable[[int, int], None] | None = None,
) -> list[Recheck]:
    """Recompute captures from their raw bytes and hold the results against the stored ones.

    Parameters
    ----------
    archive : Archive
    search : Search or None
    table, chain : Path or None
        Carrier table and receive chain to use; None takes those of each stored result.
    store : bool
        Also store the new results where they differ in table, chain or software, and make them the current ones.
    processes : int or None
    tell : callable or None

    Raises
    ------
    ArchiveError
        If raw bytes are damaged.
    """
    captures = list(whole_captures(archive, search or Search()))
    done = 0
    found: list[Recheck] = []
    with tempfile.TemporaryDirectory(prefix="sweepmuster-") as folder, workers(processes) as pool:
        for group in _groups(captures):
            found += _group(archive, group, Path(folder), pool, table, chain, store)
            done += len(group)
            if tell is not None:
                tell(done, len(captures))
    return found


def _groups(captures: Sequence[dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    """Yield captures that were analysed together: of one visit, with one table and chain."""
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for capture in captures:
        current = capture["results"][0]
        groups.setdefault((capture["visit"], current["plan"], current["chain"]), []).append(capture)
    yield from groups.values()


def _group(
    archive: Archive,
    group: Sequence[dict[str, Any]],
    folder: Path,
    pool: Executor | None,
    table: Path | None,
    chain: Path | None,
    store: bool,
) -> list[Recheck]:
    from spectra.plan import load_chain, load_table

    current = group[0]["results"][0]
    table_path = table or _written(archive, current["plan"], "plan", folder)
    chain_path = chain or _written(archive, current["chain"], "chain", folder)
    jobs = [
        Job(folder, VisitHead(), _entry(archive, capture, folder / str(number)), table_path, chain_path)
        for number, capture in enumerate(group)
    ]
    answers = list(map(run_job, jobs) if pool is None else pool.map(run_job, jobs))
    loaded_table = None if table_path is None else load_table(table_path)
    loaded_chain = None if chain_path is None else load_chain(chain_path)
    picked = [_picked(capture, reviews) for capture, (reviews, _) in zip(group, answers, strict=True)]
    reviews = iter(ruled([review for review in picked if review is not None], table_path, chain_path, pool))
    plan, held = plan_files(((table_path, loaded_table), (chain_path, loaded_chain)))
    found = []
    for capture, review, (_, failed) in zip(group, picked, answers, strict=True):
        if review is None:
            changes: tuple[Change, ...] = (Change("reading", "a sweep", "; ".join(str(problem) for problem in failed)),)
        else:
            result = result_of(
                next(reviews),
                plan_sha256=None if plan is None else plan.sha256,
                chain=loaded_chain,
                made_at=datetime.now(UTC),
            )
            changes = differences(capture["results"][0], result.body)
            if store:
                archive.add_result(capture["key"], result, plan=plan, chain=held)
        found.append(Recheck(capture["key"], capture["name"], changes))
    return found


def _written(archive: Archive, sha256: str | None, kind: str, folder: Path) -> Path | None:
    if sha256 is None:
        return None
    file: PlanFile = archive.plan_file(sha256, kind)
    path = folder / f"{kind}-{sha256}{Path(file.raw.name).suffix}"
    path.write_bytes(file.raw.data)
    return path


def _entry(archive: Archive, capture: Mapping[str, Any], folder: Path) -> CaptureEntry:
    """Write a capture's raw files, checked against their hashes, and return how they were read."""
    folder.mkdir(exist_ok=True)
    paths = []
    for position, item in enumerate(capture["raw"]):
        place = folder / str(position)
        place.mkdir(exist_ok=True)
        path = place / Path(item["file"]).name  # the name alone: it must not lead out of the folder
        path.write_bytes(archive.blob(item["sha256"]))
        paths.append(path)
    context = {key: value for key, value in capture["context"].items() if key != "assumptions"}
    reading = capture["reading"][0] if capture["reading"] else {}
    return CaptureEntry(tuple(paths), MappingProxyType({**context, **reading}))


def _picked(capture: Mapping[str, Any], reviews: Sequence[CaptureReview]) -> CaptureReview | None:
    return next((review for review in reviews if review.source.number == capture["number"]), None)


def differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> tuple[Change, ...]:
    """Return what differs between two results, beyond what rounding and another machine may change.

    Parameters
    ----------
    old, new : mapping
        Results as they are stored: `measurements`, `identification`, `findings`.
    """
    changes: list[Change] = []
    before, after = old["identification"] or {}, new["identification"] or {}
    changes += [
        Change(word, before.get(word), after.get(word)) for word in _WORDS if before.get(word) != after.get(word)
    ]
    if _moved(before.get("lo_error_hz"), after.get("lo_error_hz"), before.get("lo_error_std_hz")):
        changes.append(Change("lo_error_hz", before.get("lo_error_hz"), after.get("lo_error_hz")))
    changes += _roll_call(before, after)
    for number, (one, other) in enumerate(_paired(old["measurements"], new["measurements"])):
        changes += _carriers(one, other, f"sweep {number + 1}, " if len(new["measurements"]) > 1 else "")
    codes = [
        sorted({f["code"] for f in r["findings"] if f["code"].partition(".")[0] != _PLACE_OF_TIME}) for r in (old, new)
    ]
    changes += [Change("finding", code, None) for code in codes[0] if code not in codes[1]]
    changes += [Change("finding", None, code) for code in codes[1] if code not in codes[0]]
    return tuple(changes)


def _moved(old: float | None, new: float | None, std: float | None) -> bool:
    if old is None or new is None:
        return old is not new
    return abs(new - old) > _MOVED * (std or 0.0) + 1e-9 * abs(old)


def _roll_call(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[Change]:
    before = {entry["rf_mhz"]: entry["status"] for entry in old.get("roll_call", ())}
    after = {entry["rf_mhz"]: entry["status"] for entry in new.get("roll_call", ())}
    if old.get("satellite") != new.get("satellite"):
        return []  # another list altogether: the change of satellite says it
    return [
        Change(f"row at {rf:.3f} MHz", before.get(rf), after.get(rf))
        for rf in sorted(before.keys() | after.keys())
        if before.get(rf) != after.get(rf)
    ]


def _paired(old: Sequence[Any], new: Sequence[Any]) -> Iterator[tuple[Any, Any]]:
    empty: dict[str, Any] = {"carriers": []}
    for number in range(max(len(old), len(new))):
        yield (old[number] if number < len(old) else empty), (new[number] if number < len(new) else empty)


def _carriers(old: Mapping[str, Any], new: Mapping[str, Any], where: str) -> list[Change]:
    changes: list[Change] = []
    left = list(new["carriers"])
    for carrier in old["carriers"]:
        name = f"{where}carrier at {carrier['centre_hz'] / 1e6:.3f} MHz"
        reach = _SAME_CARRIER_STD * (carrier["centre_std_hz"] or 0.0) + 1.0
        near = [c for c in left if abs(c["centre_hz"] - carrier["centre_hz"]) <= reach]
        if not near:
            changes.append(Change(name, carrier["kind"], None))
            continue
        other = min(near, key=lambda c: abs(c["centre_hz"] - carrier["centre_hz"]))
        left.remove(other)
        if other["kind"] != carrier["kind"]:
            changes.append(Change(f"{name}, kind", carrier["kind"], other["kind"]))
        for value, std in (("centre_hz", "centre_std_hz"), ("cn_db", "cn_std_db")):
            if _moved(carrier[value], other[value], carrier[std]):
                changes.append(Change(f"{name}, {value}", carrier[value], other[value]))
    changes += [Change(f"{where}carrier at {c['centre_hz'] / 1e6:.3f} MHz", None, c["kind"]) for c in left]
    return changes
