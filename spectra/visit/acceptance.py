"""The visit held against the user's acceptance limits.

A number meets a limit only where it does so with its expanded uncertainty (k = 2, about 95 %; JCGM 100 clause 6.3.3,
from memory): between sure of it and sure of the opposite the answer is that it cannot be told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from spectra.finding import Answer
from spectra.units import counted, format_value, jsonable
from spectra.visit.analysis import CaptureReview
from spectra.visit.visit import Visit

if TYPE_CHECKING:
    from spectra.findings.comparison import Comparison
    from spectra.identify.identification import Identification

__all__ = [
    "ANSWERS",
    "NO_LIMITS",
    "Criterion",
    "Statement",
    "VisitAnswer",
    "criteria",
    "isolation",
    "judge_limit",
    "reach_hz",
    "state",
]

VisitAnswer = Literal["accepted", "accepted with remarks", "not accepted", "cannot tell"]
ANSWERS: tuple[VisitAnswer, ...] = ("accepted", "accepted with remarks", "not accepted", "cannot tell")
NO_LIMITS = (
    "No acceptance limits of your own are stated (visit.toml, section acceptance): held against a confirmed satellite, "
    "the LO tolerance of the receive chain and no faults."
)
_COVERAGE = 2.0
_VERDICT_RANK = {"confirmed": 2, "probable": 1}


@dataclass(frozen=True, slots=True)
class Criterion:
    """One thing held against one limit; `captures` name where the number comes from.

    `title` is the same for every criterion of a code; `about` says which of several it is.
    """

    code: str
    title: str
    answer: Answer
    why: str
    value: float | str | None = None
    std: float | None = None
    unit: str | None = None
    limit: float | str | None = None
    captures: tuple[str, ...] = ()
    about: str = ""

    @property
    def name(self) -> str:
        """Title, and which of several."""
        return f"{self.title} ({self.about})" if self.about else self.title

    def to_dict(self) -> dict[str, Any]:
        """Return the criterion under the keys of the visit's contract."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True)
class Statement:
    """The overall answer in one sentence, and the reasons behind it."""

    answer: VisitAnswer
    sentence: str
    reasons: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the statement under the keys of the visit's contract."""
        return {"answer": self.answer, "sentence": self.sentence, "reasons": list(self.reasons)}


def judge_limit(value: float, std: float | None, limit: float, *, at_most: bool) -> Answer:
    """Say whether a value meets a limit, with its uncertainty.

    Without a standard uncertainty nothing can be told of a limit.
    """
    if std is None:
        return "cannot_tell"
    margin = limit - value if at_most else value - limit
    if margin >= _COVERAGE * std:
        return "yes"
    return "no" if margin <= -_COVERAGE * std else "cannot_tell"


def criteria(
    visit: Visit, counted: Sequence[CaptureReview], comparisons: Sequence[Comparison] = ()
) -> tuple[Criterion, ...]:
    """Return every criterion that the limits ask for, judged on the captures that count."""
    looked = [capture for capture in counted if capture.source.on_satellite]
    found = [_satellite(visit, looked)]
    found += _lo_error(visit, looked)
    if visit.limits.isolation_min_db is not None:
        found.append(_isolation(visit.limits.isolation_min_db, comparisons))
    if visit.limits.floor_tilt_max_db is not None:
        found.append(_tilt(visit.limits.floor_tilt_max_db, looked))
    found += _service(visit, looked)
    found.append(_faults(visit, counted))
    return tuple(found)


