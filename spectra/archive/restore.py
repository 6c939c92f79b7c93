"""Out of the archive as objects again: a capture's review, and a whole visit judged, without measuring anew.

Results that were stored without their curves (by an earlier version) are measured again for those alone.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from spectra.archive.curves import floor_of
from spectra.archive.database import reading, told
from spectra.archive.notes import last_notes, lay_over
from spectra.archive.schema import CAPTURE, NOTE, RAW, VISIT
from spectra.archive.store import Archive, capture_value
from spectra.capture import Capture, context_from_mapping
from spectra.cautions import CATALOGUE
from spectra.errors import ArchiveError, SpectraError
from spectra.finding import Evidence, Finding, Subjects, step
from spectra.identify.identification import Candidate, Expected, Identification, RollCallEntry, Thresholds
from spectra.measure.measurement import Carrier, Floor, Measurement
from spectra.visit.analysis import CaptureReview
from spectra.visit.review import VisitReview, judge
from spectra.visit.visit import Limits, Visit, VisitCapture, VisitHead

if TYPE_CHECKING:
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable
    from spectra.sweep import Sweep

__all__ = [
    "captures_of_file",
    "load_plan",
    "restore_capture",
    "restore_visit",
    "visit_captures",
    "visit_row",
    "visit_state",
]


def restore_capture(archive: Archive, value: Mapping[str, Any], folder: Path | None = None) -> CaptureReview:
    """Return a stored capture as it was when it was analysed.

    Parameters
    ----------
    archive : Archive
    value : mapping
        What `Archive.capture` returned; the first of its results is taken.
    folder : Path or None
        Where to write its raw files, so that reports can give them along; None leaves them in the archive.

    Raises
    ------
    ArchiveError
        If raw bytes are missing or damaged.
    """
    paths, sweeps = _sweeps(archive, value, folder)
    context = {key: item for key, item in value["context"].items() if key != "assumptions"}
    source = VisitCapture(
        Capture(tuple(sweeps), context_from_mapping(context, value["name"]), value["name"]),
        tuple(paths),
        reading=tuple(MappingProxyType(options) for options in value["reading"]),
        number=value["number"],
    )
    if not value["results"]:
        return CaptureReview(source)
    body = value["results"][0]
    curves = body.get("curves") or [None] * len(body["measurements"])
    measurements = tuple(
        _measurement(sweep, said, curve)
        for sweep, said, curve in zip(sweeps, body["measurements"], curves, strict=False)
    )
    found = body["identification"]
    return CaptureReview(
        source,
        measurements,
        None if found is None else _identification(found),
        tuple(_finding(item) for item in body["findings"]),
        tuple(_problem(item) for item in body["failed"]),
    )


def restore_visit(archive: Archive, key: str, folder: Path | None = None, *, notes: bool = True) -> VisitReview:
    """Return a stored visit judged anew on its stored results; arguments and errors as for `restore_capture`.

    Captures that were replaced by others with a better context are left out. Table and chain are those of the newest
    result that has both. What was written to the visit since (see `spectra.archive.notes`) is laid over it,
    unless `notes` is False.
    """
    row = visit_row(archive, key)
    values = visit_captures(archive, row["key"])
    if not values:
        raise ArchiveError(archive.where, None, f"a visit without captures ({key})", "captures", "Look in the list.")
    reviews = tuple(
        restore_capture(archive, value, None if folder is None else folder / str(number))
        for number, value in enumerate(values, 1)
    )
    newest = sorted((v["results"][0] for v in values if v["results"]), key=lambda result: str(result["made_at"]))
    plans = [(r["plan"], r["chain"]) for r in newest if r["plan"] is not None and r["chain"] is not None]
    plan, chain = plans[-1] if plans else (None, None)
    table, table_path = _plan(archive, plan, "plan", folder)
    held, chain_path = _plan(archive, chain, "chain", folder)
    said = json.loads(row["head"])
    head = {**said["head"], "extra": MappingProxyType(said["head"].get("extra", {}))}
    visit = Visit(
        folder=Path(row["folder"]) if folder is None else folder,
        head=VisitHead(**_known(VisitHead, head)),
        captures=tuple(review.source for review in reviews),
        table=table,
        chain=held,
        limits=Limits(**_known(Limits, said["limits"])),
        table_path=table_path,
        chain_path=chain_path,
    )
    written = last_notes(archive, row["key"]) if notes else None
    return judge(visit if written is None else lay_over(archive, visit, written, folder), reviews)


def visit_row(archive: Archive, key: str) -> dict[str, Any]:
    """Return what is stored of a visit itself; `key` may be the beginning of its key that fits only one.

    Raises
    ------
    ArchiveError
        If there is none, or several begin so.
    """
    begins = (VISIT.c.key >= key) & (VISIT.c.key < key + "g")
    with told(archive.where), reading(archive.engine) as connection:
        found = connection.execute(sa.select(VISIT).where(begins).limit(2)).mappings().all()
    if len(found) != 1:
        what = "no visit" if not found else "several visits"
        raise ArchiveError(archive.where, None, f"{what} whose key begins with {key!r}", "one", "Look in the list.")
    return dict(found[0])


def captures_of_file(archive: Archive, sha256: str) -> list[dict[str, Any]]:
    """Return the captures that a raw file gave, by its SHA-256: key, name, visit, verdict; replaced ones left out."""
    names = ("key", "name", "visit", "verdict", "faults", "warnings")
    query = (
        sa.select(*(CAPTURE.c[name] for name in names))
        .join(RAW, RAW.c.capture == CAPTURE.c.id)
        .where(RAW.c.blob == sha256, CAPTURE.c.replaced.is_(False))
        .order_by(CAPTURE.c.number)
    )
    with told(archive.where), reading(archive.engine) as connection:
        return [dict(row) for row in connection.execute(query).mappings()]


def visit_state(archive: Archive, key: str, *, notes: bool = True) -> tuple[int, str]:
    """Return how many captures count for a visit, and a hash that changes when one, its result or the notes do."""
    query = sa.select(CAPTURE.c.result).where(CAPTURE.c.visit == key, CAPTURE.c.replaced.is_(False))
    with told(archive.where), reading(archive.engine) as connection:
        results = connection.execute(query).scalars().all()
        written = connection.execute(sa.select(NOTE.c.key).where(NOTE.c.visit == key)).scalars().all() if notes else []
    stamp = "\n".join(sorted(str(r) for r in (*results, *written)))
    return len(results), hashlib.sha256(stamp.encode()).hexdigest()


def visit_captures(archive: Archive, key: str) -> list[dict[str, Any]]:
    """Return the captures of a visit with all that hangs on them, by time; those replaced later are left out."""
    query = sa.select(CAPTURE).where(CAPTURE.c.visit == key, CAPTURE.c.replaced.is_(False))
    with told(archive.where), reading(archive.engine) as connection:
        rows = connection.execute(query.order_by(CAPTURE.c.captured_at, CAPTURE.c.name, CAPTURE.c.id)).mappings().all()
        return [capture_value(connection, row) for row in rows]


def load_plan(archive: Archive, plan: str | None, chain: str | None) -> tuple[CarrierTable | None, ReceiveChain | None]:
    """Return a stored carrier table and receive chain by their hashes; None for those that are not named."""
    return _plan(archive, plan, "plan", None)[0], _plan(archive, chain, "chain", None)[0]


def _plan(archive: Archive, sha256: str | None, kind: str, folder: Path | None) -> tuple[Any, Path | None]:
    import tempfile

    from spectra.plan import load_chain, load_table

    if sha256 is None:
        return None, None
    raw = archive.plan_file(sha256, kind).raw
    load = load_table if kind == "plan" else load_chain
    if folder is not None:
        path = _written(folder, raw.name, raw.data)
        return load(path), path
    with tempfile.TemporaryDirectory(prefix="sweepmuster-") as place:
        return load(_written(Path(place), raw.name, raw.data)), None


def _sweeps(archive: Archive, value: Mapping[str, Any], folder: Path | None) -> tuple[list[Path], list[Sweep]]:
    from spectra.readers.face import read_bytes

    paths: list[Path] = []
    sweeps: list[Sweep] = []
    options = list(value["reading"]) or [{}]
    for place, item in enumerate(value["raw"]):
        data = archive.blob(item["sha256"])
        name = PurePosixPath(item["file"].replace("\\", "/")).name  # the name alone: it must not lead anywhere
        home = None if folder is None else folder if len(value["raw"]) == 1 else folder / str(place + 1)
        paths.append(Path(name) if home is None else _written(home, name, data))
        sweeps += read_bytes(data, name, **options[min(place, len(options) - 1)])
    if value["sweeps"] < len(sweeps):
        sweeps = sweeps[value["number"] - 1 : value["number"]]
    return paths, sweeps


def _written(folder: Path, name: str, data: bytes) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    if not path.is_file() or path.read_bytes() != data:
        path.write_bytes(data)
    return path


def _known(kind: Any, values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values that a class has fields for: a newer version may have stored more."""
    names = {field.name for field in fields(kind)}
    return {key: value for key, value in values.items() if key in names}


