"""What a commissioning visit still lacks, while the technician is aboard.

The order of a commissioning and what is recorded at each step: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from spectra.finding import NextStep, step
from spectra.units import counted
from spectra.visit.analysis import CaptureReview
from spectra.visit.visit import Visit

if TYPE_CHECKING:
    from spectra.sweep import Sweep

__all__ = ["ChecklistItem", "checklist", "covered_hz", "service_rows"]

_SPAN_SHARE = 0.95
"""Part of the chain's IF range that the sweeps of one port must cover to count as the whole of it."""
_RESOLVING = 3.0
"""Symbol rate over RBW from which on a carrier's shape can be measured (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ChecklistItem:
    """One thing that a commissioning visit should hold.

    `done` is True, False, or None where it does not apply here; `weight` says whether its lack is a remark on the
    visit (``needed``) or good to have (``advised``).
    """

    code: str
    title: str
    done: bool | None
    detail: str
    weight: str = "needed"
    next_step: NextStep | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the item under the keys of the visit's contract."""
        return {
            "code": self.code,
            "title": self.title,
            "done": self.done,
            "detail": self.detail,
            "weight": self.weight,
            "next_step": None
            if self.next_step is None
            else {"text": self.next_step.text, "cautions": list(self.next_step.cautions)},
        }


def checklist(visit: Visit, captures: Sequence[CaptureReview]) -> tuple[ChecklistItem, ...]:
    """Return every item of the list, in the order of the work."""
    return tuple(check(visit, captures) for check in _CHECKS)


def _item(code: str, title: str, done: bool | None, detail: str, advice: str, weight: str = "needed") -> ChecklistItem:
    return ChecklistItem(code, title, done, detail, weight, step(advice) if done is False else None)