def _satellite(visit: Visit, captures: Sequence[CaptureReview]) -> Criterion:
    needed = visit.limits.verdict
    title = "On the wanted satellite, polarisation and LO state"
    names = tuple(capture.name for capture in captures)

    def answer(what: Answer, why: str, value: str | None = None) -> Criterion:
        return Criterion("acceptance.satellite", title, what, why, value, limit=needed, captures=names)

    judged = [(c, c.identification) for c in captures if c.identification is not None]
    if not judged:
        return answer("cannot_tell", "no sweep of a satellite could be held against a carrier table")
    against = [(c, i) for c, i in judged if i.verdict == "contradicted"]
    if against:
        capture, identification = against[-1]
        return answer("no", f"{capture.name}: {identification.sentence or 'contradicted'}", "contradicted")
    silent = [c.name for c, i in judged if i.expected.satellite is None]
    if silent:
        return answer("cannot_tell", "nothing says which satellite was wanted for " + ", ".join(silent))
    # one sure sweep carries the visit; a narrow one beside it may be too poor in carriers to be sure by itself,
    # but every port and LO state that was swept needs its own
    for key, group in _by_port_and_state(judged).items():
        # the cross-polar port is there for the isolation: few carriers of its own may show beside those that leak
        cross = all(c.source.context.port == "cross" for c, _ in group)
        if _best(group) < (_VERDICT_RANK["probable"] if cross else _VERDICT_RANK[needed]):
            verdicts = ", ".join(f"{c.name}: {i.verdict}" for c, i in group)
            return answer("cannot_tell", f"{key}not {needed} ({verdicts})", group[-1][1].verdict)
    weakest = "probable" if any(_best(group) == 1 for group in _by_port_and_state(judged).values()) else "confirmed"
    return answer("yes", "; ".join(f"{c.name}: {i.verdict}" for c, i in judged), weakest)


def _best(group: Sequence[tuple[CaptureReview, Any]]) -> int:
    return max(_VERDICT_RANK.get(i.verdict, 0) for _, i in group)


def _by_port_and_state(judged: Sequence[tuple[CaptureReview, Any]]) -> dict[str, list[tuple[CaptureReview, Any]]]:
    groups: dict[str, list[tuple[CaptureReview, Any]]] = {}
    for capture, identification in judged:
        context = capture.source.context
        said = [word for word in (context.lo_state, "cross port" if context.port == "cross" else None) if word]
        groups.setdefault(", ".join(said) + ": " if said else "", []).append((capture, identification))
    return groups


def _lo_error(visit: Visit, captures: Sequence[CaptureReview]) -> list[Criterion]:
    """One criterion per LO frequency: states of one frequency share one oscillator.

    The sweep with the largest error, its uncertainty included, is held against the limit: an oscillator that drifts
    must keep it in every sweep that counts.
    """
    worst: dict[float, tuple[CaptureReview, Any, float | None]] = {}
    for capture in captures:
        identification = capture.identification
        if identification is None or visit.chain is None or identification.best.lo_error_hz is None:
            continue
        if identification.verdict not in ("confirmed", "probable"):
            continue
        states = {state.name: state for state in visit.chain.lo_states}
        state = states.get(identification.best.lo_state or "")
        if state is None:
            continue
        limit = visit.limits.lo_error_max_hz if visit.limits.lo_error_max_hz is not None else state.tolerance_hz
        held = worst.get(state.lo_hz)
        if held is None or reach_hz(identification) > reach_hz(held[1]):
            worst[state.lo_hz] = (capture, identification, limit)
    found = []
    for lo_hz, (capture, identification, limit) in sorted(worst.items()):
        error, std = identification.best.lo_error_hz, identification.best.lo_error_std_hz
        if limit is None:
            continue
        answer = judge_limit(abs(error), std, limit, at_most=True)
        why = f"{format_value(error, std, 'kHz', 1e3)} against ±{limit / 1e3:.6g} kHz"
        if answer == "cannot_tell":
            why += ": closer to the limit than its uncertainty"
        about = f"LO {lo_hz / 1e9:.6g} GHz"
        found.append(
            Criterion("acceptance.lo_error", "LO error", answer, why, error, std, "Hz", limit, (capture.name,), about)
        )
    if not found and visit.limits.lo_error_max_hz is not None:
        limit = visit.limits.lo_error_max_hz
        why = "no sweep was identified surely enough to tell the LO error"
        found.append(Criterion("acceptance.lo_error", "LO error", "cannot_tell", why, unit="Hz", limit=limit))
    return found


