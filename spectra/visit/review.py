"""The review of a visit: what counts, the answer, what it still lacks, what to do next and in which order."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from spectra import __version__
from spectra.finding import Finding, NextStep
from spectra.visit.acceptance import Criterion, Statement, criteria, isolation, reach_hz, state
from spectra.visit.analysis import CaptureReview, analyse
from spectra.visit.checklist import ChecklistItem, checklist, covered_hz
from spectra.visit.pairs import comparisons as compare_pairs
from spectra.visit.together import told_together, without_set_findings
from spectra.visit.visit import Visit, VisitCapture

if TYPE_CHECKING:
    import pandas as pd

    from spectra.findings.comparison import Comparison
    from spectra.findings.emissions import Emissions

__all__ = ["SCHEMA", "VisitReview", "VisitStep", "judge", "review_visit"]

SCHEMA = "sweepmuster/visit/1"
_COVERS = 0.9
"""A later sweep replaces an earlier one of its port and LO state if it covers this part of its span."""
_RANK = {"fault": 0, "warning": 1, "note": 4}
_SUBJECT = {
    "acceptance.isolation": "polarisation",
    "acceptance.lo_error": "oscillator",
    "acceptance.floor_tilt": "line",
    "acceptance.service": "service",
}
"""Of a point of acceptance, the subject of the findings that speak of it."""
_CHECKLIST_RANK = {"needed": 2, "advised": 5}
_CRAFT = ("quality", "clock")
"""Subjects that speak of how a sweep was taken: their warnings come after what the visit lacks altogether."""
_CRAFT_RANK = 3


@dataclass(frozen=True, slots=True)
class VisitStep:
    """One thing to do next; `because` holds the codes of the findings and checklist items that ask for it."""

    step: NextStep
    because: tuple[str, ...]
    captures: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the step under the keys of the visit's contract."""
        return {
            "text": self.step.text,
            "cautions": list(self.step.cautions),
            "because": list(self.because),
            "captures": list(self.captures),
        }


