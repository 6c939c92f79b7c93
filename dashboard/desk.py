"""The desk: what the pages work on. The archive, what was lately looked at, work in progress, files just dropped."""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from dashboard.drafts import Drafts
from dashboard.jobs import Jobs
from dashboard.keeping import begin_paper
from dashboard.papers import Paper, Papers, rendered
from dashboard.tables import Works
from spectra.archive import (
    Archive,
    Listed,
    Search,
    VisitSearch,
    baselines,
    count_captures,
    list_captures,
    list_terminals,
    list_visits,
    load_plan,
    restore_capture,
    restore_visit,
)
from spectra.archive.editions import follow
from spectra.archive.notes import kept_titles, last_notes, lay_over
from spectra.archive.restore import visit_row, visit_state
from spectra.errors import ArchiveError
from spectra.identify.engine import call_roll
from spectra.visit.review import judge

if TYPE_CHECKING:
    from spectra.archive.store import PlanFile
    from spectra.finding import Finding
    from spectra.findings.emissions import Emissions
    from spectra.findings.trend import Trend
    from spectra.identify.identification import Candidate, RollCallEntry
    from spectra.measure.measurement import Carrier
    from spectra.plan.chain import ReceiveChain
    from spectra.plan.table import CarrierTable
    from spectra.visit import CaptureReview, VisitReview

__all__ = ["SHORT", "Desk", "Followed", "Shown", "Watched"]

T = TypeVar("T")
SHORT = 16
"""Digits of a key that go into an address: enough to tell millions apart."""
_MOST_IN_REVIEW = 400
_MOST_IN_TREND = 200
_CAPTURES, _REVIEWS, _PLANS = 24, 12, 12


@dataclass(frozen=True, slots=True)
class Shown:
    """A capture as pages show it: its row of the archive, its review, and the table and chain it was held against."""

    key: str
    visit: str | None
    row: dict[str, Any]
    review: CaptureReview
    table: CarrierTable | None
    chain: ReceiveChain | None


