"""Into the archive: folders and files, analysed by a pool of workers, stored entry by entry.

What is stored already is passed over before any work is done on it, so an import that was stopped is resumed by
running it again.
"""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra import __version__
from spectra.archive.notes import keep_notes, last_notes
from spectra.archive.record import RawFile, canonical, entry_key
from spectra.archive.store import Archive, PlanFile, VisitRow, plan_files
from spectra.archive.work import Analysed, Job, Made, MakeJob, analyse_jobs, make_entries, whole_entries, workers
from spectra.errors import SpectraError, UsageError
from spectra.visit.analysis import Traits
from spectra.visit.folder import VisitPlan, context_of, is_carrier_table, is_receive_chain, plan_visit, sweep_files
from spectra.visit.visitfile import NAME, CaptureEntry, read_visit_file

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = ["ImportResult", "add_paths"]

_CHUNK = 200
"""Entries of one folder that are looked over together; more would only cost memory."""
_TOGETHER = 20
"""Entries that one transaction stores: a commit costs as much as some rows, a kill as many analyses."""
_BATCH = 4
"""Entries that a worker takes at a time: few enough that none waits long for the last one of a visit."""
_WHOLE = 24
"""Entries of a visit that one worker takes from the sweep to the record, where there are visits enough for all workers:
what it found of them then need not be packed up between analysis and rules."""
_ENOUGH = 200
"""Entries of an import from which on there are."""
_AHEAD = 48
"""Entries that are under way behind those that are waited for, so that no worker stands idle between visits."""
Tell = Callable[[int, int], None]


@dataclass(slots=True)
class ImportResult:
    """What an import came to: entries stored, entries that were there, files that could not be used."""

    stored: int = 0
    known: int = 0
    failed: list[SpectraError] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """Return the counts and the failures."""
        return {"stored": self.stored, "known": self.known, "failed": [problem.to_dict() for problem in self.failed]}


class _Here:
    """An executor that does the work where it stands."""

    def submit(self, do: Callable[..., Any], *arguments: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(do(*arguments))
        return done


def add_paths(
    archive: Archive,
    paths: Iterable[str | Path],
    *,
    table: str | Path | None = None,
    chain: str | Path | None = None,
    processes: int | None = None,
    tell: Tell | None = None,
    reading: Mapping[str, Any] | None = None,
) -> ImportResult:
    """Analyse sweeps and store them.

    Parameters
    ----------
    archive : Archive
    paths : iterable of str or Path
        Folders (whole trees; a folder with ``visit.toml`` is one visit) and sweep files.
    table, chain : str or Path or None
        Carrier table and receive chain; None takes those of each visit or folder.
    processes : int or None
        Worker processes; None takes one a core; 1 stays in this process.
    tell : callable or None
        Called with (done, all) as entries are stored.
    reading : mapping, optional
        Options of `read_sweeps` stated for all of them (``level_unit``, ``rbw_hz``, ...); they win over sidecars.

    Returns
    -------
    ImportResult
        A file that cannot be used is told there and does not stop the rest.

    Raises
    ------
    UsageError
        If a path does not exist.
    ArchiveError
        If the archive cannot be written to; what was stored before stays.
    """
    result = ImportResult()
    plans: list[VisitPlan] = []
    loaded: dict[Path, Any] = {}
    for path in paths:
        plans += _plans(Path(path), table, chain, result.failed, loaded)
    if reading:
        plans = [_read_with(plan, reading) for plan in plans]
    total = sum(len(plan.entries) for plan in plans)
    done = 0
    with workers(processes) as pool:
        for _ in _import(archive, plans, pool, result):
            done += 1
            if tell is not None:
                tell(done, total)
    return result


def _plans(
    path: Path,
    table: str | Path | None,
    chain: str | Path | None,
    failed: list[SpectraError],
    loaded: dict[Path, Any],
) -> Iterator[VisitPlan]:
    """Yield a plan for every folder that holds a visit, and for every folder of loose sweeps; `loaded` is shared."""
    if not path.exists():
        raise UsageError(str(path), None, "nothing of that name", "a folder or a sweep file", "Check the path.")
    if path.is_file():
        groups: list[tuple[Path, list[Path] | None]] = [(path.parent, [path])]
    else:
        groups = _groups(path)
    for folder, files in groups:
        try:
            told_table = table or _above(folder, path, is_carrier_table, ".csv")
            told_chain = chain or _above(folder, path, is_receive_chain, ".toml")
            yield plan_visit(folder, table=told_table, chain=told_chain, files=files, loaded=loaded)
        except SpectraError as problem:
            failed.append(problem)


def _read_with(plan: VisitPlan, reading: Mapping[str, Any]) -> VisitPlan:
    """Return a plan whose entries are read with options that somebody stated."""
    return replace(plan, entries=tuple(replace(e, context={**e.context, **reading}) for e in plan.entries))


def _groups(root: Path) -> list[tuple[Path, list[Path] | None]]:
    visits = sorted({item.parent for item in root.rglob(NAME)})
    visits = [folder for folder in visits if not any(other in folder.parents for other in visits)]
    groups: list[tuple[Path, list[Path] | None]] = [(folder, None) for folder in visits]
    taken = _named_by(visits)
    loose: dict[Path, list[Path]] = {}
    for file in sweep_files(root):
        if not (taken and file.resolve() in taken) and not any(folder in file.parents for folder in visits):
            loose.setdefault(file.parent, []).append(file)
    return groups + [(folder, files) for folder, files in sorted(loose.items())]


def _named_by(visits: Sequence[Path]) -> set[Path]:
    """Return the files that visits name, which may lie outside their folders."""
    found: set[Path] = set()
    for folder in visits:
        # a visit.toml that cannot be used is told when its own folder is planned
        with suppress(SpectraError):
            found |= {path.resolve() for entry in read_visit_file(folder / NAME).captures for path in entry.files}
    return found


def _above(folder: Path, root: Path, fits: Callable[[Path], bool], suffix: str) -> Path | None:
    """Return the only table (or chain) of the nearest folder above, where the folder itself has none."""
    if (folder / NAME).is_file() or folder == root or root not in folder.parents:
        return None
    for place in (folder, *folder.parents):
        found = [item for item in sorted(place.iterdir()) if item.suffix.lower() == suffix and fits(item)]
        if found:
            return found[0] if len(found) == 1 and place != folder else None
        if place == root:
            break
    return None


@dataclass(slots=True)
class _Chunk:
    """Entries of one folder on their way: being analysed, then being made ready (or both at once), then stored."""

    plan: VisitPlan
    files: tuple[PlanFile | None, PlanFile | None]
    entries: list[CaptureEntry]
    analysed: list[Future[list[Analysed]]] = field(default_factory=list)
    whole: Future[tuple[list[Traits], list[Made]]] | None = None
    traits: list[Traits] = field(default_factory=list)
    made: list[Future[list[Made]]] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.entries)


