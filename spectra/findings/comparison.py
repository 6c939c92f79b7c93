"""Comparison: what two or more captures tell that one cannot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

from spectra.finding import Finding
from spectra.units import jsonable

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COMPARISON_KINDS", "SCHEMA", "Common", "Comparison", "ComparisonKind", "Pair"]

SCHEMA = "sweepmuster/comparison/1"

ComparisonKind = Literal["polarisation", "lo_state", "before_after", "repeat"]
COMPARISON_KINDS: tuple[str, ...] = get_args(ComparisonKind)


@dataclass(frozen=True, slots=True)
class Pair:
    """One carrier of the reference capture and its partner in the other; changes = other minus reference."""

    reference_centre_hz: float | None = None
    other_centre_hz: float | None = None
    level_change_db: float | None = None
    level_change_std_db: float | None = None
    cn_change_db: float | None = None
    cn_change_std_db: float | None = None
    isolation_db: float | None = None
    isolation_std_db: float | None = None
    isolation_lower_bound_db: float | None = None
    why: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the pair under the keys of the contract."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True)
class Common:
    """What changed for all carriers alike."""

    level_change_db: float | None = None
    level_change_std_db: float | None = None
    if_change_hz: float | None = None
    if_change_std_hz: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the common part under the keys of the contract."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True)
class Comparison:
    """Captures held against the first of them."""

    kind: ComparisonKind
    captures: tuple[str, ...]
    pairs: tuple[Pair, ...]
    common: Common
    findings: tuple[Finding, ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in COMPARISON_KINDS:
            raise ValueError(f"comparison kind {self.kind!r} is none of {COMPARISON_KINDS}")

    def to_dict(self) -> dict[str, Any]:
        """Return the comparison under the keys of the contract (`sweepmuster/comparison/1`)."""
        return {
            "schema": SCHEMA,
            "kind": self.kind,
            "captures": list(self.captures),
            "pairs": [pair.to_dict() for pair in self.pairs],
            "common": self.common.to_dict(),
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the pairs as a table, one row each."""
        import pandas as pd

        return pd.DataFrame([pair.to_dict() for pair in self.pairs], columns=list(Pair.__dataclass_fields__))
