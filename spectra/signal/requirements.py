"""What a demodulator needs: Es/N0 at quasi-error-free reception, by modulation and code rate.

Sources, with how far each was checked:

* DVB-S2: ETSI EN 302 307-1, clause 6, table 13 (packet error rate 1e-7, AWGN, 64 800-bit frames, no pilots, ideal
  demodulator); values from a transcription that names the table, two further transcriptions agree within rounding.
  Frames of 16 200 bits need some 0.2 to 0.3 dB more (from memory).
* DVB-S: EN 300 421, Eb/N0 per useful bit at 2e-4 after the inner decoder (4.5, 5.0, 5.5, 6.0, 6.4 dB; from a
  transcription), which contains 0.8 dB of implementation loss (from memory); turned into Es/N0 by
  10 log10(2 r 188/204) (derived), the loss taken out here so that both tables are ideal.

The requirement does not rise evenly over the modulations (8PSK 3/5 needs less than QPSK 8/9): no modulation can be
inferred from an Es/N0.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["DVB_S", "DVB_S2", "Requirement", "required_es_n0"]

_S2_TEXT = """
QPSK 1/4 0.490243 -2.35; QPSK 1/3 0.656448 -1.24; QPSK 2/5 0.789412 -0.30; QPSK 1/2 0.988858 1.00;
QPSK 3/5 1.188304 2.23; QPSK 2/3 1.322253 3.10; QPSK 3/4 1.487473 4.03; QPSK 4/5 1.587196 4.68;
QPSK 5/6 1.654663 5.18; QPSK 8/9 1.766451 6.20; QPSK 9/10 1.788612 6.42;
8PSK 3/5 1.779991 5.50; 8PSK 2/3 1.980636 6.62; 8PSK 3/4 2.228124 7.91; 8PSK 5/6 2.478562 9.35;
8PSK 8/9 2.646012 10.69; 8PSK 9/10 2.679207 10.98;
16APSK 2/3 2.637201 8.97; 16APSK 3/4 2.966728 10.21; 16APSK 4/5 3.165623 11.03; 16APSK 5/6 3.300184 11.61;
16APSK 8/9 3.523143 12.89; 16APSK 9/10 3.567342 13.13;
32APSK 3/4 3.703295 12.73; 32APSK 4/5 3.951571 13.64; 32APSK 5/6 4.119540 14.28; 32APSK 8/9 4.397854 15.69;
32APSK 9/10 4.453027 16.05
"""
_S_EB_N0_DB = {"1/2": 4.5, "2/3": 5.0, "3/4": 5.5, "5/6": 6.0, "7/8": 6.4}
_S_LOSS_DB = 0.8


@dataclass(frozen=True, slots=True)
class Requirement:
    """Es/N0 that an ideal demodulator needs.

    Attributes
    ----------
    modulation, code_rate : str
    es_n0_db : float
    efficiency : float
        Useful bits per symbol.
    source : str
        Document and place.
    mark : str
        How far the value was checked: ``transcription`` or ``from memory``.
    """

    modulation: str
    code_rate: str
    es_n0_db: float
    efficiency: float
    source: str
    mark: str


def _s2() -> dict[tuple[str, str], Requirement]:
    found = {}
    for entry in _S2_TEXT.split(";"):
        modulation, rate, efficiency, es_n0 = entry.split()
        found[modulation, rate] = Requirement(
            modulation, rate, float(es_n0), float(efficiency), "EN 302 307-1 table 13", "transcription"
        )
    return found


def _s() -> dict[tuple[str, str], Requirement]:
    found = {}
    for rate, eb_n0 in _S_EB_N0_DB.items():
        above, below = rate.split("/")
        efficiency = 2.0 * int(above) / int(below) * 188.0 / 204.0
        es_n0 = eb_n0 + 10.0 * math.log10(efficiency) - _S_LOSS_DB
        found["QPSK", rate] = Requirement("QPSK", rate, es_n0, efficiency, "EN 300 421", "transcription")
    return found


DVB_S2: Mapping[tuple[str, str], Requirement] = MappingProxyType(_s2())
"""By (modulation, code rate): EN 302 307-1 table 13."""

DVB_S: Mapping[tuple[str, str], Requirement] = MappingProxyType(_s())
"""By (modulation, code rate): EN 300 421, the implementation loss it contains taken out."""

_SYSTEM = re.compile(r"\b(dvb[- ]?s2x?|dvb[- ]?s|s2x?)\b", re.IGNORECASE)


def required_es_n0(modulation: str | None, code_rate: str | None, system: str | None = None) -> Requirement | None:
    """Return what a modulation and code rate need, or None where no table has them.

    Parameters
    ----------
    modulation : str or None
        Such as ``8PSK``, any case; a system named with it (``DVB-S QPSK``) counts as `system`.
    code_rate : str or None
        Such as ``3/4``.
    system : str or None
        ``DVB-S`` or ``DVB-S2``; without it DVB-S2, and DVB-S for what only that has (QPSK 7/8).
    """
    if not modulation or not code_rate:
        return None
    named = _SYSTEM.search(modulation)
    told = (system or (named.group(1) if named else "")).lower().replace("-", "").replace(" ", "")
    word = _SYSTEM.sub("", modulation).upper()
    key = re.sub(r"[^A-Z0-9]", "", word), re.sub(r"\s", "", code_rate)
    key = {"16PSK": "16APSK", "32PSK": "32APSK"}.get(key[0], key[0]), key[1]
    if told == "dvbs":
        return DVB_S.get(key)
    return DVB_S2.get(key) or (DVB_S.get(key) if not told else None)
