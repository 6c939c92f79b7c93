"""What a file's name hints at: offered to the user, never assumed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from spectra.capture import Context

__all__ = ["Suggestion", "suggest"]


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A context key that a file's name hints at; `line` is what to write into its sidecar if it is true."""

    file: str
    key: str
    value: str

    @property
    def line(self) -> str:
        """Line for the file's sidecar."""
        return f'{self.key} = "{self.value}"'

    def to_dict(self) -> dict[str, Any]:
        """Return the suggestion with its line."""
        return {"file": self.file, "key": self.key, "value": self.value, "line": self.line}


# Words are matched whole, between anything that is no letter: "xpol" yes, "expolite" no.
_WORDS: tuple[tuple[str, str, str], ...] = (
    ("role", "off_satellite", r"off[ _-]?sat(?:ellite)?|off[ _-]?arc|sky|cold[ _-]?sky"),
    ("role", "terminated", r"term(?:inated)?|load|50[ _-]?ohm|75[ _-]?ohm"),
    ("role", "analyser_floor", r"analy[sz]er[ _-]?floor|sa[ _-]?floor|no[ _-]?input"),
    ("role", "baseline", r"base[ _-]?line|reference"),
    ("port", "cross", r"x[ _-]?pol|cross(?:[ _-]?pol(?:ar)?)?|cross[ _-]?port"),
    ("port", "co", r"co[ _-]?pol(?:ar)?|co[ _-]?port|co"),
    ("stage", "as_found", r"as[ _-]?found|before"),
    ("stage", "as_left", r"as[ _-]?left|after|final"),
)
_PATTERNS = tuple(
    (key, value, re.compile(rf"(?<![a-z])(?:{words})(?![a-z])", re.IGNORECASE)) for key, value, words in _WORDS
)


def suggest(file: str, context: Context, lo_states: Iterable[str] = ()) -> tuple[Suggestion, ...]:
    """Return what the name of a file hints at and its context does not say.

    Parameters
    ----------
    file : str
        Name of the file, without its folder.
    context : Context
        What is already known; a key that is set gets no suggestion.
    lo_states : iterable of str
        Names of the chain's LO states; one that stands in the file's name is suggested.
    """
    stem = file.rpartition(".")[0] or file
    found: dict[str, Suggestion] = {}
    for key, value, pattern in _PATTERNS:
        known = context.extra.get(key) if key == "stage" else getattr(context, key)
        if known is None and key not in found and pattern.search(stem):
            found[key] = Suggestion(file, key, value)
    if context.lo_state is None:
        plain = _plain(stem)
        states = [name for name in lo_states if f" {_plain(name)} " in f" {plain} "]
        if states:
            # "low V" within "very low V": the longest name says most
            found["lo_state"] = Suggestion(file, "lo_state", max(states, key=len))
    return tuple(found.values())


def _plain(text: str) -> str:
    return " ".join(re.findall(r"[a-z]+|[0-9]+", text.lower()))
