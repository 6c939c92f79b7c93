"""Margin: how far a carrier's Es/N0 stands above what its modulation and code rate need.

The floor seen in the gaps lacks the noise that arrives inside the transponder: C/N, Es/N0 and margin are upper limits
of what a demodulator reports.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from spectra.errors import MeasurementError
from spectra.measure.measurement import Carrier
from spectra.signal.requirements import Requirement, required_es_n0
from spectra.units import jsonable

__all__ = ["UPPER_LIMIT", "Margin", "ModemDifference", "against_modem", "margin"]

UPPER_LIMIT = (
    "An upper limit: noise that arrives inside the transponder is not seen in the gaps, so a demodulator reports less."
)

_MODEM_STD_DB = 0.5
"""Of what a modem shows (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Margin:
    """Es/N0 over the requirement, an upper limit.

    `margin_db` is None, and `margin_above_db` a 95 % lower bound of the upper limit, where no gap shows the floor.
    """

    requirement: Requirement
    implementation_loss_db: float
    es_n0_db: float | None
    margin_db: float | None
    margin_std_db: float | None
    margin_above_db: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain numbers and words."""
        need = self.requirement
        result: dict[str, Any] = jsonable(
            {
                "modulation": need.modulation,
                "code_rate": need.code_rate,
                "required_es_n0_db": need.es_n0_db,
                "requirement_source": f"{need.source} ({need.mark})",
                "implementation_loss_db": self.implementation_loss_db,
                "es_n0_db": self.es_n0_db,
                "margin_db": self.margin_db,
                "margin_std_db": self.margin_std_db,
                "margin_above_db": self.margin_above_db,
                "upper_limit": True,
                "note": UPPER_LIMIT,
            }
        )
        return result


def margin(
    carrier: Carrier,
    modulation: str | None,
    code_rate: str | None,
    *,
    implementation_loss_db: float = 0.0,
    system: str | None = None,
) -> Margin | None:
    """Return the margin of a carrier, or None where requirement or Es/N0 are not known.

    Parameters
    ----------
    carrier : Carrier
    modulation, code_rate, system : str or None
        As in a carrier table; see `spectra.signal.requirements.required_es_n0`.
    implementation_loss_db : float
        What the real demodulator needs beyond the ideal one, 0 to 10.

    Raises
    ------
    MeasurementError
        If the implementation loss is out of range.

    Notes
    -----
    The table's values count as exact; the uncertainty is that of the measured Es/N0.
    """
    if not 0.0 <= implementation_loss_db <= 10.0:
        raise MeasurementError(
            "implementation_loss_db", None, f"{implementation_loss_db!r}", "0 to 10 dB", "0.5 to 1 dB is usual."
        )
    need = required_es_n0(modulation, code_rate, system)
    if need is None:
        return None
    asked = need.es_n0_db + implementation_loss_db
    if carrier.es_n0_db is not None:
        return Margin(need, implementation_loss_db, carrier.es_n0_db, carrier.es_n0_db - asked, carrier.es_n0_std_db)
    if carrier.cn_lower_bound_db is not None:
        return Margin(need, implementation_loss_db, None, None, None, carrier.cn_lower_bound_db - asked)
    return None


@dataclass(frozen=True, slots=True)
class ModemDifference:
    """Es/N0 of the sweep minus what the modem shows, its uncertainty, and what that suggests."""

    difference_db: float
    difference_std_db: float
    suggests: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain numbers and words."""
        result: dict[str, Any] = jsonable(
            {
                "difference_db": self.difference_db,
                "difference_std_db": self.difference_std_db,
                "suggests": self.suggests,
            }
        )
        return result


def against_modem(
    carrier: Carrier, modem_es_n0_db: float, *, modem_std_db: float = _MODEM_STD_DB
) -> ModemDifference | None:
    """Return how the sweep's Es/N0 stands to the modem's, or None where the sweep gives none.

    Notes
    -----
    Where the sweep reads higher by d dB, noise and interference unseen by the sweep (inside the transponder, phase
    noise, the demodulator's own) are 10 log10(10^(d/10) - 1) dB over the floor in the gaps (derived: powers add).
    """
    if carrier.es_n0_db is None:
        return None
    difference = carrier.es_n0_db - modem_es_n0_db
    std = math.hypot(carrier.es_n0_std_db or 0.0, modem_std_db)
    if abs(difference) <= 2.0 * std:
        words = "Sweep and modem agree: hardly any noise but that of the line and the LNB."
    elif difference > 0.0:
        unseen = 10.0 * math.log10(10.0 ** (difference / 10.0) - 1.0)
        side = "over" if unseen > 0.0 else "below"
        words = (
            f"Noise that the sweep does not see is {abs(unseen):.1f} dB {side} the floor in the gaps: noise of the "
            "uplink or the transponder, interference under the carrier, phase noise, or the demodulator's loss."
        )
    else:
        words = (
            "The sweep reads lower than the modem, which its upper limit does not allow: the analyser's own noise, "
            "another carrier than the modem's, or figures of different times."
        )
    return ModemDifference(difference, std, words)
