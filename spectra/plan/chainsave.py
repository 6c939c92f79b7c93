"""Save receive chains as TOML, the previous version kept."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import date, time
from pathlib import Path
from typing import Any

from spectra.errors import ChainError
from spectra.plan.chain import ReceiveChain
from spectra.plan.chainfile import KEYS
from spectra.plan.versions import replace_whole

__all__ = ["save_chain"]

_MHZ = 1e6


def save_chain(chain: ReceiveChain, path: str | Path) -> Path | None:
    """Save a receive chain as TOML in one step; the previous version is kept as ``<stem>.<n>.toml``.

    Returns
    -------
    Path or None
        Where the previous version is now, None if there was none or nothing changed.

    Raises
    ------
    ChainError
        If the file cannot be written.
    """
    where = Path(path)
    try:
        return replace_whole(where, _toml(chain).encode("utf-8"))
    except OSError as error:
        found = (error.strerror or type(error).__name__).lower()
        mend = "Close the file in other programs; check folder and rights."
        raise ChainError(str(path), None, found, "a file that can be written", mend) from None


def _toml(chain: ReceiveChain) -> str:
    head = {
        "name": chain.name,
        "if_min_mhz": _plain(chain.if_min_hz, _MHZ),
        "if_max_mhz": _plain(chain.if_max_hz, _MHZ),
        "line_gain_db": chain.line_gain_db,
        "reference_ppm": chain.reference_ppm,
    }
    blocks: list[tuple[str, dict[str, Any]]] = [("[chain]", head | _own(chain.extra, "chain."))]
    for nth, state in enumerate(chain.lo_states):
        values = {
            "name": state.name,
            "lo_mhz": _plain(state.lo_hz, _MHZ),
            "injection": state.injection,
            "rf_min_mhz": _plain(state.rf_min_hz, _MHZ),
            "rf_max_mhz": _plain(state.rf_max_hz, _MHZ),
            "polarisation": state.polarisation,
            "supply_v": state.supply_v,
            "tone_22khz": state.tone_22khz,
            "tolerance_khz": None if state.tolerance_hz is None else _plain(state.tolerance_hz, 1e3),
        }
        blocks.append(("[[lo_state]]", values | _own(chain.extra, f"lo_state.{nth}.")))
    if chain.cable is not None:
        values = {name: getattr(chain.cable, name) for name in KEYS["cable"]}
        blocks.append(("[cable]", values | _own(chain.extra, "cable.")))
    top = {key: value for key, value in chain.extra.items() if key.split(".")[0] not in KEYS}
    lines = [f"{_toml_key(key)} = {_toml_value(value)}" for key, value in top.items()]
    for header, values in blocks:
        lines += ["", header] if lines else [header]
        lines += [f"{_toml_key(key)} = {_toml_value(value)}" for key, value in values.items() if value is not None]
    return "\n".join(lines) + "\n"


def _own(extra: Mapping[str, Any], prefix: str) -> dict[str, Any]:
    return {key.removeprefix(prefix): value for key, value in extra.items() if key.startswith(prefix)}


def _plain(value: float, unit: float) -> int | float:
    number = round(value / unit, 9)
    return int(number) if number.is_integer() else number


def _toml_key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _toml_value(key)


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_toml_key(str(key))} = {_toml_value(one)}" for key, one in value.items()) + "}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(_toml_value(one) for one in value) + "]"
    if isinstance(value, date | time):
        return value.isoformat()
    return repr(value)