def _carrier(said: Mapping[str, Any]) -> Carrier:
    values = _known(Carrier, said)
    values["interval95"] = {name: (low, high) for name, (low, high) in said["interval95"].items()}
    values["flags"] = tuple(said["flags"])
    return Carrier(**values)


def _measurement(sweep: Sweep, said: Mapping[str, Any], curves: Mapping[str, Any] | None) -> Measurement:
    from spectra.readers.rf_axis import taken_back

    head = said["sweep"]
    sweep = taken_back(sweep, head["start_hz"], head["assumptions"])
    if curves is None or curves["points"] != sweep.points:
        from spectra.measure import measure

        again = measure(sweep)
        level, std, observed, model = again.floor.level_dbm, again.floor.std_db, again.floor.observed, again.model_dbm
        correlated = again.correlated_points
    else:
        level, std, observed, model = floor_of(curves)
        correlated = float(curves["correlated_points"])
    return Measurement(
        sweep=sweep,
        floor=Floor(**_known(Floor, said["floor"]), level_dbm=level, std_db=std, observed=observed),
        carriers=tuple(_carrier(item) for item in said["carriers"]),
        readings_per_point=head["readings_per_point"],
        readings_std=head["readings_std"],
        correlated_points=correlated,
        model_dbm=model,
        findings=tuple(_finding(item) for item in said["findings"]),
    )


