"""Identification: what the antenna looks at, how sure that is, and the roll call behind it."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import zip_longest
from typing import TYPE_CHECKING, Any, Literal, get_args

from spectra.finding import Finding
from spectra.units import jsonable

if TYPE_CHECKING:
    import pandas as pd

    from spectra.measure.measurement import Carrier

__all__ = [
    "SCHEMA",
    "THRESHOLDS",
    "VERDICTS",
    "Candidate",
    "Expected",
    "Identification",
    "LookFor",
    "NextSweep",
    "RollCallEntry",
    "Status",
    "Thresholds",
    "UnlistedCause",
    "Verdict",
]

SCHEMA = "sweepmuster/identification/1"

Verdict = Literal["confirmed", "probable", "ambiguous", "contradicted", "unidentified", "no carriers"]
VERDICTS: tuple[str, ...] = get_args(Verdict)
Status = Literal["present", "absent", "not visible"]
Change = Literal["moved", "symbol rate", "roll-off"]
Cause = Literal["moved", "new carrier", "interferer", "other polarisation", "co-located", "neighbour", "cannot tell"]
Injection = Literal["low", "high"]


@dataclass(frozen=True, slots=True)
class Thresholds:
    """What a verdict needs, in log10 odds.

    `none` is against chance, `next` against the best rival of the table, `kin` against a satellite that the table does
    not hold but that shares part of its carriers with a list of the table. The last cannot grow without bound:
    satellites elsewhere on the arc with nearly the same plan exist, and no sweep tells them apart. `roll_call` is the
    part of it that the roll call alone gives: listed carriers that show, carriers shown that are listed. Where fewer
    rows than usual are on air `sparse_roll_call` is enough of it, if the whole reaches `sparse_kin`. `matched` is
    not odds but the least number of listed carriers shown (neighbours that the sweep measures as one count each): fewer
    are thin evidence, whatever the odds say. `expected_kin`
    stands in place of `probable_kin` for the satellite that was expected: that the antenna looks at one outside the
    table instead is then the less likely. It never makes an answer `confirmed`.
    """

    confirmed_none: float = 9.0
    confirmed_next: float = 3.0
    confirmed_kin: float = 2.5
    confirmed_roll_call: float = 0.2
    sparse_kin: float = 3.5
    sparse_roll_call: float = 0.0
    confirmed_matched: float = 5.0
    probable_none: float = 3.0
    probable_next: float = 1.0
    probable_kin: float = 1.5
    expected_kin: float = 0.9

    def to_dict(self) -> dict[str, float]:
        """Return the numbers by name."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


THRESHOLDS = Thresholds()


@dataclass(frozen=True, slots=True)
class Candidate:
    """One hypothesis with its fit; the same keys stand at the top of an identification."""

    satellite: str | None = None
    orbital_longitude_deg: float | None = None
    beam: str | None = None
    polarisation: str | None = None
    lo_state: str | None = None
    injection: Injection | None = None
    if_offset_hz: float | None = None
    if_offset_std_hz: float | None = None
    if_reference_hz: float | None = None
    lo_error_hz: float | None = None
    lo_error_std_hz: float | None = None
    analyser_ppm: float | None = None
    analyser_ppm_std: float | None = None
    log10_odds_none: float | None = None
    log10_odds_next: float | None = None
    log10_odds_kin: float | None = None
    probability: float | None = None
    matched: int | None = None
    why_not: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the candidate under the keys of the contract."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True)
class Expected:
    """What the user said should be there."""

    satellite: str | None = None
    polarisation: str | None = None
    lo_state: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the three keys of the contract."""
        return {"satellite": self.satellite, "polarisation": self.polarisation, "lo_state": self.lo_state}


@dataclass(frozen=True, slots=True)
class RollCallEntry:
    """One table row held against the carriers; `row` is its line in the file (header = 1).

    `carrier` is the index (0-based) of the carrier that answers, `sweep` that of its sweep in the evidence. `changes`
    names what differs from the row beyond doubt; `moved_hz` is by how much the IF differs from that of the row, the
    common offset taken out (also of a silent row whose carrier seems to stand elsewhere). `margin_db` is Es/N0 over the
    ideal requirement of the row's modulation and code rate (EN 302 307-1 table 13, EN 300 421; transcriptions), no
    implementation loss: an upper limit, since the floor in the gaps lacks the noise that arrives in the transponder.
    """

    row: int
    rf_mhz: float
    expected_if_hz: float | None
    status: Status
    centre_hz: float | None = None
    offset_hz: float | None = None
    cn_db: float | None = None
    why: str = ""
    carrier: int | None = None
    sweep: int = 0
    changes: tuple[Change, ...] = ()
    moved_hz: float | None = None
    moved_std_hz: float | None = None
    margin_db: float | None = None
    margin_std_db: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the entry under the keys of the contract."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True)
class UnlistedCause:
    """What an unlisted carrier is likely to be, why, and the row (line in the file) that it has to do with."""

    likely: Cause
    why: str
    row: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the cause by name."""
        return {"likely": self.likely, "why": self.why, "likely_row": self.row}


