"""Load receive chains: TOML that a person writes.

[chain]
name = "aft antenna"
if_min_mhz = 950
if_max_mhz = 2150

[[lo_state]]
name = "low"
lo_mhz = 9750
injection = "low"          # low: IF = RF - LO; high: IF = LO - RF, spectrum inverted
rf_min_mhz = 10700
rf_max_mhz = 11900
polarisation = "H"         # optional, as supply_v, tone_22khz and tolerance_khz
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from spectra.errors import ChainError
from spectra.plan.chain import Cable, Injection, LoState, ReceiveChain
from spectra.plan.numbers import printed_text
from spectra.plan.words import POLARISATION_WORDS

__all__ = ["KEYS", "load_chain"]

_MHZ = 1e6
KEYS = {
    "chain": ("name", "if_min_mhz", "if_max_mhz", "line_gain_db", "reference_ppm"),
    "lo_state": (
        "name",
        "lo_mhz",
        "injection",
        "rf_min_mhz",
        "rf_max_mhz",
        "polarisation",
        "supply_v",
        "tone_22khz",
        "tolerance_khz",
    ),
    "cable": ("length_m", "velocity_factor", "attenuation_a", "attenuation_b"),
}
"""The keys of each table of a chain file."""


@dataclass
class _Source:
    """The text of a chain file, to say on which line a key stands; gathers what is only worth a warning."""

    file: str
    text: str
    warnings: list[ChainError] = field(default_factory=list)

    def line(self, table: str, key: str | None, nth: int = 0) -> int | None:
        """Return the line of a key in the nth table of that name, else of the table's header; None if neither."""
        header = re.compile(rf"\s*\[\[?\s*[\"']?{re.escape(table)}[\"']?\s*\]?\]")
        any_header = re.compile(r"\s*\[")
        wanted = None if key is None else re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=")
        seen, inside, found = -1, False, None
        for number, line in enumerate(self.text.splitlines(), start=1):
            if header.match(line):
                seen += 1
                inside = seen == nth
                found = number if inside else found
            elif any_header.match(line):
                inside = False
            elif inside and wanted is not None and wanted.match(line):
                return number
        return found

    def error(self, table: str, key: str | None, found: str, expected: str, mend: str, nth: int = 0) -> ChainError:
        """Return an error at a key."""
        return ChainError(self.file, self.line(table, key, nth), found, expected, mend, key)


def load_chain(path: str | Path) -> ReceiveChain:
    """Load a receive chain.

    Parameters
    ----------
    path : str or Path
        A TOML file with the tables `chain`, `lo_state` (one for each state) and, optionally, `cable`.

    Returns
    -------
    ReceiveChain
        With `warnings` for keys that are not known (they are kept in `extra`) and values that look odd.

    Raises
    ------
    ChainError
        If the file cannot be read or its numbers cannot be true together.
    """
    where = Path(path)
    try:
        raw = where.read_bytes()
    except OSError as error:
        found = (error.strerror or type(error).__name__).lower()
        raise ChainError(str(path), None, found, "a readable TOML file", "Check the name and the rights.") from None
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
        data = tomllib.loads(text.replace("\r\n", "\n"))
    except UnicodeDecodeError:
        raise ChainError(
            where.name, None, "bytes that are no text", "TOML as UTF-8", "Save it as UTF-8 text."
        ) from None
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"line (\d+)", str(error))
        line = int(match[1]) if match else None
        mend = 'A line reads: key = 1234.5, or key = "word"; decimals with a point.'
        raise ChainError(where.name, line, f"text that is no TOML ({error})", "TOML", mend) from None
    return _chain(_Source(where.name, text), data, hashlib.sha256(raw).hexdigest())


def _chain(source: _Source, data: dict[str, Any], sha256: str) -> ReceiveChain:
    head = data.get("chain")
    if not isinstance(head, dict):
        raise ChainError(source.file, None, "no table [chain]", "[chain] with if_min_mhz, if_max_mhz", "Add it.")
    blocks = data.get("lo_state")
    if isinstance(blocks, dict):
        mend = "Write the header as [[lo_state]], with two brackets."
        raise source.error("lo_state", None, "[lo_state]", "[[lo_state]]", mend)
    if not isinstance(blocks, list) or not blocks or not all(isinstance(block, dict) for block in blocks):
        mend = "Add a table [[lo_state]] for each setting of the LNB."
        raise ChainError(source.file, None, "no table [[lo_state]]", "at least one LO state", mend)
    extra = {key: value for key, value in data.items() if key not in KEYS}
    for key in extra:
        _warn_unknown(source, key, None, 0, tuple(KEYS))
    extra |= {f"chain.{key}": value for key, value in _unknown(source, "chain", head, 0).items()}
    if_min = _number(source, "chain", "if_min_mhz", head, required=True) * _MHZ
    if_max = _number(source, "chain", "if_max_mhz", head, required=True) * _MHZ
    _judge_if(source, if_min, if_max)
    states = []
    for nth, block in enumerate(blocks):
        states.append(_state(source, block, nth, (if_min, if_max)))
        extra |= {f"lo_state.{nth}.{key}": value for key, value in _unknown(source, "lo_state", block, nth).items()}
    names = [state.name for state in states]
    for nth, name in enumerate(names):
        if name in names[:nth]:
            mend = "Give every LO state its own name."
            raise source.error("lo_state", "name", f"a second LO state {name!r}", "names used once", mend, nth)
    cable, cable_extra = _cable(source, data.get("cable"))
    extra |= cable_extra
    gain = _number(source, "chain", "line_gain_db", head)
    ppm = _number(source, "chain", "reference_ppm", head)
    if ppm is not None and not 0.0 <= ppm <= 1000.0:
        mend = "Give the analyser's reference accuracy in parts per million, without sign."
        raise source.error("chain", "reference_ppm", f"{ppm:g}", "0 to 1000 ppm", mend)
    return ReceiveChain(
        name=str(head.get("name") or Path(source.file).stem),
        if_min_hz=if_min,
        if_max_hz=if_max,
        lo_states=tuple(states),
        line_gain_db=gain,
        reference_ppm=ppm,
        cable=cable,
        file=source.file,
        sha256=sha256,
        extra=extra,
        warnings=tuple(source.warnings),
    )


