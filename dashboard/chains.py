"""Receive chains from a form: written as the TOML that the library reads, and judged by it."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.drafts import safe_name
from spectra.errors import ChainError

if TYPE_CHECKING:
    from spectra.archive import Edition
    from spectra.archive.store import Archive
    from spectra.plan.chain import ReceiveChain

__all__ = ["CHAIN_FIELDS", "STATE_FIELDS", "Judged", "form_of", "judged", "keep_chain", "states_in"]

CHAIN_FIELDS = ("name", "if_min_mhz", "if_max_mhz", "line_gain_db", "reference_ppm")
CABLE_FIELDS = ("length_m", "velocity_factor", "attenuation_a", "attenuation_b")
STATE_FIELDS = (
    *("name", "lo_mhz", "injection", "rf_min_mhz", "rf_max_mhz"),
    *("polarisation", "supply_v", "tone_22khz", "tolerance_khz"),
)
_WORDS = ("name", "injection", "polarisation")
_MOST_STATES = 40
_LONGEST = 200


@dataclass(frozen=True, slots=True)
class Judged:
    """What the library says of a form: the chain, or what is wrong and in which field."""

    chain: ReceiveChain | None
    problem: ChainError | None = None
    field: str | None = None
    place: str = ""


def form_of(chain: ReceiveChain | None) -> dict[str, str]:
    """Return a chain as the values of the form's fields; a new one where there is none."""
    if chain is None:
        return {"chain.name": "", "chain.if_min_mhz": "950", "chain.if_max_mhz": "2150", **_state_form(0, {})}
    head: dict[str, Any] = {
        "name": chain.name,
        "if_min_mhz": chain.if_min_hz / 1e6,
        "if_max_mhz": chain.if_max_hz / 1e6,
        "line_gain_db": chain.line_gain_db,
        "reference_ppm": chain.reference_ppm,
    }
    form = {f"chain.{key}": _shown(value) for key, value in head.items()}
    for key in CABLE_FIELDS:
        form[f"cable.{key}"] = "" if chain.cable is None else _shown(getattr(chain.cable, key))
    for nth, state in enumerate(chain.lo_states):
        said = {
            "name": state.name,
            "lo_mhz": state.lo_hz / 1e6,
            "injection": state.injection,
            "rf_min_mhz": state.rf_min_hz / 1e6,
            "rf_max_mhz": state.rf_max_hz / 1e6,
            "polarisation": state.polarisation,
            "supply_v": state.supply_v,
            "tone_22khz": state.tone_22khz,
            "tolerance_khz": None if state.tolerance_hz is None else state.tolerance_hz / 1e3,
        }
        form |= _state_form(nth, said)
    return form


def _state_form(nth: int, said: Mapping[str, Any]) -> dict[str, str]:
    values = {"injection": "low", **said}
    return {f"state.{nth}.origin": str(nth) if said else "", **_named(nth, values)}


def _named(nth: int, values: Mapping[str, Any]) -> dict[str, str]:
    return {f"state.{nth}.{key}": _shown(values.get(key)) for key in STATE_FIELDS}


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, int | float):
        number = round(float(value), 9)
        return str(int(number)) if number.is_integer() else repr(number)
    return str(value)


def states_in(form: Mapping[str, Any]) -> list[int]:
    """Return the numbers of the LO states that a form holds, in order."""
    numbers = {
        int(part)
        for key in form
        if key.startswith("state.") and (part := key.split(".")[1]).isdigit() and len(part) < 5
    }
    return sorted(numbers)[:_MOST_STATES]


def judged(form: Mapping[str, Any], before: ReceiveChain | None, name: str = "chain.toml") -> Judged:
    """Return what the library says of a form; keys of `before` that the form does not know are kept.

    Parameters
    ----------
    form : mapping of str to str
        ``chain.<key>``, ``cable.<key>``, ``state.<n>.<key>``, as the fields say.
    before : ReceiveChain or None
        What the form was made from.
    name : str
        Name of the file.
    """
    from spectra.plan import load_chain

    lines, fields = _toml(form)
    with tempfile.TemporaryDirectory(prefix="sweepmuster-") as place:
        path = Path(place) / safe_name(name)
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        try:
            chain = load_chain(path)
        except ChainError as problem:
            field = _field(problem, fields)
            return Judged(None, problem, field, _place(form, field))
    return Judged(_with_extra(chain, form, before))


