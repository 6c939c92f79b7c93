"""Receive chain: LO states and the way between RF and IF.

Low side: IF = RF - LO. High side: IF = LO - RF, the spectrum is inverted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from spectra.errors import ChainError

__all__ = ["Cable", "Injection", "LoState", "ReceiveChain"]

Injection = Literal["low", "high"]


@dataclass(frozen=True, slots=True)
class LoState:
    """One setting of the LNB. `supply_v` and `tone_22khz` select it; the mapping is the terminal's, not ours."""

    name: str
    lo_hz: float
    injection: Injection
    rf_min_hz: float
    rf_max_hz: float
    polarisation: str | None = None
    supply_v: float | None = None
    tone_22khz: bool | None = None
    tolerance_hz: float | None = None

    @property
    def sign(self) -> float:
        """+1 on the low side, -1 on the high side: d(IF)/d(RF)."""
        return 1.0 if self.injection == "low" else -1.0

    def if_from_rf(self, rf_hz: Any) -> Any:
        """Return the nominal IF of an RF (scalar or array)."""
        return self.sign * (np.asarray(rf_hz) - self.lo_hz)

    def rf_from_if(self, if_hz: Any) -> Any:
        """Return the RF of a nominal IF (scalar or array)."""
        return self.lo_hz + self.sign * np.asarray(if_hz)

    def lo_error_from_offset(self, if_offset_hz: float) -> float:
        """Return true LO minus nominal for an IF offset: minus it on the low side, plus it on the high side."""
        return -self.sign * if_offset_hz


@dataclass(frozen=True, slots=True)
class Cable:
    """Loss a sqrt(f) + b f in dB per 100 m with f in GHz, as cable tables are fitted."""

    length_m: float
    velocity_factor: float | None = None
    attenuation_a: float | None = None
    attenuation_b: float | None = None


@dataclass(frozen=True, slots=True)
class ReceiveChain:
    """What lies between sky and analyser.

    `extra` keeps the keys of the file that are not ours, by their path (``chain.remark``, ``lo_state.0.maker``).
    """

    name: str
    if_min_hz: float
    if_max_hz: float
    lo_states: tuple[LoState, ...]
    line_gain_db: float | None = None
    reference_ppm: float | None = None
    cable: Cable | None = None
    file: str = "(memory)"
    sha256: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict, compare=False)
    warnings: tuple[ChainError, ...] = field(default=(), compare=False)

    def state(self, name: str) -> LoState:
        """Return the LO state of that name.

        Raises
        ------
        KeyError
            If there is none.
        """
        for state in self.lo_states:
            if state.name == name:
                return state
        raise KeyError(name)
