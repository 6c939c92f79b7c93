"""Comparison: what two or more captures tell that one cannot."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, get_args

from spectra.finding import Finding
from spectra.units import jsonable

if TYPE_CHECKING:
    import pandas as pd

    from spectra.identify.identification import Identification
    from spectra.measure.measurement import Measurement

__all__ = ["COMPARISON_KINDS", "SCHEMA", "Common", "Comparison", "ComparisonKind", "Pair", "Polarisation"]

SCHEMA = "sweepmuster/comparison/1"

ComparisonKind = Literal["polarisation", "lo_state", "before_after", "repeat"]
COMPARISON_KINDS: tuple[str, ...] = get_args(ComparisonKind)


@dataclass(frozen=True, slots=True)
class Pair:
    """One carrier of the reference capture and its partner in the other; changes = other minus reference.

    Of a polarisation pair: `home` is the port that the carrier belongs to (`reference` or `other`), isolation is its
    level there minus that on the other port whichever it is, `row` its line in the table (header = 1), `counts` whether
    it says something of the feed. `captures` are the indices of the two captures.
    """

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
    home: str | None = None
    row: int | None = None
    counts: bool | None = None
    captures: tuple[int, int] = (0, 1)

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
class Polarisation:
    """What a pair of ports tells as a whole.

    Attributes
    ----------
    isolation_db, isolation_std_db : float or None
        Over all carriers that count; None where no leak is seen.
    isolation_lower_bound_db : float or None
        95 % lower bound over all carriers.
    gain_difference_db, gain_difference_std_db, gain_difference_by
        Gain of the other port minus that of the reference, taken out of every isolation, and what it was had from.
    skew_deg : float or None
        Angle of an ideal feed that explains the isolation; signed (positive: the feed stands too far clockwise, seen
        from behind the antenna looking at the satellite) only where `skew_signed`.
    skew_interval95_deg : (low, high) or None
        Of its size, with the purity of satellite and feed allowed for.
    purity_db : (low, high)
        That allowance.
    variation_probability : float or None
        That the carriers would differ as much by chance.
    axial_ratio_db : float or None
        Circular polarisation: the ellipse that alone would explain the isolation (or its bound).
    """

    isolation_db: float | None = None
    isolation_std_db: float | None = None
    isolation_lower_bound_db: float | None = None
    gain_difference_db: float | None = None
    gain_difference_std_db: float | None = None
    gain_difference_by: str = ""
    skew_deg: float | None = None
    skew_std_deg: float | None = None
    skew_signed: bool = False
    skew_interval95_deg: tuple[float, float] | None = None
    purity_db: tuple[float, float] | None = None
    variation_probability: float | None = None
    axial_ratio_db: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the whole under the keys of the contract."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


@dataclass(frozen=True, slots=True)
class Comparison:
    """Captures held against the first of them.

    `polarisation` is None for other kinds; `measurements` (one tuple a capture) and `identification` are what it was
    made from, for figures and reports, and are not in the JSON.
    """

    kind: ComparisonKind
    captures: tuple[str, ...]
    pairs: tuple[Pair, ...]
    common: Common
    findings: tuple[Finding, ...] = ()
    polarisation: Polarisation | None = None
    measurements: tuple[tuple[Measurement, ...], ...] = field(default=(), compare=False, repr=False)
    identification: Identification | None = field(default=None, compare=False, repr=False)

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
            "polarisation": None if self.polarisation is None else self.polarisation.to_dict(),
            "findings": [finding.to_dict() for finding in self.findings],
        }

    def to_frame(self) -> pd.DataFrame:
        """Return the pairs as a table, one row each."""
        import pandas as pd

        return pd.DataFrame([pair.to_dict() for pair in self.pairs], columns=list(Pair.__dataclass_fields__))