def _identification(said: Mapping[str, Any]) -> Identification:
    candidates = tuple(Candidate(**_known(Candidate, item)) for item in said["candidates"])
    best = Candidate(**_known(Candidate, {k: v for k, v in said.items() if k not in ("matched", "why_not")}))
    hypothesis = (best.satellite, best.beam, best.polarisation, best.lo_state, best.injection)
    same = [c for c in candidates if (c.satellite, c.beam, c.polarisation, c.lo_state, c.injection) == hypothesis]
    return Identification(
        verdict=said["verdict"],
        best=same[0] if same else best,
        position_confirmed=said["position_confirmed"],
        expected=Expected(**_known(Expected, said["expected"])),
        candidates=candidates,
        roll_call=tuple(RollCallEntry(**_known(RollCallEntry, item)) for item in said["roll_call"]),
        unlisted=tuple((item["sweep"], _carrier(item)) for item in said["unlisted"]),
        findings=tuple(_finding(item) for item in said["findings"]),
        table_file=said["table"]["file"],
        table_sha256=said["table"]["sha256"],
        table_rows=said["table"]["rows"],
        chain=said["chain"],
        thresholds=Thresholds(**_known(Thresholds, said["thresholds"])),
        sentence=said.get("sentence", ""),
        sweep_files=tuple(said.get("sweeps", ())),
    )


def _finding(said: Mapping[str, Any]) -> Finding:
    subjects = said["subjects"]
    return Finding(
        code=said["code"],
        severity=said["severity"],
        answer=said["answer"],
        probability=said["probability"],
        title=said["title"],
        explanation=said["explanation"],
        evidence=tuple(Evidence(**_known(Evidence, item)) for item in said["evidence"]),
        subjects=Subjects(tuple(subjects["captures"]), tuple(subjects["carriers"]), tuple(subjects["rows"])),
        # with every caution that today's catalogue asks for, whatever that of the day did
        next_steps=tuple(step(s["text"], *_held(s["cautions"])) for s in said["next_steps"]),
    )


def _held(ids: Iterable[str]) -> Sequence[str]:
    return [id_ for id_ in ids if id_ in CATALOGUE]


def _problem(said: Mapping[str, Any]) -> SpectraError:
    return SpectraError(said["file"], said["line"], said["found"], said["expected"], said["mend"], said.get("column"))