@dataclass(frozen=True, slots=True)
class LookFor:
    """A table row to look for in the next sweep; `row` is its line in the file (header = 1)."""

    row: int
    satellite: str
    polarisation: str
    rf_mhz: float
    expected_if_hz: float


@dataclass(frozen=True, slots=True)
class NextSweep:
    """The sweep that would tell most.

    Attributes
    ----------
    lo_state : str
    polarisation : str or None
        What the sweep shows if the answer is right.
    opposite_port : bool
        Whether it is taken on the port of the opposite polarisation.
    start_hz, stop_hz, rbw_hz : float
        IF window, and an RBW at which the narrowest row looked for can be measured.
    expected_gain_log10 : float
        Decades of odds to be expected of it, against every one of `against`.
    against : tuple of str
        Rivals that it parts, ``SATELLITE/POL``; empty for a satellite outside the table.
    rows : tuple of LookFor
        By rising IF.
    """

    lo_state: str
    polarisation: str | None
    opposite_port: bool
    start_hz: float
    stop_hz: float
    rbw_hz: float
    expected_gain_log10: float
    against: tuple[str, ...]
    rows: tuple[LookFor, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the sweep by name."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__ if name not in ("rows", "against")}
        rows = [{name: getattr(row, name) for name in row.__dataclass_fields__} for row in self.rows]
        value: dict[str, Any] = jsonable({**plain, "against": list(self.against), "rows": rows})
        return value


@dataclass(frozen=True, slots=True)
class Identification:
    """The answer to: is the antenna on the right satellite, polarisation and LO state.

    `best` is the best hypothesis (also when contradicted; without satellite when unidentified), `candidates` the best
    ten, `unlisted` the carriers that no row explains as ``(index of the sweep, Carrier)``, `next_sweeps` what would
    tell most where the verdict is `probable` or `ambiguous`, best first. `unlisted_causes` go with `unlisted` where the
    verdict names a satellite.
    """

    verdict: Verdict
    best: Candidate
    position_confirmed: bool
    expected: Expected
    candidates: tuple[Candidate, ...]
    roll_call: tuple[RollCallEntry, ...]
    unlisted: tuple[tuple[int, Carrier], ...]
    findings: tuple[Finding, ...]
    table_file: str
    table_sha256: str
    table_rows: int
    chain: str
    thresholds: Thresholds = THRESHOLDS
    sentence: str = ""
    sweep_files: tuple[str, ...] = field(default_factory=tuple)
    next_sweeps: tuple[NextSweep, ...] = ()
    unlisted_causes: tuple[UnlistedCause, ...] = ()

    def __post_init__(self) -> None:
        if self.verdict not in VERDICTS:
            raise ValueError(f"verdict {self.verdict!r} is none of {VERDICTS}")

    def __getattr__(self, name: str) -> Any:
        # the contract's keys of the best hypothesis read as attributes too: identification.satellite
        if name in Candidate.__dataclass_fields__ and name not in ("matched", "why_not"):
            return getattr(object.__getattribute__(self, "best"), name)
        raise AttributeError(name)

    def to_dict(self) -> dict[str, Any]:
        """Return the identification under the keys of the contract (`sweepmuster/identification/1`)."""
        best = self.best.to_dict()
        return {
            "schema": SCHEMA,
            "verdict": self.verdict,
            **{key: best[key] for key in best if key not in ("matched", "why_not")},
            "thresholds": self.thresholds.to_dict(),
            "position_confirmed": self.position_confirmed,
            "expected": self.expected.to_dict(),
            "candidates": [candidate.to_dict() for candidate in self.candidates],
            "roll_call": [entry.to_dict() for entry in self.roll_call],
            "unlisted": [
                {"sweep": index, **carrier.to_dict(), **(cause.to_dict() if cause is not None else {})}
                for (index, carrier), cause in zip_longest(self.unlisted, self.unlisted_causes)
            ],
            "findings": [finding.to_dict() for finding in self.findings],
            "table": {"file": self.table_file, "sha256": self.table_sha256, "rows": self.table_rows},
            "chain": self.chain,
            "sentence": self.sentence,
            "sweeps": list(self.sweep_files),
            "next_sweeps": [sweep.to_dict() for sweep in self.next_sweeps],
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the roll call as a table, one row per table row."""
        import pandas as pd

        columns = list(RollCallEntry.__dataclass_fields__)
        return pd.DataFrame([entry.to_dict() for entry in self.roll_call], columns=columns)