def _import(
    archive: Archive, plans: Sequence[VisitPlan], pool: Executor | None, result: ImportResult
) -> Iterator[None]:
    """Analyse, make ready and store chunk after chunk, yielding once an entry that is done.

    A visit's rules look at all its captures, so those of a chunk are analysed first; meanwhile the workers have the
    chunks behind it.
    """
    hands = _Here() if pool is None else pool
    ahead = 0 if pool is None else _AHEAD
    whole = 0 if pool is None or sum(len(plan.entries) for plan in plans) < _ENOUGH else _WHOLE
    analysing: deque[_Chunk] = deque()
    making: deque[_Chunk] = deque()

    def moved(least: int) -> Iterator[None]:
        while analysing and _behind(analysing) >= least:
            chunk = analysing.popleft()
            _make(chunk, hands)
            making.append(chunk)
        while making and _behind(making) >= least:
            yield from _store(archive, making.popleft(), result)

    for plan in plans:
        for start in range(0, len(plan.entries), _CHUNK):
            entries = plan.entries[start : start + _CHUNK]
            chunk = _analyse(archive, plan, entries, hands, pool is not None, whole)
            analysing.append(chunk)
            for _ in range(len(entries) - len(chunk)):
                result.known += 1
                yield
            yield from moved(ahead)
    yield from moved(0)


def _behind(chunks: deque[_Chunk]) -> int:
    return sum(len(chunk) for chunk in chunks) - len(chunks[0])


def _analyse(
    archive: Archive,
    plan: VisitPlan,
    entries: Sequence[CaptureEntry],
    hands: Executor | _Here,
    packed: bool,
    whole: int,
) -> _Chunk:
    """Start on what is new of some entries; up to `whole` of them, if they are all of a visit, go in one piece."""
    files = plan_files(((plan.table_path, plan.table), (plan.chain_path, plan.chain)))
    fresh = _fresh(archive, plan, entries, files)
    jobs = [Job(plan.root, plan.written.head, entry, plan.table_path, plan.chain_path) for entry in fresh]
    chunk = _Chunk(plan, files, fresh)
    if jobs and len(entries) <= whole:
        chunk.whole = hands.submit(whole_entries, jobs, _sha256(files[0]))
    else:
        parts = [jobs[k : k + _BATCH] for k in range(0, len(jobs), _BATCH)]
        chunk.analysed = [hands.submit(analyse_jobs, part, packed) for part in parts]
    return chunk