def reach_hz(identification: Identification) -> float:
    """Return how far an LO error may reach: its size and its expanded uncertainty."""
    best = identification.best
    return abs(best.lo_error_hz or 0.0) + _COVERAGE * (best.lo_error_std_hz or 0.0)


def _finer(std: float | None, than: float | None) -> bool:
    return std is not None and (than is None or std < than)


def isolation(comparisons: Sequence[Comparison]) -> tuple[float | None, float | None, float | None, tuple[str, ...]]:
    """Return isolation, its standard uncertainty, a lower bound where it only has one, and the captures.

    Of several pairs of ports the one that knows it best speaks.
    """
    wholes = [(c.polarisation, c.captures) for c in comparisons if c.polarisation is not None]
    known = [(w, names) for w, names in wholes if w.isolation_db is not None and w.isolation_std_db is not None]
    if known:
        whole, names = min(known, key=lambda item: item[0].isolation_std_db or 0.0)
        return whole.isolation_db, whole.isolation_std_db, None, names
    bounds = [(w, names) for w, names in wholes if w.isolation_lower_bound_db is not None]
    if bounds:
        whole, names = max(bounds, key=lambda item: item[0].isolation_lower_bound_db or 0.0)
        return None, None, whole.isolation_lower_bound_db, names
    return None, None, None, ()


def _isolation(limit: float, comparisons: Sequence[Comparison]) -> Criterion:
    value, std, bound, names = isolation(comparisons)
    title = "Isolation of the polarisations"
    if value is not None:
        answer = judge_limit(value, std, limit, at_most=False)
        why = f"{format_value(value, std, 'dB')} against at least {limit:g} dB"
    elif bound is not None:
        answer = "yes" if bound >= limit else "cannot_tell"
        why = f"above {bound:.1f} dB (95 %) against at least {limit:g} dB"
    else:
        answer, why = "cannot_tell", "no pair of co-polar and cross-polar sweep was compared"
    return Criterion("acceptance.isolation", title, answer, why, value, std, "dB", limit, names)


def _tilt(limit: float, captures: Sequence[CaptureReview]) -> Criterion:
    tilts = [(abs(m.floor.tilt_db), m, c) for c in captures for m in c.measurements]
    title = "Tilt of the floor over the span"
    if not tilts:
        return Criterion("acceptance.floor_tilt", title, "cannot_tell", "no sweep measured", unit="dB", limit=limit)
    worst, measurement, capture = max(tilts, key=lambda item: item[0])
    std = float((measurement.floor.std_db[0] ** 2 + measurement.floor.std_db[-1] ** 2) ** 0.5)
    answer = judge_limit(worst, std, limit, at_most=True)
    why = f"{format_value(worst, std, 'dB')} against at most {limit:g} dB"
    return Criterion("acceptance.floor_tilt", title, answer, why, worst, std, "dB", limit, (capture.name,))


def _service(visit: Visit, captures: Sequence[CaptureReview]) -> list[Criterion]:
    """One criterion per own carrier of the identified satellite: on air, and strong enough where a limit says so."""
    if visit.table is None or not visit.table.service.any():
        return []
    own = {int(line): visit.table.row(k) for k, line in enumerate(visit.table.line) if visit.table.service[k]}
    seen: dict[int, list[tuple[CaptureReview, Any]]] = {}
    for capture in captures:
        if capture.identification is None or capture.verdict not in ("confirmed", "probable"):
            continue
        for entry in capture.identification.roll_call:
            if entry.row in own:
                seen.setdefault(entry.row, []).append((capture, entry))
    return [_own_carrier(visit, own[row], entries) for row, entries in sorted(seen.items())]