@dataclass(frozen=True, slots=True)
class Followed:
    """An oscillator over time, the keys of its captures in order, and how many were left out for another table."""

    trend: Trend
    keys: tuple[str, ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class Watched:
    """Interferers followed through a visit, and the findings on them."""

    log: Emissions
    findings: tuple[Finding, ...]


class _Recent:
    """The last few values by key; what two ask for at once is made once."""

    def __init__(self, most: int, drop: Callable[[Any], None] | None = None) -> None:
        self._most = most
        self._drop = drop
        self._values: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = threading.Lock()
        self._making: dict[Hashable, threading.Lock] = {}

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                held: T = self._values[key]
                return held
            turn = self._making.setdefault(key, threading.Lock())
        with turn:
            with self._lock:
                if key in self._values:
                    again: T = self._values[key]
                    return again
            try:
                value = make()
            finally:
                with self._lock:
                    self._making.pop(key, None)
            with self._lock:
                self._values[key] = value
                dropped = [self._values.popitem(last=False)[0] for _ in range(len(self._values) - self._most)]
            if self._drop is not None:
                for old in dropped:
                    self._drop(old)
            return value


class Desk:
    """One archive, open for as long as the dashboard runs; every method may be called from several threads.

    Parameters
    ----------
    archive : Archive
    processes : int or None
        Worker processes for measuring dropped visits; None decides by the work there is.
    """

    def __init__(self, archive: Archive, *, processes: int | None = None) -> None:
        self.archive = archive
        self.processes = processes
        self.jobs = Jobs()
        self.folder = Path(tempfile.mkdtemp(prefix="sweepmuster-dashboard-"))
        self.drafts = Drafts(self.folder / "drafts")
        self.tables = Works(self.folder / "tables")
        self.papers = Papers(self.folder / "papers")
        self._captures, self._plans = _Recent(_CAPTURES), _Recent(_PLANS)
        self._reviews = _Recent(_REVIEWS, self._throw_away)
        self._noted, self._previews = _Recent(_REVIEWS), _Recent(_REVIEWS)
        self._rolls, self._trends, self._logs = _Recent(_CAPTURES), _Recent(_REVIEWS), _Recent(_REVIEWS)
        self._baselines: list[dict[str, Any]] = []
        self._baselines_seen = 0
        self._baselines_lock = threading.Lock()

    @property
    def place(self) -> str:
        """Where the archive is, a password left out."""
        return self.archive.engine.url.render_as_string(hide_password=True).removeprefix("sqlite:///")

    def close(self) -> None:
        """Let go of the archive and of the files just dropped."""
        self.jobs.close()
        self.archive.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    # lists: cut and counted in the database

    def visits(self, search: VisitSearch, *, offset: int, limit: int) -> Listed:
        """Return one page of the visits."""
        found = list_visits(self.archive, search, offset=offset, limit=limit)
        titles = kept_titles(self.archive, [row["key"] for row in found.rows])
        rows = tuple({**row, "kept_title": titles.get(row["key"])} for row in found.rows)
        return Listed(rows, found.total)

    def captures(self, search: Search) -> tuple[list[dict[str, Any]], int]:
        """Return one page of the captures, and how many there are in all."""
        return list_captures(self.archive, search), count_captures(self.archive, search)

    def terminals(self, text: str | None, *, offset: int, limit: int) -> Listed:
        """Return one page of the terminals."""
        return list_terminals(self.archive, text, offset=offset, limit=limit)

    def baselines(self) -> list[dict[str, Any]]:
        """Return all captures that are baselines."""
        with self._baselines_lock:
            found, self._baselines_seen = baselines(self.archive, self._baselines_seen)
            self._baselines += found
            return list(self._baselines)

    # one thing, as an object of the library; what was lately looked at is at hand

    def capture(self, key: str) -> Shown:
        """Return a capture by its key or the beginning of it.

        Raises
        ------
        ArchiveError
            If there is none, or its raw bytes are damaged.
        """
        row = self.archive.capture(key)
        return self._captures.get((row["key"], row["result"]), lambda: self._shown(row))

    def _shown(self, row: dict[str, Any]) -> Shown:
        review = restore_capture(self.archive, row)
        result = row["results"][0] if row["results"] else {"plan": None, "chain": None}
        table, chain = self.plan(result["plan"], result["chain"])
        head = {name: value for name, value in row.items() if name != "results"}
        return Shown(row["key"], row["visit"], head, review, table, chain)

    def pick(self, visit: str, capture: str | None = None) -> Shown:
        """Return the capture that is named, else the newest of the visit that was identified, else its newest.

        Raises
        ------
        ArchiveError
            If there is none.
        """
        if capture is not None:
            return self.capture(capture)
        rows = self.visit_list(self.visit(visit)["key"])
        if not rows:
            raise ArchiveError(self.archive.where, None, "a visit without captures", "captures", "Look in the list.")
        return self.capture(next((row["key"] for row in rows if row["verdict"] is not None), rows[0]["key"]))

    def trend(self, vessel: str | None, terminal: str | None) -> Followed | None:
        """Return the oscillator of a terminal over its newest captures; None where none of them was identified.

        Only captures that were held against the newest one's table and chain count.
        """
        rows = list_captures(self.archive, Search(vessel=vessel, terminal=terminal, limit=_MOST_IN_TREND))
        known = [row for row in rows if row["verdict"] in ("confirmed", "probable", "contradicted")]
        if not known:
            return None
        stamp = tuple((row["key"], row["verdict"], row["lo_error_hz"]) for row in known)
        return self._trends.get(stamp, lambda: self._followed([row["key"] for row in known]))

    def _followed(self, keys: Sequence[str]) -> Followed | None:
        from spectra.findings import trend

        shown = [self._shown(self.archive.capture(key)) for key in keys]
        newest = next((one for one in shown if one.table is not None and one.chain is not None), None)
        if newest is None or newest.table is None or newest.chain is None:
            return None
        plan = (newest.table.sha256, newest.chain.sha256)
        same = [
            one
            for one in shown
            if one.table is not None and one.chain is not None and (one.table.sha256, one.chain.sha256) == plan
        ]
        found = trend(
            [one.review.source.capture for one in same],
            newest.table,
            newest.chain,
            measurements=[one.review.measurements for one in same],
            identifications=[one.review.identification for one in same],
        )
        return Followed(found, tuple(one.key for one in same), len(shown) - len(same))

    def interference(self, visit: str) -> Watched:
        """Return the interferers of a visit, followed through its sweeps, and what they tell."""
        _, stamp = visit_state(self.archive, visit)
        return self._logs.get((visit, stamp), lambda: self._watched(visit))

    def _watched(self, visit: str) -> Watched:
        from spectra.archive import stored_log
        from spectra.finding import run_rules
        from spectra.findings.table import SET_RULES

        log = stored_log(self.archive, Search(visit=visit))
        return Watched(log.emissions, run_rules(SET_RULES, {"emissions": log.emissions}))

    def roll(self, shown: Shown, candidate: Candidate) -> tuple[Sequence[RollCallEntry], Sequence[tuple[int, Carrier]]]:
        """Return the roll call of a candidate that is not the best, and the carriers it leaves unexplained."""
        table, chain, measurements = shown.table, shown.chain, shown.review.measurements
        if table is None or chain is None or not measurements:
            return (), ()
        evidence = list(measurements) if len(measurements) > 1 else measurements[0]
        named = (candidate.satellite, candidate.beam, candidate.polarisation, candidate.lo_state, candidate.injection)
        context = shown.review.source.context
        contexts = [context] * len(measurements) if len(measurements) > 1 else context
        return self._rolls.get(
            (shown.key, shown.row["result"], named),
            lambda: call_roll(evidence, table, chain, candidate, context=contexts),
        )

    def plan(self, plan: str | None, chain: str | None) -> tuple[CarrierTable | None, ReceiveChain | None]:
        """Return a stored carrier table and receive chain by their hashes."""
        return self._plans.get((plan, chain), lambda: load_plan(self.archive, plan, chain))

    def last_plan(self) -> tuple[PlanFile | None, PlanFile | None]:
        """Return carrier table and receive chain of the newest sweep that had both, as edited since."""
        for row in list_captures(self.archive, Search(limit=20)):
            for result in self.archive.capture(row["key"])["results"][:1]:
                if result["plan"] is not None and result["chain"] is not None:
                    plan = follow(self.archive, "plan", result["plan"])
                    chain = follow(self.archive, "chain", result["chain"])
                    return self.archive.plan_file(plan), self.archive.plan_file(chain, "chain")
        return None, None

    def visit(self, key: str) -> dict[str, Any]:
        """Return what is stored of a visit itself, by its key or the beginning of it."""
        row = visit_row(self.archive, key)
        return {**row, "kept_title": kept_titles(self.archive, [row["key"]]).get(row["key"])}

    def visit_list(self, key: str) -> list[dict[str, Any]]:
        """Return the list view of a visit's captures, the newest first, as many as are looked at as one visit."""
        return list_captures(self.archive, Search(visit=key, limit=_MOST_IN_REVIEW))

    def review(self, key: str) -> VisitReview | None:
        """Return a visit, judged; None where it holds too many captures to be looked at as one piece of work.

        Its raw files lie in a folder of their own while the review is at hand, so that a report can give them along.
        """
        row = self.visit(key)
        count, stamp = visit_state(self.archive, row["key"], notes=False)
        if count > _MOST_IN_REVIEW:
            return None
        folder = self._files_of(row["key"], stamp)
        base: VisitReview = self._reviews.get(
            (row["key"], stamp), lambda: restore_visit(self.archive, row["key"], folder, notes=False)
        )
        notes = last_notes(self.archive, row["key"])
        if notes is None:
            return base

        def noted() -> tuple[VisitReview, VisitReview]:
            return base, judge(lay_over(self.archive, base.visit, notes, folder), base.captures)

        # an older one of the same name may rest on files that were thrown away since
        held, review = self._noted.get((row["key"], stamp, notes.key), noted)
        return review if held is base else noted()[1]

    def preview(self, review: VisitReview, language: str) -> bytes:
        """Return the report on a visit as a page; the last few are kept, for whoever looks at them again."""

        def make() -> tuple[VisitReview, bytes]:
            return review, rendered(review, "html", language)[2]

        held, page = self._previews.get((id(review), language), make)
        return page if held is review else make()[1]

    def paper(self, visit: str, key: str | None = None) -> Paper:
        """Return the report on a visit in the making: the one named, or one that begins with what the archive keeps."""
        return begin_paper(self.archive, self.papers, visit, key)

    def _files_of(self, visit: str, stamp: str) -> Path:
        return self.folder / "visits" / f"{visit[:SHORT]}-{stamp[:SHORT]}"

    def _throw_away(self, key: tuple[str, str]) -> None:
        """Throw away the raw files of a review that is no longer at hand; the archive has them."""
        shutil.rmtree(self._files_of(*key), ignore_errors=True)