@dataclass(frozen=True, slots=True, eq=False)
class VisitReview:
    """What a visit came to.

    `counted` and `set_aside` part the captures into those that the answer rests on and those that it does not, the
    latter with the reason. `checklist` comes first in every output: the technician may still be aboard. `emissions` is
    the log of interferers followed through the captures (None where there is none), `together` what the captures tell
    only together.
    """

    visit: Visit
    captures: tuple[CaptureReview, ...]
    comparisons: tuple[Comparison, ...]
    set_aside: tuple[tuple[str, str], ...]
    criteria: tuple[Criterion, ...]
    statement: Statement
    checklist: tuple[ChecklistItem, ...]
    next_steps: tuple[VisitStep, ...]
    software: str = __version__
    emissions: Emissions | None = None
    together: tuple[Finding, ...] = ()

    @property
    def counted(self) -> tuple[CaptureReview, ...]:
        """The captures that the answer rests on."""
        aside = {name for name, _ in self.set_aside}
        return tuple(capture for capture in self.captures if capture.name not in aside)

    @property
    def deciding(self) -> CaptureReview | None:
        """The counted capture whose identification is surest: the numbers of the first page come from it."""
        known = [c for c in self.counted if c.identification is not None]
        ranks = {"contradicted": 3, "confirmed": 2, "probable": 1}

        def surety(capture: CaptureReview) -> tuple[int, float]:
            assert capture.identification is not None
            odds = capture.identification.best.log10_odds_none
            return ranks.get(capture.identification.verdict, 0), float("-inf") if odds is None else odds

        return max(known, key=surety) if known else None

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Findings of the counted captures, of comparisons and of all together, faults first, each once."""
        found = [f for c in self.counted for f in c.findings] + [f for c in self.comparisons for f in c.findings]
        found += self.together
        once: dict[tuple[Any, ...], Finding] = {}
        for finding in sorted(found, key=lambda f: _RANK[f.severity]):
            once.setdefault((finding.code, finding.title, finding.subjects), finding)
        return tuple(once.values())

    def to_dict(self) -> dict[str, Any]:
        """Return the review under the keys of the contract (`sweepmuster/visit/1`)."""
        visit = self.visit
        aside = dict(self.set_aside)
        captures = []
        for capture in self.captures:
            value = capture.to_dict()
            value["counts"] = capture.name not in aside
            value["set_aside"] = aside.get(capture.name)
            captures.append(value)
        return {
            "schema": SCHEMA,
            "software": self.software,
            "visit": {**visit.head.to_dict(), **self._who(), "folder": visit.folder.name, **self.when()},
            "statement": self.statement.to_dict(),
            "numbers": self.numbers(),
            "checklist": [item.to_dict() for item in self.checklist],
            "criteria": [criterion.to_dict() for criterion in self.criteria],
            "limits": visit.limits.to_dict(),
            "next_steps": [step.to_dict() for step in self.next_steps],
            "captures": captures,
            "comparisons": [comparison.to_dict() for comparison in self.comparisons],
            "emissions": None if self.emissions is None else self.emissions.to_dict(),
            "findings": [finding.to_dict() for finding in self.findings],
            "suggestions": [suggestion.to_dict() for suggestion in visit.suggestions],
            "assumptions": list(visit.assumptions),
            "attachments": [{"file": a.path.name, "caption": a.caption} for a in visit.attachments],
            "failed": [problem.to_dict() for problem in visit.failed],
            "table": None
            if visit.table is None
            else {"file": visit.table.file, "sha256": visit.table.sha256, "rows": len(visit.table)},
            "chain": None
            if visit.chain is None
            else {"name": visit.chain.name, "file": visit.chain.file, "sha256": visit.chain.sha256},
        }

    def numbers(self) -> dict[str, Any]:
        """Return the three numbers that matter, each with its uncertainty and the captures it comes from."""
        deciding = self.deciding
        best = None if deciding is None or deciding.identification is None else deciding.identification.best
        value, std, bound, names = isolation(self.comparisons)
        source = self._widest_lo(deciding)
        lo = None if source is None or source.identification is None else source.identification.best
        return {
            "verdict": None if deciding is None else deciding.verdict,
            "satellite": None if best is None else best.satellite,
            "polarisation": None if best is None else best.polarisation,
            "lo_state": None if best is None else best.lo_state,
            "log10_odds_none": None if best is None else best.log10_odds_none,
            "log10_odds_next": None if best is None else best.log10_odds_next,
            "capture": None if deciding is None else deciding.name,
            "lo_error_hz": None if lo is None else lo.lo_error_hz,
            "lo_error_std_hz": None if lo is None else lo.lo_error_std_hz,
            "lo_error_capture": None if source is None else source.name,
            "isolation_db": value,
            "isolation_std_db": std,
            "isolation_lower_bound_db": bound,
            "isolation_captures": list(names),
        }

    def _widest_lo(self, deciding: CaptureReview | None) -> CaptureReview | None:
        """Return the counted capture with the largest LO error of the deciding one's oscillator: the criterion's."""
        chain = self.visit.chain
        if chain is None or deciding is None or deciding.identification is None:
            return None
        lo_hz = {state.name: state.lo_hz for state in chain.lo_states}
        wanted = lo_hz.get(deciding.identification.best.lo_state or "")
        verdicts = ("contradicted",) if deciding.verdict == "contradicted" else ("confirmed", "probable")
        known = [
            (reach_hz(i), -n)
            for n, c in enumerate(self.counted)
            if (i := c.identification) is not None
            and i.verdict in verdicts
            and i.best.lo_error_hz is not None
            and lo_hz.get(i.best.lo_state or "") == wanted
        ]
        return self.counted[-max(known)[1]] if known and wanted is not None else None

    def _who(self) -> dict[str, Any]:
        names = ("vessel", "terminal", "expected_satellite", "expected_polarisation")
        return {name: self.visit.said(name) for name in names}

    def when(self) -> dict[str, Any]:
        """Return when the first and the last capture were taken, RFC 3339 or None."""
        times = [c.source.captured_at for c in self.captures if c.source.captured_at is not None]
        first, last = (min(times), max(times)) if times else (None, None)
        return {
            "first_capture_at": None if first is None else first.isoformat(),
            "last_capture_at": None if last is None else last.isoformat(),
        }

    def to_frame(self) -> pd.DataFrame:
        """Return one row per capture: when, what, verdict, LO error."""
        import pandas as pd

        aside = dict(self.set_aside)
        rows = []
        for capture in self.captures:
            best = None if capture.identification is None else capture.identification.best
            rows.append(
                {
                    "name": capture.name,
                    "captured_at": capture.source.captured_at,
                    "port": capture.source.context.port,
                    "role": capture.source.context.role,
                    "lo_state_commanded": capture.source.context.lo_state,
                    "verdict": capture.verdict,
                    "satellite": None if best is None else best.satellite,
                    "polarisation": None if best is None else best.polarisation,
                    "lo_state": None if best is None else best.lo_state,
                    "lo_error_hz": None if best is None else best.lo_error_hz,
                    "lo_error_std_hz": None if best is None else best.lo_error_std_hz,
                    "carriers": sum(len(m.carriers) for m in capture.measurements),
                    "counts": capture.name not in aside,
                }
            )
        return pd.DataFrame(rows)


def review_visit(
    visit: Visit, *, processes: int | None = None, tell: Callable[[int, int], None] | None = None
) -> VisitReview:
    """Analyse a visit and judge it.

    Parameters
    ----------
    visit : Visit
    processes : int or None
        Worker processes; 1 stays in this process; None decides by the work there is.
    tell : callable or None
        Called with (done, all) as captures finish.
    """
    return judge(visit, analyse(visit, processes=processes, tell=tell))


def judge(visit: Visit, captures: tuple[CaptureReview, ...]) -> VisitReview:
    """Judge a visit whose captures are analysed: what counts, the criteria, the gaps, the steps in order."""
    aside = _set_aside(captures)
    names = {name for name, _ in aside}
    counted = [capture for capture in captures if capture.name not in names]
    comparisons = compare_pairs(captures, counted, visit.table, visit.chain, visit.limits.isolation_min_db)
    emissions, together = told_together(captures, visit.table, visit.chain)
    if emissions is not None:
        comparisons = without_set_findings(comparisons)
    found = criteria(visit, counted, comparisons)
    items = checklist(visit, captures)
    warnings = [
        f.title
        for findings in (*(c.findings for c in counted), *(c.findings for c in comparisons), together)
        for f in findings
        if f.severity == "warning" and f.answer == "yes"
    ]
    lacking = [item.title for item in items if item.done is False and item.weight == "needed"]
    lacking += [f"{problem.source} could not be used" for problem in visit.failed]
    lacking += [f"{c.name} could not be analysed" for c in counted if c.failed]
    statement = state(visit, found, lacking, list(dict.fromkeys(warnings)))
    return VisitReview(
        visit=visit,
        captures=captures,
        comparisons=comparisons,
        set_aside=aside,
        criteria=found,
        statement=statement,
        checklist=items,
        next_steps=_next_steps(counted, comparisons, together, items, _unmet_subjects(found)),
        emissions=emissions,
        together=together,
    )


def _set_aside(captures: Sequence[CaptureReview]) -> tuple[tuple[str, str], ...]:
    """Return the captures that the answer does not rest on, with the reason.

    Where somebody marked captures as the state the terminal was left in, only those count. Else an earlier one is set
    aside if it contradicted what was wanted and a later one of the same LO state confirms it (the fault was mended),
    or if later ones of its port and LO state cover its span again. Without times everything counts.
    """
    normal = [c for c in captures if c.source.on_satellite]
    aside: dict[str, str] = {}
    for capture in normal:
        if capture.source.stage in ("as_found", "work"):
            aside[capture.name] = f"stage {capture.source.stage}, not the state as left"
        elif capture.source.context.role == "baseline":
            aside[capture.name] = "a baseline to compare with"
    if any(c.source.stage == "as_left" for c in normal):
        for capture in normal:
            if capture.source.stage is None:
                aside.setdefault(capture.name, "other captures are marked as the state as left")
        return tuple(aside.items())
    for capture in normal:
        mended = [c for c in normal if capture.verdict == "contradicted" and _mends(c, capture)]
        if mended:
            aside.setdefault(capture.name, f"mended later: {mended[0].name} confirms what was wanted")
    left = [c for c in normal if c.name not in aside]
    for capture in left:
        later = [c for c in left if _swept_after(c.source, capture.source)]
        sweeps = capture.source.capture.sweeps
        low, high = min(s.start_hz for s in sweeps), max(s.stop_hz for s in sweeps)
        again = [s for c in later for s in c.source.capture.sweeps]
        if later and covered_hz(again, low, high) >= _COVERS * covered_hz(sweeps, low, high):
            more = f" and {len(later) - 1} more" if len(later) > 1 else ""
            aside[capture.name] = f"swept again later: {later[-1].name}{more}"
    return tuple(aside.items())


def _mends(later: CaptureReview, earlier: CaptureReview) -> bool:
    return later.verdict == "confirmed" and _is_later(later.source, earlier.source) and _same_setting(later, earlier)


def _same_setting(one: CaptureReview, other: CaptureReview) -> bool:
    mine, theirs = one.source.context, other.source.context
    return (
        mine.lo_state == theirs.lo_state
        and (mine.port == "cross") == (theirs.port == "cross")
        and mine.expected_satellite == theirs.expected_satellite
    )


def _is_later(later: VisitCapture, earlier: VisitCapture) -> bool:
    first, second = earlier.captured_at, later.captured_at
    return first is not None and second is not None and second > first


def _swept_after(later: VisitCapture, earlier: VisitCapture) -> bool:
    same = _port(later) == _port(earlier) and later.context.lo_state == earlier.context.lo_state
    return same and _is_later(later, earlier)


def _port(capture: VisitCapture) -> str:
    return capture.context.port or "single"


def _next_steps(
    captures: Sequence[CaptureReview],
    comparisons: Sequence[Comparison],
    together: Sequence[Finding],
    items: Sequence[ChecklistItem],
    unmet: frozenset[str],
) -> tuple[VisitStep, ...]:
    """Return the steps in order: what stops acceptance first, and among equals what needs fewest precautions.

    A step that needs no hand on antenna or coax costs minutes, one aloft costs hours (common practice, no source).
    """
    wanted: list[tuple[int, NextStep, str, str]] = []
    for capture in captures:
        wanted += [
            (_rank(f, unmet), next_step, f.code, capture.name) for f in capture.findings for next_step in f.next_steps
        ]
    for comparison in comparisons:
        name = ", ".join(comparison.captures)
        wanted += [(_rank(f, unmet), s, f.code, name) for f in comparison.findings for s in f.next_steps]
    wanted += [(_rank(f, unmet), s, f.code, ", ".join(f.subjects.captures)) for f in together for s in f.next_steps]
    wanted += [
        (_CHECKLIST_RANK[item.weight], item.next_step, item.code, "") for item in items if item.next_step is not None
    ]
    done = _done(comparisons)
    wanted = [one for one in wanted if one[1].text not in done and one[2] not in done]
    ranked: dict[str, tuple[int, NextStep, dict[str, None], dict[str, None]]] = {}
    for rank, next_step, code, name in wanted:
        held = ranked.get(next_step.text)
        because = {**(held[2] if held else {}), code: None}
        names = {**(held[3] if held else {}), **({name: None} if name else {})}
        ranked[next_step.text] = (min(rank, held[0]) if held else rank, next_step, because, names)
    ordered = sorted(ranked.values(), key=lambda item: (item[0], len(item[1].cautions)))
    return tuple(VisitStep(next_step, tuple(because), tuple(names)) for _, next_step, because, names in ordered)


def _done(comparisons: Sequence[Comparison]) -> set[str]:
    """Return the texts of steps, and the codes of findings, that ask for a comparison which the visit holds."""
    from spectra.findings.interference import OTHER_PORT_STEP, OTHER_STATE_STEP

    kinds = {comparison.kind for comparison in comparisons}
    done = {OTHER_PORT_STEP.text, "polarisation.leak_suspected"} if "polarisation" in kinds else set()
    return done | ({OTHER_STATE_STEP.text} if "lo_state" in kinds else set())


def _unmet_subjects(found: Sequence[Criterion]) -> frozenset[str]:
    """Return the subjects whose findings tell how a point that is not met may be met."""
    return frozenset(_SUBJECT[c.code] for c in found if c.answer == "no" and c.code in _SUBJECT)


def _rank(finding: Finding, unmet: frozenset[str]) -> int:
    if finding.severity == "warning" and finding.answer != "no" and finding.code.partition(".")[0] in unmet:
        return _RANK["fault"]
    if finding.severity == "warning" and finding.code.partition(".")[0] in _CRAFT:
        return _CRAFT_RANK
    return _RANK[finding.severity]