def _plan(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    lacking = [
        word for word, value in (("carrier table", visit.table), ("receive chain", visit.chain)) if value is None
    ]
    return _item(
        "visit.plan",
        "Carrier table and receive chain at hand",
        not lacking,
        "both loaded" if not lacking else f"no {' and no '.join(lacking)}: no satellite can be told",
        "Put the carrier table (CSV) and the receive chain (TOML) into the folder and name them in visit.toml.",
    )


def _expectation(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    told = {c.source.context.expected_satellite for c in captures if c.source.on_satellite} - {None}
    return _item(
        "visit.expectation",
        "Wanted satellite stated",
        bool(told),
        ", ".join(sorted(str(name) for name in told)) if told else "nothing says which satellite was wanted",
        "Write expected_satellite and expected_polarisation into visit.toml.",
    )


def _rivals(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    code, title = "visit.neighbours", "Neighbouring satellites in the carrier table"
    if visit.table is None:
        return _item(code, title, None, "no carrier table", "")
    satellites = sorted({name for name in visit.table.text["satellite"].tolist() if name})
    return _item(
        code,
        title,
        len(satellites) > 1,
        f"{counted(len(satellites), 'satellite')}: a neighbour is ruled out only if the table knows it",
        "Add the neighbours of the wanted satellite to the carrier table, then run the visit again.",
    )


def _by_role(role: str) -> Callable[[Sequence[CaptureReview]], list[str]]:
    return lambda captures: [c.name for c in captures if c.source.context.role == role]


def _off_satellite(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    found = _by_role("off_satellite")(captures)
    return _item(
        "visit.off_satellite",
        "Sweep beside the satellite",
        bool(found),
        ", ".join(found) if found else "without it, floor and pick-up by the cable cannot be parted from the satellite",
        "Point the antenna a few degrees off the arc, sweep with the same settings, "
        'and note role = "off_satellite" in its sidecar.',
    )


def _cross(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    found = [c.name for c in captures if c.source.context.port == "cross"]
    co = [c.name for c in captures if c.source.context.port == "co"]
    detail = ", ".join([*co, *found])
    if not (found and co):
        detail = "no sweep of the " + ("cross-polar port" if co else "co-polar and the cross-polar port, noted as such")
    return _item(
        "visit.cross_polar",
        "Both ports swept: co-polar and cross-polar",
        bool(found and co),
        detail,
        "Sweep the co-polar and the cross-polar port (or both LO states of one port) with the same settings, and note "
        'port = "co" and port = "cross" in their sidecars.',
    )


def _second_state(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    code, title = "visit.second_lo_state", "Second LO state swept"
    states = {} if visit.chain is None else {state.name: state for state in visit.chain.lo_states}
    if len({state.lo_hz for state in states.values()}) < 2:
        return _item(code, title, None, "the receive chain has no second LO frequency, or is not known", "")
    told = {c.source.context.lo_state for c in captures if c.source.on_satellite} - {None}
    frequencies = {states[name].lo_hz for name in told if name in states}
    return _item(
        code,
        title,
        len(frequencies) > 1,
        ("swept: " + ", ".join(sorted(str(name) for name in told)) if told else "no sweep says its LO state")
        + ("" if len(frequencies) > 1 else "; what keeps its IF when the LO changes came in by the cable"),
        "Let the terminal select an LO state of the other LO frequency, sweep again, and note lo_state in the sidecar.",
    )


def _span(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    code, title = "visit.span", "Whole IF range swept"
    sweeps = [s for c in captures if c.source.on_satellite for s in c.source.capture.sweeps]
    if visit.chain is None or not sweeps:
        return _item(code, title, None, "the IF range is not known, or there is no sweep of a satellite", "")
    low, high = visit.chain.if_min_hz, visit.chain.if_max_hz
    share = covered_hz(sweeps, low, high) / (high - low)
    return _item(
        code,
        title,
        share >= _SPAN_SHARE,
        f"{100.0 * share:.0f} % of {low / 1e6:.0f} to {high / 1e6:.0f} MHz",
        f"Sweep the whole IF range, {low / 1e6:.0f} to {high / 1e6:.0f} MHz: the more carriers, the surer the answer.",
    )


def _service(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    code, title = "visit.service_carrier", "The vessel's own carrier swept finely"
    rows = service_rows(visit, captures)
    if not rows:
        return _item(code, title, None, "the carrier table marks no carrier of the vessel's own (column service)", "")
    lacking = []
    for rf_hz, rate_bd, name, sweeps in rows:
        fine = [s for s in sweeps if s.settings.rbw_hz is not None and s.settings.rbw_hz <= rate_bd / _RESOLVING]
        if not fine:
            lacking.append(f"{name or f'{rf_hz / 1e6:.3f} MHz'}: RBW at most {rate_bd / _RESOLVING / 1e3:.0f} kHz")
    return _item(
        code,
        title,
        not lacking,
        f"{counted(len(rows), 'own carrier')} resolved" if not lacking else "; ".join(lacking),
        "Sweep the vessel's own carrier with an RBW of at most a third of its symbol rate.",
    )


def _settings(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    silent = [
        c.name
        for c in captures
        if any(s.settings.rbw_hz is None or s.settings.detector is None for s in c.source.capture.sweeps)
    ]
    return _item(
        "visit.settings",
        "RBW and detector known for every sweep",
        not silent,
        "known" if not silent else "not told by " + ", ".join(silent),
        "State RBW and detector of these sweeps in their sidecars, as rbw_hz and detector.",
    )


def _said(key: str, code: str, title: str, advice: str) -> Callable[[Visit, Sequence[CaptureReview]], ChecklistItem]:
    def check(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
        silent = [c.name for c in captures if getattr(c.source.context, key) is None]
        done = bool(captures) and not silent
        detail = "noted for every capture" if done else "not noted for " + (", ".join(silent) or "any capture")
        return _item(code, title, done, detail, advice, "advised")

    return check


def _times(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    silent = [c.name for c in captures if c.source.captured_at is None]
    return _item(
        "visit.times",
        "Time of every sweep known",
        not silent,
        "known" if not silent else "not told by " + ", ".join(silent),
        "Note captured_at (UTC) in the sidecars: without it the last state cannot be told from the first.",
    )


def _modem(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    told = [c for c in captures if c.source.context.modem_es_n0_db is not None]
    return _item(
        "visit.modem",
        "Es/N0 of the modem noted",
        bool(told),
        ", ".join(c.name for c in told) if told else "nothing to hold the estimate against",
        "Note modem_locked and modem_es_n0_db as the modem shows them, in the sidecar of the last sweep.",
        "advised",
    )


def _position(visit: Visit, captures: Sequence[CaptureReview]) -> ChecklistItem:
    told = [c for c in captures if c.source.context.latitude_deg is not None]
    return _item(
        "visit.position",
        "Ship's position noted",
        bool(told),
        "noted" if told else "look angles and skew cannot be worked out",
        "Note latitude_deg, longitude_deg and heading_deg in a sidecar.",
        "advised",
    )


_CHECKS: tuple[Callable[[Visit, Sequence[CaptureReview]], ChecklistItem], ...] = (
    _plan,
    _expectation,
    _rivals,
    _settings,
    _times,
    _off_satellite,
    _span,
    _second_state,
    _cross,
    _service,
    _modem,
    _position,
    _said(
        "transmitter",
        "visit.transmitter",
        "State of the transmitter noted",
        "Note in the sidecars what state it was in: the key is transmitter, the values on, muted or isolated.",
    ),
)


def covered_hz(sweeps: Iterable[Sweep], low_hz: float, high_hz: float) -> float:
    """Return how much of a range the sweeps cover together."""
    covered, reached = 0.0, low_hz
    for start, stop in sorted((sweep.start_hz, sweep.stop_hz) for sweep in sweeps):
        start, stop = max(start, reached), min(stop, high_hz)
        if stop > start:
            covered += stop - start
            reached = stop
    return covered


def service_rows(visit: Visit, captures: Sequence[CaptureReview]) -> list[tuple[float, float, str, list[Sweep]]]:
    """Return RF, symbol rate, name and sweeps of the vessel's own carriers that captures of a satellite looked for.

    Only identified captures count: whose roll call holds the row, in the sweeps that show its IF.
    """
    table = visit.table
    if table is None or not table.service.any():
        return []
    lines = {int(line): index for index, line in enumerate(table.line)}
    found: dict[int, list[Sweep]] = {}
    for capture in captures:
        if capture.identification is None:
            continue
        sweeps = capture.source.capture.sweeps
        for entry in capture.identification.roll_call:
            index = lines.get(entry.row)
            if index is None or not table.service[index] or entry.expected_if_hz is None:
                continue
            near = [s for s in sweeps if s.start_hz <= entry.expected_if_hz <= s.stop_hz]
            found.setdefault(index, []).extend(near)
    rows = []
    for index, near in found.items():
        row = table.row(index)
        if row.symbol_rate_bd is not None:
            rows.append((row.rf_hz, row.symbol_rate_bd, row.network_id or "", near))
    return rows