def _unknown(source: _Source, table: str, block: Mapping[str, Any], nth: int) -> dict[str, Any]:
    rest = {key: value for key, value in block.items() if key not in KEYS[table]}
    for key in rest:
        _warn_unknown(source, table, key, nth, KEYS[table])
    return rest


def _warn_unknown(source: _Source, table: str, key: str | None, nth: int, known: Sequence[str]) -> None:
    import difflib

    name = key or table
    near = difflib.get_close_matches(name, known, n=1)
    mend = f"Perhaps {near[0]} is meant." if near else "It is kept, and not used."
    expected = "one of " + ", ".join(known)
    source.warnings.append(source.error(table, key, f"unknown key {name!r}", expected, mend, nth))


def _number(
    source: _Source, table: str, key: str, block: Mapping[str, Any], nth: int = 0, *, required: bool = False
) -> Any:
    value = block.get(key)
    if value is None:
        if required:
            raise source.error(table, key, f"no {key}", f"{key} = a number", f"Add {key} to [{table}].", nth)
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        mend = "Write a plain number, with a point as decimal mark and without quotation marks."
        raise source.error(table, key, repr(value), "a number", mend, nth)
    return float(value)


def _judge_if(source: _Source, if_min: float, if_max: float) -> None:
    if if_min >= if_max:
        mend = "Exchange if_min_mhz and if_max_mhz, or correct one."
        found = f"if_min_mhz {if_min / _MHZ:g} not below if_max_mhz {if_max / _MHZ:g}"
        raise source.error("chain", "if_min_mhz", found, "a rising range", mend)
    for key, value in (("if_min_mhz", if_min), ("if_max_mhz", if_max)):
        if not 1e6 <= value <= 10e9:
            mend = "Write the IF in MHz, for example 950 and 2150."
            raise source.error("chain", key, f"{value / _MHZ:g}", "an IF of 1 MHz to 10 GHz", mend)


def _state(source: _Source, block: Mapping[str, Any], nth: int, if_range: tuple[float, float]) -> LoState:
    name = block.get("name")
    if not isinstance(name, str) or not name.strip():
        mend = 'Give the LO state a name, for example name = "low band".'
        raise source.error("lo_state", "name", repr(name), "a name", mend, nth)
    injection = block.get("injection", "low")
    if injection not in ("low", "high"):
        mend = 'Write "low" where IF = RF - LO, "high" where IF = LO - RF.'
        raise source.error("lo_state", "injection", repr(injection), '"low" or "high"', mend, nth)
    if "injection" not in block:
        mend = 'Taken as "low" (IF = RF - LO); write injection = "low" or "high".'
        source.warnings.append(source.error("lo_state", None, "no injection", '"low" or "high"', mend, nth))
    lo = _frequency(source, "lo_mhz", block, nth)
    rf_min, rf_max = (_frequency(source, key, block, nth) for key in ("rf_min_mhz", "rf_max_mhz"))
    if rf_min >= rf_max:
        found = f"rf_min_mhz {rf_min / _MHZ:g} not below rf_max_mhz {rf_max / _MHZ:g}"
        mend = "Exchange rf_min_mhz and rf_max_mhz, or correct one."
        raise source.error("lo_state", "rf_min_mhz", found, "a rising range", mend, nth)
    tolerance = _number(source, "lo_state", "tolerance_khz", block, nth)
    if tolerance is not None and not 0.0 <= tolerance <= 100e3:
        mend = "Give the largest LO error that the LNB's data allow, in kHz, without sign."
        raise source.error("lo_state", "tolerance_khz", f"{tolerance:g}", "0 to 100000 kHz", mend, nth)
    supply = _number(source, "lo_state", "supply_v", block, nth)
    if supply is not None and not 0.0 <= supply <= 60.0:
        raise source.error("lo_state", "supply_v", f"{supply:g}", "0 to 60 V", "Give the supply in volts.", nth)
    tone = block.get("tone_22khz")
    if tone is not None and not isinstance(tone, bool):
        mend = "Write tone_22khz = true or tone_22khz = false."
        raise source.error("lo_state", "tone_22khz", repr(tone), "true or false", mend, nth)
    state = LoState(
        name=name.strip(),
        lo_hz=lo,
        injection=_injection(injection),
        rf_min_hz=rf_min,
        rf_max_hz=rf_max,
        polarisation=_polarisation(source, block, nth),
        supply_v=supply,
        tone_22khz=tone,
        tolerance_hz=None if tolerance is None else tolerance * 1e3,
    )
    _judge_fit(source, state, if_range, nth)
    return state