def _own_carrier(visit: Visit, row: Any, entries: Sequence[tuple[CaptureReview, Any]]) -> Criterion:
    about = f"{row.rf_hz / 1e6:.3f} MHz" + (f", {row.network_id}" if row.network_id else "")
    limit = visit.limits.service_cn_min_db
    present = [(c, e) for c, e in entries if e.status == "present"]

    def answer(what: Answer, why: str, capture: CaptureReview, cn: Any = None, std: Any = None) -> Criterion:
        return Criterion(
            "acceptance.service", "Own carrier", what, why, cn, std, "dB", limit, (capture.name,), about=about
        )

    if not present:
        capture, entry = entries[-1]
        absent = any(e.status == "absent" for _, e in entries)
        return answer("no" if absent else "cannot_tell", f"{entry.status}: {entry.why}".rstrip(": "), capture)
    # the sweep that measured it best speaks
    capture, cn, std = present[0][0], None, None
    for candidate, entry in present:
        carrier = _carrier(candidate, entry)
        if carrier is not None and carrier.cn_db is not None and (cn is None or _finer(carrier.cn_std_db, std)):
            capture, cn, std = candidate, carrier.cn_db, carrier.cn_std_db
    if limit is None:
        return answer("yes", "present" if cn is None else f"C/N {format_value(cn, std, 'dB')}", capture, cn, std)
    if cn is None:
        return answer("cannot_tell", "present, but its C/N could not be measured", capture)
    why = f"C/N {format_value(cn, std, 'dB')} against at least {limit:g} dB (an upper limit of what the modem sees)"
    return answer(judge_limit(cn, std, limit, at_most=False), why, capture, cn, std)


def _carrier(capture: CaptureReview, entry: Any) -> Any:
    if entry.carrier is None or entry.sweep >= len(capture.measurements):
        return None
    carriers = capture.measurements[entry.sweep].carriers
    return carriers[entry.carrier] if entry.carrier < len(carriers) else None


def _faults(visit: Visit, captures: Sequence[CaptureReview]) -> Criterion:
    faults = [(f, c) for c in captures for f in c.findings if f.severity == "fault" and f.answer == "yes"]
    most = visit.limits.faults_max
    codes = sorted({finding.code for finding, _ in faults})
    titles = list(dict.fromkeys(finding.title for finding, _ in faults))
    return Criterion(
        "acceptance.faults",
        "Faults found in the sweeps that count",
        "yes" if len(codes) <= most else "no",
        "none" if not faults else "; ".join(titles),
        float(len(codes)),
        0.0,
        None,
        float(most),
        tuple(dict.fromkeys(capture.name for _, capture in faults)),
    )


def state(visit: Visit, found: Sequence[Criterion], lacking: Sequence[str], warnings: Sequence[str]) -> Statement:
    """Return the overall statement from the criteria, the gaps that matter and the warnings."""
    failed = [f"{c.name}: {c.why}" for c in found if c.answer == "no"]
    unsure = [f"{c.name}: {c.why}" for c in found if c.answer == "cannot_tell"]
    held = () if visit.limits.stated else (NO_LIMITS,)
    if failed:
        return Statement("not accepted", f"Not accepted: {_first(failed)}", (*failed, *held))
    if unsure:
        return Statement("cannot tell", f"Cannot tell: {_first(unsure)}", (*unsure, *held))
    remarks = (*warnings, *(f"Missing: {title}" for title in lacking))
    met = f"all {len(found)} points are met"
    if remarks:
        with_them = f"Accepted with {counted(len(remarks), 'remark')}: {met}."
        return Statement("accepted with remarks", with_them, (*remarks, *held))
    return Statement("accepted", f"Accepted: {met}.", held)


def _first(reasons: Sequence[str]) -> str:
    return reasons[0] + (f" (and {len(reasons) - 1} more)" if len(reasons) > 1 else "")