def _toml(form: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """Return the lines, and beside each the field that it came from (its section where it is a head)."""
    lines, fields = ["[chain]"], ["chain."]
    sections: list[tuple[str, str, Sequence[str]]] = [("", "chain.", CHAIN_FIELDS)]
    sections += [("[[lo_state]]", f"state.{nth}.", STATE_FIELDS) for nth in states_in(form)]
    if any(str(form.get(f"cable.{key}") or "").strip() for key in CABLE_FIELDS):
        sections.append(("[cable]", "cable.", CABLE_FIELDS))
    for head, prefix, keys in sections:
        if head:
            lines.append(head)
            fields.append(prefix)
        for key in keys:
            text = str(form.get(prefix + key) or "").strip()[:_LONGEST]
            if text:
                lines.append(f"{key} = {_value(key, text)}")
                fields.append(prefix + key)
    return lines, fields


def _value(key: str, text: str) -> str:
    if key == "tone_22khz":
        return {"on": "true", "off": "false"}.get(text, json.dumps(text))
    if key not in _WORDS:
        try:
            number = float(text.replace(",", ".", 1))
        except ValueError:
            number = float("nan")
        if abs(number) < float("inf"):
            return repr(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _field(problem: ChainError, fields: Sequence[str]) -> str | None:
    if problem.line is None or not 1 <= problem.line <= len(fields):
        return None
    found = fields[problem.line - 1]
    # a key that is missing is told at the head of its section
    return found + (problem.column or "") if found.endswith(".") else found


def _place(form: Mapping[str, Any], field: str | None) -> str:
    if field is None:
        return "The chain"
    head, _, rest = field.partition(".")
    if head == "state":
        number, _, key = rest.partition(".")
        nth = states_in(form).index(int(number)) + 1
        said = str(form.get(f"state.{number}.name") or "").strip()
        return f"LO state {nth}{f' ({said})' if said else ''}, {key.replace('_', ' ')}".rstrip(", ")
    return f"{'Cable' if head == 'cable' else 'Chain'}, {rest.replace('_', ' ')}".rstrip(", ")


def _with_extra(chain: ReceiveChain, form: Mapping[str, Any], before: ReceiveChain | None) -> ReceiveChain:
    """Return the chain with the keys of `before` that no field shows; those of an LO state go where it went."""
    if before is None or not before.extra:
        return chain
    now = {str(form.get(f"state.{n}.origin") or ""): nth for nth, n in enumerate(states_in(form))}
    extra: dict[str, Any] = {}
    for key, value in before.extra.items():
        head, _, rest = key.partition(".")
        if head == "lo_state":
            origin, _, name = rest.partition(".")
            if origin in now:
                extra[f"lo_state.{now[origin]}.{name}"] = value
        elif head != "cable" or chain.cable is not None:
            extra[key] = value
    return replace(chain, extra=extra)


def keep_chain(archive: Archive, chain: ReceiveChain, parent: str | None, since: int) -> Edition | None:
    """Keep a chain as a new edition; None where it is what it was made from.

    Raises
    ------
    ArchiveError
        If somebody else saved meanwhile.
    """
    from spectra.archive import keep_edition
    from spectra.archive.record import RawFile
    from spectra.archive.store import PlanFile
    from spectra.plan import load_chain, save_chain

    with tempfile.TemporaryDirectory(prefix="sweepmuster-") as place:
        path = Path(place) / safe_name(chain.file)
        save_chain(chain, path)
        saved, data = load_chain(path), path.read_bytes()
    if parent is not None and _same(archive, parent, data):
        return None
    file = PlanFile(saved.sha256, RawFile(path.name, data), name=saved.name)
    note = f"{len(saved.lo_states)} LO state{'s' if len(saved.lo_states) != 1 else ''}"
    return keep_edition(archive, "chain", file, parent=parent, note=note, since=since)


def _same(archive: Archive, parent: str, data: bytes) -> bool:
    """Say whether the parent, written by the library, would be these bytes: comments alone are no difference."""
    from spectra.archive import load_plan
    from spectra.plan import save_chain

    _, before = load_plan(archive, None, parent)
    assert before is not None
    with tempfile.TemporaryDirectory(prefix="sweepmuster-") as again:
        path = Path(again) / "chain.toml"
        save_chain(before, path)
        return path.read_bytes() == data