def _sha256(file: PlanFile | None) -> str | None:
    return None if file is None else file.sha256


def _make(chunk: _Chunk, hands: Executor | _Here) -> None:
    """Start the rules on what was analysed; a chunk that is whole has them under way."""
    answers = [future.result() for future in chunk.analysed]
    chunk.analysed = []
    chunk.traits = [one for part in answers for analysed in part for one in analysed.traits]
    plan, sha256 = chunk.plan, _sha256(chunk.files[0])
    entries = iter(chunk.entries)
    for part in answers:
        own = [next(entries) for _ in part]
        job = MakeJob(own, part, chunk.traits, plan.table_path, plan.chain_path, sha256)
        chunk.made.append(hands.submit(make_entries, job))


def _store(archive: Archive, chunk: _Chunk, result: ImportResult) -> Iterator[None]:
    """Store what was made ready, yielding once an entry."""
    made = [one for future in chunk.made for one in future.result()]
    if chunk.whole is not None:
        chunk.traits, made = chunk.whole.result()
    visit = _visit_row(chunk.plan, chunk.traits)
    table, chain = chunk.files
    for start in range(0, len(made), _TOGETHER):
        some = made[start : start + _TOGETHER]
        result.failed += [problem for one in some for problem in one.failed]
        ready = [one.record for one in some if one.record is not None]
        if ready:
            stored = archive.add_all(ready, visit=visit, plan=table, chain=chain)
            result.stored += sum(stored)
            result.known += len(stored) - sum(stored)
        yield from (None for _ in some)
    if chunk.traits:
        _keep_attachments(archive, chunk.plan, visit.key)


def _fresh(
    archive: Archive, plan: VisitPlan, entries: Sequence[CaptureEntry], files: Sequence[PlanFile | None]
) -> list[CaptureEntry]:
    """Return the entries that are not stored with a result of this table, chain and software."""
    plan_sha, chain_sha = map(_sha256, files)
    hashes = [_hashes(entry) for entry in entries]
    # what was never seen needs no closer look; a file that cannot be read tells so when its sweeps are read
    there = archive.holds_raw({digest for some in hashes for digest in some})
    keys = [
        _key(plan, entry, some) if some and there.issuperset(some) else None
        for entry, some in zip(entries, hashes, strict=True)
    ]
    held = archive.holds_all([key for key in keys if key is not None], plan_sha, chain_sha, __version__)
    return [entry for entry, key in zip(entries, keys, strict=True) if key not in held]


def _keep_attachments(archive: Archive, plan: VisitPlan, visit: str) -> None:
    """Keep the photos and texts that ``visit.toml`` names, unless something was written to the visit already."""
    found = [(RawFile(item.path.name, item.path.read_bytes()), item.caption) for item in plan.written.attachments]
    if found and last_notes(archive, visit) is None:
        keep_notes(archive, visit, attachments=found)


def _hashes(entry: CaptureEntry) -> list[str]:
    try:
        return [RawFile(path.name, path.read_bytes()).sha256 for path in entry.files]
    except OSError:
        return []


def _key(plan: VisitPlan, entry: CaptureEntry, hashes: Sequence[str]) -> str | None:
    """Return an entry's key without reading its sweeps; None where that fails (the reading then tells why)."""
    try:
        context, reading = context_of(plan, entry)
    except (SpectraError, OSError):
        return None
    return entry_key(hashes, context.to_dict(), reading)


def _visit_row(plan: VisitPlan, traits: Sequence[Traits]) -> VisitRow:
    head = plan.written.head

    def said(key: str) -> str | None:
        values = {getattr(one, key) for one in traits} - {None}
        return getattr(head, key) or (str(values.pop()) if len(values) == 1 else None)

    vessel, terminal = said("vessel"), said("terminal")
    text = canonical({"head": head.to_dict(), "limits": plan.written.limits.to_dict()})
    key = hashlib.sha256(canonical(["visit", plan.root.name, vessel, terminal, text]).encode()).hexdigest()
    return VisitRow(key, plan.root.name, vessel, terminal, text)
