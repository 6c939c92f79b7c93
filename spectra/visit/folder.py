"""From a folder as it came off the stick to a `Visit`."""

from __future__ import annotations

import csv
import dataclasses
import itertools
import tomllib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.capture import Capture, Context, context_from_mapping, read_context, sidecar_path
from spectra.errors import SpectraError, VisitError
from spectra.visit.hints import Suggestion, suggest
from spectra.visit.visit import STAGES, Visit, VisitCapture, VisitHead
from spectra.visit.visitfile import NAME, CaptureEntry, VisitFile, read_visit_file

if TYPE_CHECKING:
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable
    from spectra.sweep import Sweep

__all__ = [
    "VisitPlan",
    "context_of",
    "is_carrier_table",
    "is_receive_chain",
    "load_visit",
    "may_be_sweeps",
    "plan_visit",
    "read_entries",
    "sweep_files",
]

_SWEEP_SUFFIXES = {".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".gz", ".zip"}
_SEGMENT_OVERLAP = 0.5
"""Sweeps of one file that share less than this part of the narrower span are segments, else repeats."""


def load_visit(folder: str | Path, *, table: str | Path | None = None, chain: str | Path | None = None) -> Visit:
    """Read a visit: every sweep of the folder with its context, the carrier table, the receive chain, the limits.

    Parameters
    ----------
    folder : str or Path
        Folder with sweep files (and folders below it), their sidecars, and perhaps ``visit.toml``.
    table, chain : str or Path or None
        Carrier table and receive chain; None takes those that ``visit.toml`` names, else the only ones in the folder
        (which the visit's `assumptions` then tell).

    Returns
    -------
    Visit
        A file that cannot be used is kept in `failed`, the rest is loaded.

    Raises
    ------
    VisitError
        If the folder is none or holds no sweep file, if ``visit.toml`` cannot be used, or if several tables or chains
        lie in the folder and nothing says which.
    TableError, ChainError
        If the table or the chain cannot be used.
    """
    plan = plan_visit(folder, table=table, chain=chain)
    captures, failed = read_entries(plan, plan.entries)
    states = [] if plan.chain is None else [state.name for state in plan.chain.lo_states]
    return Visit(
        folder=plan.root,
        head=plan.written.head,
        captures=_in_order(captures),
        table=plan.table,
        chain=plan.chain,
        limits=plan.written.limits,
        suggestions=_suggestions(captures, states),
        failed=tuple(failed),
        assumptions=plan.assumptions,
        attachments=plan.written.attachments,
        table_path=plan.table_path,
        chain_path=plan.chain_path,
    )


@dataclass(frozen=True, slots=True)
class VisitPlan:
    """A folder before its sweeps are read: what ``visit.toml`` says, which files make which capture."""

    root: Path
    written: VisitFile
    entries: tuple[CaptureEntry, ...]
    table: CarrierTable | None = None
    chain: ReceiveChain | None = None
    table_path: Path | None = None
    chain_path: Path | None = None
    assumptions: tuple[str, ...] = ()


def plan_visit(
    folder: str | Path,
    *,
    table: str | Path | None = None,
    chain: str | Path | None = None,
    files: Sequence[Path] | None = None,
    loaded: dict[Path, Any] | None = None,
) -> VisitPlan:
    """Return what a folder holds without reading its sweeps; arguments and errors as for `load_visit`.

    `files` names the sweep files to take instead of all of the folder. `loaded` holds tables and chains by their
    resolved paths, and gets those that were not in it: many folders share one.
    """
    from spectra.plan import load_chain, load_table

    root = Path(folder)
    if not root.is_dir():
        raise VisitError(str(root), None, "no folder of that name", "a folder with sweep files", "Check the path.")
    written = read_visit_file(root / NAME) if (root / NAME).is_file() else VisitFile()
    assumptions: list[str] = []
    table_path = _one_of(table, written.table, root, is_carrier_table, ".csv", "carrier table", assumptions)
    chain_path = _one_of(chain, written.chain, root, is_receive_chain, ".toml", "receive chain", assumptions)
    loaded_table: CarrierTable | None = _loaded(table_path, load_table, loaded)
    loaded_chain: ReceiveChain | None = _loaded(chain_path, load_chain, loaded)
    left_out = [item.path for item in written.attachments] + [path for path in (table_path,) if path is not None]
    if files is None:
        entries = _entries(root, written, left_out)
    elif not written.captures:
        entries = [CaptureEntry((path,), {}) for path in files]
    else:
        wanted = {path.resolve() for path in files}
        named = [entry for entry in written.captures if wanted & {path.resolve() for path in entry.files}]
        known = {path.resolve() for entry in named for path in entry.files}
        entries = [*named, *(CaptureEntry((path,), {}) for path in files if path.resolve() not in known)]
    if not entries:
        raise VisitError(
            str(root), None, "no sweep file in the folder", "files such as noon.csv", "Name the folder of the sweeps."
        )
    return VisitPlan(
        root, written, tuple(entries), loaded_table, loaded_chain, table_path, chain_path, tuple(assumptions)
    )


def _loaded(path: Path | None, load: Callable[[Path], Any], loaded: dict[Path, Any] | None) -> Any:
    if path is None:
        return None
    held = {} if loaded is None else loaded
    key = path.resolve()
    if key not in held:
        held[key] = load(path)
    return held[key]


def read_entries(plan: VisitPlan, entries: Iterable[CaptureEntry]) -> tuple[list[VisitCapture], list[SpectraError]]:
    """Read the sweeps of entries; those that cannot be used come back as their errors."""
    pile = _Pile(plan.root, plan.written.head)
    for entry in entries:
        pile.add(entry)
    return pile.captures, pile.failed


def may_be_sweeps(root: Path) -> list[Path]:
    """Return the files below a folder (whole tree, by name) that may be sweeps, judged by their names alone."""
    return [
        item
        for item in sorted(root.rglob("*"))
        if item.suffix.lower() in _SWEEP_SUFFIXES and item.is_file() and not item.name.startswith(".")
    ]


def sweep_files(root: Path, leave_out: Iterable[Path] = ()) -> list[Path]:
    """Return the files below a folder that may be sweeps, by name; carrier tables and hidden files are none."""
    left_out = {path.resolve() for path in leave_out}
    return [
        item
        for item in may_be_sweeps(root)
        if not (left_out and item.resolve() in left_out) and not is_carrier_table(item)
    ]


def is_carrier_table(path: Path) -> bool:
    """Say whether the first line of a text file has the required columns of a carrier table."""
    if path.suffix.lower() not in {".csv", ".txt", ".tsv"}:
        return False
    try:
        with path.open("rb") as stream:
            head = stream.read(2000)
    except OSError:
        return False
    text = head.decode("utf-16" if head[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig", errors="replace")
    first = [line.replace(";", ",").replace("\t", ",") for line in text.lower().splitlines()[:1]]
    if not any("satellite" in line.replace('"', "") for line in first):
        return False  # nor can a cell be that then
    try:
        cells = {cell.strip().strip('"') for row in csv.reader(first) for cell in row}
    except csv.Error:
        return False
    return {"satellite", "polarisation", "rf_mhz"} <= cells


def is_receive_chain(path: Path) -> bool:
    """Say whether a TOML file has the sections of a receive chain."""
    if path.suffix.lower() != ".toml":
        return False
    try:
        values = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError):  # TOMLDecodeError and UnicodeDecodeError are ValueErrors
        return False
    return "chain" in values and "lo_state" in values


def _one_of(
    stated: str | Path | None,
    written: Path | None,
    root: Path,
    fits: Any,
    suffix: str,
    what: str,
    assumptions: list[str],
) -> Path | None:
    """Return the stated file, else the written one, else the only one in the folder; several raise."""
    if stated is not None:
        return Path(stated)
    if written is not None:
        return written
    found = [path for path in sorted(root.iterdir()) if path.suffix.lower() == suffix and fits(path)]
    if len(found) > 1:
        names = ", ".join(path.name for path in found)
        option = "--table" if suffix == ".csv" else "--chain"
        raise VisitError(
            str(root), None, f"{len(found)} files that can be the {what} ({names})", "one", f"Name it with {option}."
        )
    if found:
        assumptions.append(f"{found[0].name} taken as the {what}: the only one in the folder")
        return found[0]
    return None


def _entries(root: Path, written: VisitFile, left_out: Sequence[Path]) -> list[CaptureEntry]:
    named = {path.resolve() for entry in written.captures for path in entry.files}
    rest = [path for path in sweep_files(root, left_out) if not (named and path.resolve() in named)]
    return [*written.captures, *(CaptureEntry((path,), {}) for path in rest)]


@dataclass
class _Pile:
    """Captures and failures while a folder is read."""

    root: Path
    head: VisitHead
    captures: list[VisitCapture] = field(default_factory=list)
    failed: list[SpectraError] = field(default_factory=list)

    def add(self, entry: CaptureEntry) -> None:
        """Read the files of one entry; a file that cannot be used fails the whole entry, never part of it."""
        from spectra.readers import read_sweeps

        try:
            said = _sidecars(entry)
            context, reading = _context(self.head, entry, said)
            notes = _notes(entry, said)
            per_file = [read_sweeps(path, **options) for path, options in zip(entry.files, reading, strict=True)]
        except SpectraError as problem:
            self.failed.append(problem)
            return
        name = _relative(entry.files[0], self.root)
        sweeps = [sweep for found in per_file for sweep in found]
        if len(entry.files) > 1 or len(sweeps) == 1 or _are_segments(sweeps):
            self.captures.append(VisitCapture(Capture(tuple(sweeps), context, name), entry.files, notes, reading))
            return
        for number, sweep in enumerate(sweeps, 1):
            capture = Capture((sweep,), context, f"{name} (sweep {number})")
            self.captures.append(VisitCapture(capture, entry.files, notes, reading, number))


def context_of(plan: VisitPlan, entry: CaptureEntry) -> tuple[Context, tuple[dict[str, Any], ...]]:
    """Return the context of an entry and, for each file, the options it is read with, before any sweep is read.

    The sidecar of the first file counts; what ``visit.toml`` says of the entry wins; its head fills gaps.

    Raises
    ------
    ContextError
        If a sidecar or a key cannot be used.
    """
    return _context(plan.written.head, entry, _sidecars(entry))


def _sidecars(entry: CaptureEntry) -> list[Context | None]:
    """Return what the sidecar of each file says, None where there is none."""
    paths = [sidecar_path(path) for path in entry.files]
    return [read_context(path) if path.is_file() else None for path in paths]


def _context(
    head: VisitHead, entry: CaptureEntry, said: Sequence[Context | None]
) -> tuple[Context, tuple[dict[str, Any], ...]]:
    from spectra.readers.face import OPTION_NAMES

    known = [Context() if context is None else context for context in said]
    reading = tuple(
        {key: value for key, value in {**context.extra, **entry.context}.items() if key in OPTION_NAMES}
        for context in known
    )
    told = known[0]
    if not entry.context:
        return _with_head(head, told), reading
    stated = context_from_mapping({key: v for key, v in entry.context.items() if key not in OPTION_NAMES}, NAME)
    changes = {key: getattr(stated, key) for key in entry.context if key in Context.__dataclass_fields__}
    kept = () if "captured_at" in changes else told.assumptions
    merged = dataclasses.replace(
        told, **{**changes, "extra": {**told.extra, **stated.extra}, "assumptions": (*kept, *stated.assumptions)}
    )
    return _with_head(head, merged), reading


def _with_head(head: VisitHead, context: Context) -> Context:
    """Return the context with what the head of ``visit.toml`` says of all captures, where it is silent itself."""
    fill: dict[str, Any] = {}
    for key in ("vessel", "terminal", "expected_satellite", "expected_polarisation"):
        # which polarisation a cross port shows follows from the port, not from what the vessel works on
        if key == "expected_polarisation" and context.port == "cross":
            continue
        if getattr(context, key) is None and getattr(head, key) is not None:
            fill[key] = getattr(head, key)
    return dataclasses.replace(context, **fill) if fill else context


def _notes(entry: CaptureEntry, said: Sequence[Context | None]) -> tuple[str, ...]:
    """Tell where sidecars and ``visit.toml`` differ, and check the one key of a sidecar that is the visit's own."""
    notes: list[str] = []
    told = []
    for path, context in zip(entry.files, said, strict=True):
        if context is None:
            continue
        sidecar = sidecar_path(path)
        told.append(context)
        stage = context.extra.get("stage")
        if stage is not None and stage not in STAGES:
            raise VisitError(str(sidecar), None, f"stage = {stage!r}", "one of " + ", ".join(STAGES), "Mend that line.")
        written = context_from_mapping(entry.context, NAME)
        for key in entry.context:
            old, new = (_key(said, key) for said in (context, written))
            if old is not None and old != new:
                notes.append(f"{NAME} says {key} = {new}, {sidecar.name} says {old}: {NAME} is taken")
    for other in told[1:]:
        differing = [
            key for key in ("port", "lo_state", "role", "expected_satellite") if _key(other, key) != _key(told[0], key)
        ]
        if differing:
            notes.append(f"sidecars of the segments differ in {', '.join(differing)}: that of the first is taken")
    return tuple(notes)


def _key(context: Context, key: str) -> Any:
    return getattr(context, key) if key in Context.__dataclass_fields__ else context.extra.get(key)


def _relative(path: Path, root: Path) -> str:
    """Return a path within the visit's folder; of a file beside the folder, what follows its way up."""
    try:
        inside = path.relative_to(root)
    except ValueError:
        return path.name
    return "/".join(part for part in inside.parts if part != "..")


def _are_segments(sweeps: Sequence[Sweep]) -> bool:
    ordered = sorted(sweeps, key=lambda sweep: sweep.start_hz)
    return all(
        left.stop_hz - right.start_hz
        < _SEGMENT_OVERLAP * min(left.stop_hz - left.start_hz, right.stop_hz - right.start_hz)
        for left, right in itertools.pairwise(ordered)
    )


def _in_order(captures: Sequence[VisitCapture]) -> tuple[VisitCapture, ...]:
    times = [capture.captured_at for capture in captures]
    if all(time is not None for time in times):
        return tuple(sorted(captures, key=lambda capture: (capture.captured_at, capture.name)))
    return tuple(sorted(captures, key=lambda capture: capture.name))


def _suggestions(captures: Sequence[VisitCapture], lo_states: Sequence[str]) -> tuple[Suggestion, ...]:
    found: dict[Suggestion, None] = {}
    for capture in captures:
        for path in capture.files:
            found.update(dict.fromkeys(suggest(path.name, capture.context, lo_states)))
    return tuple(found)
