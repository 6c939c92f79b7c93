"""Which trace is the main one: the average, else the live one, blanked columns skipped, a hold only if nothing else."""

from __future__ import annotations

import math
import re

import numpy as np

from spectra.errors import SweepFormatError
from spectra.readers.cells import unit_kind
from spectra.readers.draft import Draft, TraceColumn
from spectra.readers.options import Options
from spectra.readers.words import fold, trace_mode_of

__all__ = ["ABSURD_DB", "choose_trace", "usable_columns"]

ABSURD_DB = 300.0
"""No level lies beyond, in any dB unit; blanked traces are filled with such numbers. Common practice, no source."""


def usable_columns(draft: Draft, name: str) -> None:
    """Drop blanked columns and columns with gaps, with a remark; refuse where none is left.

    A row without a level in the only trace is an error of that row; in a trace beside a whole one it only costs
    that trace.
    """
    dropped = _leave_no_levels(draft)
    kept: list[TraceColumn] = []
    first_gap: int | None = None
    for column in draft.columns:
        finite = math.isfinite(float(column.values.sum())) or bool(np.isfinite(column.values).all())
        if _blanked(column, finite, len(draft.columns)):
            dropped.append(f"{column.name} (blanked)")
        elif not finite:
            dropped.append(f"{column.name} (values missing)")
            gap = int(np.flatnonzero(~np.isfinite(column.values))[0])
            first_gap = gap if first_gap is None else first_gap
        else:
            kept.append(column)
    if not kept:
        line = draft.line_of(first_gap or 0)
        raise SweepFormatError(
            name,
            line,
            "a row without a level" if first_gap is not None else "a blanked trace",
            "a level in every row, a finite number",
            "Save the trace again.",
        )
    if dropped:
        draft.assumptions.append("left out: " + ", ".join(dropped))
    draft.columns = kept


_NO_LEVEL = re.compile(
    r"\b(phase|phasen\w*|fase|winkel|angle|corr\w*|korr\w*|loss|losses|verlust\w*|perte|perdida|perda|factor|faktor|"
    r"facteur|fattore|fator|delay|std|stdev|stddev|sigma|deviation|standardabweichung|ecart|margin|delta|snr|"
    r"uncertainty|gain|temperature|temp|flag|status|valid)\b"
)
_NO_LEVEL_UNIT = re.compile(
    r"[\[(]\s*(?:deg\w*|°|grad|rad|%|ns|us|µs|ms|s|min|h|k|°?c|°?f|db/m|db|m|mm|cm|km|v/m|a|ma|ohm|kn|hpa|utc)\s*[\])]",
    re.IGNORECASE,
)


def _leave_no_levels(draft: Draft) -> list[str]:
    """Drop columns beside a trace that hold no levels (phase, corrections, field strengths); return their names."""
    if len(draft.columns) < 2:
        return []
    absolute = [unit_kind(column.unit or "") == "level" for column in draft.columns]
    other = [
        unit_kind(column.unit or "") in ("ratio", "other_level", "time", "frequency")
        or _NO_LEVEL.search(fold(column.name)) is not None
        or _NO_LEVEL_UNIT.search(column.name) is not None
        for column in draft.columns
    ]
    stays = [level or not no_level for level, no_level in zip(absolute, other, strict=True)]
    if not any(stays):
        return []
    gone = [f"{c.name} (no level)" for c, stay in zip(draft.columns, stays, strict=True) if not stay]
    draft.columns = [c for c, stay in zip(draft.columns, stays, strict=True) if stay]
    return gone


def _blanked(column: TraceColumn, finite: bool, count: int) -> bool:
    """Say whether a column holds no trace: no value at all, absurd ones only, or one and the same beside others."""
    values = column.values
    if not finite:
        return count > 1 and not np.isfinite(values).any()
    few = values[:64]
    if bool((np.abs(few) >= ABSURD_DB).all()) and bool((np.abs(values) >= ABSURD_DB).all()):
        return True
    return count > 1 and values.size > 2 and bool((few == few[0]).all()) and bool((values == few[0]).all())


def choose_trace(draft: Draft, name: str, options: Options) -> tuple[int, list[int]]:
    """Return the index of the main trace among the columns, and those of the others."""
    columns = draft.columns
    modes = [_mode(draft, i) for i in range(len(columns))]
    if options.trace is not None:
        main = _asked(columns, modes, str(options.trace), name)
    else:
        middle = _middle(columns) if set(modes) == {None} else None
        usual = next(
            (modes.index(mode) for mode in ("average", "clear_write", None) if mode in modes),
            modes.index("max_hold") if "max_hold" in modes else 0,
        )
        main = usual if middle is None else middle
        if len(columns) > 1 and middle is None and set(modes) == {None} and not any(map(_named, columns)):
            draft.assumptions.append(f"{len(columns)} columns of levels without names: the first is the main trace")
        if modes[main] in ("max_hold", "min_hold"):
            draft.warnings.append(
                f"quality.hold_used: only a {str(modes[main]).replace('_', ' ')} trace is in the file; levels are "
                "not those of an average"
            )
    return main, [i for i in range(len(columns)) if i != main]


def _named(column: TraceColumn) -> bool:
    return column.name != f"trace {column.position + 1}"


_SHARE = re.compile(r"\b[pl] ?([0-9]{1,2}(?:[.,][0-9]+)?)\b|\b([0-9]{1,2}) ?(?:%|perc)|\bmedian\w*", re.IGNORECASE)


def _middle(columns: list[TraceColumn]) -> int | None:
    """Return the column of medians among those of percentiles, None where columns are no such."""
    shares = [_SHARE.search(column.name) for column in columns]
    if len(columns) < 2 or not all(shares):
        return None
    values = [float((m[1] or m[2] or "50").replace(",", ".")) for m in shares if m]
    return values.index(50.0) if 50.0 in values else None


def _mode(draft: Draft, index: int) -> str | None:
    column = draft.columns[index]
    if column.mode:
        return column.mode
    own = draft.facts.per_trace.get(column.trace or column.position + 1, {}).get("trace_mode")
    if own is not None:
        return trace_mode_of(str(own.value))
    named = trace_mode_of(column.name)
    if named:
        return named
    shared = draft.facts.get("trace_mode")
    if shared is not None and isinstance(shared.value, tuple) and column.position < len(shared.value):
        return trace_mode_of(shared.value[column.position])
    if shared is not None and isinstance(shared.value, str) and len(draft.columns) == 1:
        return trace_mode_of(shared.value)
    return None


def _asked(columns: list[TraceColumn], modes: list[str | None], wanted: str, name: str) -> int:
    key = fold(wanted).replace("_", " ").strip()
    for i, column in enumerate(columns):
        if fold(column.name).strip() == key:
            return i
    for i, column in enumerate(columns):
        if key.isdecimal() and len(key) < 10 and int(key) == (column.trace or i + 1):
            return i
    mode = trace_mode_of(wanted)
    if mode in modes:
        return modes.index(mode)
    partly = [i for i, column in enumerate(columns) if key in fold(column.name)]
    if len(partly) == 1:
        return partly[0]
    raise SweepFormatError(
        name,
        None,
        f"no trace {wanted!r}",
        "one of " + ", ".join(repr(c.name) for c in columns),
        "State trace= or --trace again, by name, number or mode.",
    )