def _injection(word: str) -> Injection:
    return "high" if word == "high" else "low"


def _polarisation(source: _Source, block: Mapping[str, Any], nth: int) -> str | None:
    word = block.get("polarisation")
    if word is None or word == "":
        return None
    meant = POLARISATION_WORDS.get("".join(c for c in str(word).lower() if c.isalnum()))
    if meant is None:
        mend = "Write H, V, L or R, or leave the key out where the state has no polarisation of its own."
        raise source.error("lo_state", "polarisation", repr(word), "H, V, L or R", mend, nth)
    return meant


def _frequency(source: _Source, key: str, block: Mapping[str, Any], nth: int) -> float:
    """Return an LO or RF frequency in Hz; refuse what must be in another unit."""
    value: float = _number(source, "lo_state", key, block, nth, required=True)
    if 100.0 <= value <= 100e3:
        return value * _MHZ
    for slip, unit in ((1e3, "GHz"), (1e-3, "kHz"), (1e-6, "Hz")):
        if 100.0 <= value * slip <= 100e3:
            mend = f"The value looks like {unit}: write {printed_text(round(value * slip, 9))}."
            raise source.error("lo_state", key, f"{value:g}", "a frequency in MHz", mend, nth)
    raise source.error("lo_state", key, f"{value:g}", "a frequency of 100 MHz to 100 GHz", "Write it in MHz.", nth)


def _judge_fit(source: _Source, state: LoState, if_range: tuple[float, float], nth: int) -> None:
    """Refuse ranges that no carrier could come through, and warn of those that only partly fit."""
    ends = sorted(float(state.if_from_rf(rf)) for rf in (state.rf_min_hz, state.rf_max_hz))
    what = f"RF {state.rf_min_hz / _MHZ:g}-{state.rf_max_hz / _MHZ:g} MHz with LO {state.lo_hz / _MHZ:g} MHz"
    other = "high" if state.injection == "low" else "low"
    if ends[0] < 0.0:
        side = "above" if state.injection == "low" else "below"
        mend = f'Correct the LO, or write injection = "{other}" if the spectrum is '
        mend += "inverted." if other == "high" else "upright."
        key = "injection" if ends[1] <= 0.0 else "lo_mhz"
        raise source.error(
            "lo_state", key, what, f'an RF range {side} the LO for injection "{state.injection}"', mend, nth
        )
    found = f"{what}: IF {ends[0] / _MHZ:g}-{ends[1] / _MHZ:g} MHz"
    expected = f"an IF within {if_range[0] / _MHZ:g}-{if_range[1] / _MHZ:g} MHz"
    if ends[1] <= if_range[0] or ends[0] >= if_range[1]:
        mend = "Correct the LO, the RF range or the IF range: no carrier could come through."
        raise source.error("lo_state", "lo_mhz", found, expected, mend, nth)
    if ends[0] < if_range[0] - 1e3 or ends[1] > if_range[1] + 1e3:
        mend = "Only the part within the IF range can be seen; correct the ranges if that is not meant."
        source.warnings.append(source.error("lo_state", "rf_min_mhz", found, expected, mend, nth))


def _cable(source: _Source, block: Any) -> tuple[Cable | None, dict[str, Any]]:
    if block is None:
        return None, {}
    if not isinstance(block, dict):
        raise source.error("cable", None, repr(block)[:60], "a table [cable]", "Write [cable] on its own line.")
    length = _number(source, "cable", "length_m", block, required=True)
    velocity = _number(source, "cable", "velocity_factor", block)
    if not 0.0 <= length <= 2000.0:
        raise source.error("cable", "length_m", f"{length:g}", "0 to 2000 m", "Give the length in metres.")
    if velocity is not None and not 0.3 <= velocity <= 1.0:
        mend = "Give the velocity as a fraction of that of light, for example 0.85."
        raise source.error("cable", "velocity_factor", f"{velocity:g}", "0.3 to 1", mend)
    a, b = (_number(source, "cable", key, block) for key in ("attenuation_a", "attenuation_b"))
    for key, value in (("attenuation_a", a), ("attenuation_b", b)):
        if value is not None and value < 0.0:
            raise source.error("cable", key, f"{value:g}", "a loss, not negative", "Give the loss without sign.")
    rest = {f"cable.{key}": value for key, value in _unknown(source, "cable", block, 0).items()}
    return Cable(length, velocity, a, b), rest
