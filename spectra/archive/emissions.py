"""The log of interferers from stored results: followed through years of captures without measuring anything again."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spectra.archive.query import Search, whole_captures
from spectra.archive.store import Archive
from spectra.capture import Context, context_from_mapping
from spectra.findings.emissions import Emissions, Look, Sighting, track
from spectra.findings.interference_sets import has_a_place

if TYPE_CHECKING:
    from spectra.plan.chain import LoState, ReceiveChain
    from spectra.plan.table import CarrierTable

__all__ = ["StoredLog", "StoredLook", "stored_log", "stored_looks"]

_UNKNOWN_OFFSET_HZ = 300e3
"""Standard uncertainty of an IF offset that no identification tells (common practice, no source)."""
_GUESTS = ("interference.cw_under_carrier", "interference.bump_under_carrier")
_HUMP_ROLL_OFF = 0.5


@dataclass(frozen=True, slots=True)
class StoredLook:
    """One stored sweep as it can be looked at again.

    Attributes
    ----------
    look : Look
    context : Context
    key : str
        Of the capture.
    sweep : int
        Which sweep of the capture.
    offset_hz, offset_std_hz : float
        IF offset that its identification found, or 0 and how little that is known.
    state : LoState or None
    table : str or None
        Content hash of the carrier table of the current result.
    sightings : tuple of Sighting
        Unlisted carriers and what stands under listed ones; their `look` is not set yet (0).
    raw : tuple of (str, str)
        Name and SHA-256 of the raw files, in order.
    reading : tuple of mapping
        Options they were read with.
    rbw_hz, readings : float or None
        Resolution bandwidth, and independent readings in a point, as measured.
    """

    look: Look
    context: Context
    key: str
    sweep: int
    offset_hz: float
    offset_std_hz: float
    state: LoState | None
    table: str | None
    sightings: tuple[Sighting, ...]
    raw: tuple[tuple[str, str], ...]
    reading: tuple[Mapping[str, Any], ...]
    rbw_hz: float | None = None
    readings: float | None = None


@dataclass(frozen=True, slots=True)
class StoredLog:
    """The log over stored captures; `looks` are in the order of the log's."""

    emissions: Emissions
    looks: tuple[StoredLook, ...]

    def tables(self, archive: Archive) -> tuple[CarrierTable | None, ...]:
        """Return the carrier table that each look's result was made with."""
        known: dict[str | None, CarrierTable | None] = {None: None}
        for one in self.looks:
            if one.table not in known and one.table is not None:
                known[one.table] = _loaded_table(archive, one.table)
        return tuple(known[one.table] for one in self.looks)

    @property
    def contexts(self) -> tuple[Context, ...]:
        """Context of every look."""
        return tuple(one.context for one in self.looks)


def stored_log(archive: Archive, search: Search | None = None) -> StoredLog:
    """Follow every interferer through the current results of stored captures.

    Parameters
    ----------
    archive : Archive
    search : Search or None
        Which captures; None takes all that no later context replaced.

    Returns
    -------
    StoredLog
        Carriers that no row explained when the result was made, and what stood under carriers. Where a capture was
        never identified, every carrier of it counts.
    """
    looks = tuple(stored_looks(archive, search))
    sightings = [
        Sighting(number, *(getattr(s, name) for name in Sighting.__dataclass_fields__ if name != "look"))
        for number, one in enumerate(looks)
        for s in one.sightings
    ]
    return StoredLog(track([one.look for one in looks], sightings), looks)


def stored_looks(archive: Archive, search: Search | None = None) -> Iterator[StoredLook]:
    """Yield every stored sweep of the captures that fit, as far as a result of it is there."""
    chains: dict[str, ReceiveChain] = {}
    for capture in whole_captures(archive, search or Search()):
        current = capture["results"][0] if capture["results"] else None
        if current is None:
            continue
        chain = _chain(archive, current["chain"], chains)
        for number, measurement in enumerate(current["measurements"]):
            yield _look(capture, current, number, measurement, chain)


def _chain(archive: Archive, sha256: str | None, known: dict[str, ReceiveChain]) -> ReceiveChain | None:
    from spectra.plan import load_chain

    if sha256 is None:
        return None
    if sha256 not in known:
        with _as_file(archive, sha256, "chain") as path:
            known[sha256] = load_chain(path)
    return known[sha256]


def _loaded_table(archive: Archive, sha256: str) -> CarrierTable:
    from spectra.plan import load_table

    with _as_file(archive, sha256, "plan") as path:
        return load_table(path)


@contextmanager
def _as_file(archive: Archive, sha256: str, kind: str) -> Iterator[Path]:
    """Give a stored table or chain as a file, while it is loaded."""
    raw = archive.plan_file(sha256, kind).raw
    with tempfile.TemporaryDirectory(prefix="sweepmuster-") as folder:
        path = Path(folder) / Path(raw.name).name
        path.write_bytes(raw.data)
        yield path


def _look(
    capture: Mapping[str, Any],
    current: Mapping[str, Any],
    number: int,
    measurement: Mapping[str, Any],
    chain: ReceiveChain | None,
) -> StoredLook:
    context = context_from_mapping(
        {key: value for key, value in capture["context"].items() if key != "assumptions"}, "archive"
    )
    found, sweep = current["identification"], measurement["sweep"]
    name = context.lo_state if found is None or found["lo_state"] is None else found["lo_state"]
    state = None if chain is None else next((s for s in chain.lo_states if s.name == name), None)
    offset, std = 0.0, _UNKNOWN_OFFSET_HZ
    if found is not None and found["if_offset_hz"] is not None:
        offset, std = found["if_offset_hz"], found["if_offset_std_hz"] or 1e3
    taken = capture["captured_at"] or sweep["captured_at"]
    look = Look(
        capture["name"],
        sweep["start_hz"],
        sweep["stop_hz"],
        None if taken is None else datetime.fromisoformat(taken),
        None if state is None else state.lo_hz,
        1.0 if state is None else state.sign,
        context.vessel,
        context.port,
        context.heading_deg,
        context.role != "off_satellite",
    )
    places = _Places(state, offset, std)
    return StoredLook(
        look,
        context,
        capture["key"],
        number,
        offset,
        std,
        state,
        current["plan"],
        tuple(_sightings(current, number, measurement, places)),
        tuple((item["file"], item["sha256"]) for item in capture["raw"]),
        tuple(capture["reading"]),
        sweep["rbw_hz"],
        sweep["readings_per_point"],
    )


@dataclass(frozen=True, slots=True)
class _Places:
    """Where an IF lies at RF, in one capture."""

    state: LoState | None
    offset_hz: float
    offset_std_hz: float

    def rf(self, if_hz: float, if_std_hz: float) -> tuple[float | None, float | None]:
        if self.state is None:
            return None, None
        return float(self.state.rf_from_if(if_hz - self.offset_hz)), math.hypot(if_std_hz, self.offset_std_hz)


def _sightings(
    current: Mapping[str, Any], number: int, measurement: Mapping[str, Any], places: _Places
) -> Iterator[Sighting]:
    """Yield what `spectra.findings.interference_sets.sightings_of` saw when the result was made."""
    file, found = measurement["sweep"]["file"], current["identification"]
    mine = [f for f in current["findings"] if _names(f, file)]
    rows = {
        entry["carrier"]: entry["row"]
        for entry in (() if found is None else found["roll_call"])
        if entry.get("carrier") is not None and entry.get("sweep", 0) == number
    }
    guests = [f for f in mine if f["code"] in _GUESTS]
    taken = []
    for finding in guests:
        told = {e["name"]: e for e in finding["evidence"]}
        centre = told["centre"]
        taken.append(centre["value"])
        carrier = next(iter(finding["subjects"]["carriers"]), None)
        host = None if carrier is None else measurement["carriers"][carrier]
        values = {name: None if name not in told else told[name]["value"] for name in ("power", "width")}
        yield Sighting(
            0,
            centre["value"],
            centre["std"] or 1e3,
            *places.rf(centre["value"], centre["std"] or 1e3),
            values["width"] or 0.0,
            values["power"],
            "cw" if finding["code"] == _GUESTS[0] else "other",
            None,
            told["c_over_i"]["value"],
            told["es_n0_loss"]["value"] if "es_n0_loss" in told else None,
            rows.get(carrier),
            None if host is None else places.rf(host["centre_hz"], 0.0)[0],
            None if host is None else host["power_dbm"],
            _resolution_hz(measurement),
        )
    yield from _unlisted(found, number, measurement, mine, taken, places)


def _resolution_hz(measurement: Mapping[str, Any]) -> float:
    """Return the RBW, or the spacing of the points where the file told none, as for a fresh sweep."""
    said = measurement["sweep"]
    return float(said["rbw_hz"] or (said["stop_hz"] - said["start_hz"]) / max(said["points"] - 1, 1))


def _unlisted(
    found: Mapping[str, Any] | None,
    number: int,
    measurement: Mapping[str, Any],
    findings: Sequence[Mapping[str, Any]],
    taken: Sequence[float],
    places: _Places,
) -> Iterator[Sighting]:
    left = None if found is None else {(c["centre_hz"], c["kind"]) for c in found["unlisted"] if c["sweep"] == number}
    causes = {
        carrier: f["code"].partition(".")[2]
        for f in findings
        if f["code"].startswith("interference.") and f["code"] not in _GUESTS
        for carrier in f["subjects"]["carriers"]
    }
    rbw = _resolution_hz(measurement)
    near = 1.5 * (measurement["sweep"]["rbw_hz"] or 0.0)
    for index, c in enumerate(measurement["carriers"]):
        if left is not None and (c["centre_hz"], c["kind"]) not in left:
            continue
        if any(abs(c["centre_hz"] - place) <= near for place in taken):
            continue
        kind = c["kind"]
        if kind == "modulated" and c["roll_off"] is not None and c["roll_off"] > _HUMP_ROLL_OFF:
            kind = "hump"
        std = c["centre_std_hz"] or 1e3
        width = c["occupied_bandwidth_hz"] or c["x_db_bandwidth_hz"] or 0.0
        if not has_a_place(c["centre_std_hz"], width, rbw):
            continue
        rf, rf_std = places.rf(c["centre_hz"], std)
        seen = Sighting(0, c["centre_hz"], std, rf, rf_std, width, c["power_dbm"], kind, causes.get(index))
        yield replace(seen, resolution_hz=rbw)


def _names(finding: Mapping[str, Any], file: str) -> bool:
    """Say whether a finding speaks of a sweep's file (or of none in particular)."""
    named = [name.replace("\\", "/").rpartition("/")[2] for name in finding["subjects"]["captures"]]
    return not named or file in named
