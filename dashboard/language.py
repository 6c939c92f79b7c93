"""The language of the pages: English as written; another is a catalogue, ``wording/<code>.toml``, as that of reports.

Pages are written in English. What goes to the browser passes through here: texts that the catalogue knows are replaced,
with the figures and names in them taken over; what it does not know, the catalogue of the reports may (findings, steps,
cautions), and what neither knows stays English. Texts of the user's own stand in elements of `own`, and stay.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from dash.development.base_component import Component
from flask import has_request_context, request

from dashboard.measures import PLAIN, Measures, current_measures

if TYPE_CHECKING:
    from spectra.report.words import Wording

__all__ = [
    "LANGUAGES",
    "LANGUAGE_COOKIE",
    "OWN",
    "answered",
    "current_language",
    "current_wording",
    "say",
    "translated",
]

LANGUAGE_COOKIE = "sweepmuster_language"
LANGUAGES = {"en": "English", "de": "Deutsch"}
OWN = "own"
"""Class of elements whose text is the user's own: it is never replaced."""
_SAID = ("children", "title", "placeholder", "label", "aria-label", "data-title")
_DRAWN = ("title", "name", "text", "hovertemplate", "hovertext", "ticktext", "labels")
_FIGURES = {
    *("count", "seen", "all", "first", "last", "total", "page", "pages", "faults", "warnings", "row", "number", "few"),
    *("many", "decades", "low", "high", "mhz", "carriers", "lists", "states", "listed", "present", "absent", "hidden"),
    *("found", "none"),
}
"""Names in braces that stand for a figure."""
_SPLIT = re.compile(r"( · |; |<br>|</?b>|<extra></extra>)")
_SENTENCES = re.compile(r"(?<=[a-z)%][.]) (?=[A-Z])")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DATE = re.compile(rf"\b(\d{{1,2}}) ({'|'.join(_MONTHS)}) (\d{{4}})\b")
_NO_WORDS = re.compile(r"[^A-Za-z]*|[A-Z]{1,2}[0-9/]*|https?:.*")


def current_language() -> str:
    """Return the code of the language that the browser at hand asks for; English where nothing was chosen."""
    if not has_request_context():
        return "en"
    chosen = request.cookies.get(LANGUAGE_COOKIE, "")
    return chosen if chosen in LANGUAGES else "en"


def current_wording() -> Wording:
    """Return the reports' wording in that language."""
    from spectra.report.words import wording

    return wording(current_language())


@lru_cache(maxsize=4)
def _catalogue(language: str) -> tuple[dict[str, str], tuple[tuple[re.Pattern[str], str], ...]]:
    """Return the phrases without and with names in braces; those as patterns, the longest first."""
    phrases = {**_of_reports(language), **_read(language)["phrase"]}
    made = []
    for phrase, translation in sorted(phrases.items(), key=lambda item: -len(item[0])):
        parts = re.split(r"\{([a-z]+)\}", phrase)
        if len(parts) > 1:
            texts = [_place(part) if number % 2 else re.escape(part) for number, part in enumerate(parts)]
            made.append((re.compile("".join(texts), re.DOTALL), translation))
    return phrases, tuple(made)


def _place(name: str) -> str:
    """Return the pattern of a name in braces: a figure where it stands for one, else any text."""
    return rf"(?P<{name}>[-+−\d.,\u202f]+)" if name in _FIGURES else f"(?P<{name}>.+?)"


@lru_cache(maxsize=4)
def _read(language: str) -> dict[str, Any]:
    path = files("dashboard") / "wording" / f"{language}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def _of_reports(language: str) -> dict[str, str]:
    """Return what the reports' catalogues say of texts that stand in pages too: verdicts, roles, cautions."""
    from spectra.cautions import CATALOGUE, DISCLAIMER
    from spectra.report.words import wording

    words, english = wording(language), wording("en")
    found = {text: words(key) for key, text in english.texts.items() if text and "{" not in text}
    for id_, caution in CATALOGUE.items():
        found[caution.title] = words.get(f"caution_title.{id_}", caution.title)
        found[f"{caution.title}:"] = f"{found[caution.title]}:"
        found[caution.text] = words.get(f"caution.{id_}", caution.text)
    return {**found, DISCLAIMER: words("disclaimer.text")}


def _dated(text: str, language: str) -> str:
    """Return a text with its dates (4 May 2026) as the language writes them."""
    months = _read(language)["months"]
    return _DATE.sub(lambda m: f"{m.group(1)}. {months[_MONTHS.index(m.group(2))]} {m.group(3)}", text)


@lru_cache(maxsize=20_000)
def say(text: str, language: str) -> str:
    """Return a text in a language, the spaces around it kept; itself where no catalogue knows it."""
    core = text.strip()
    if language == "en" or _NO_WORDS.fullmatch(core):
        return text
    told = _told(core, language)
    told = _dated(core if told is None else told, language)
    if told == core:
        return text
    head = text[: len(text) - len(text.lstrip())]
    return head + told + text[len(text.rstrip()) :]


def _told(core: str, language: str) -> str | None:
    from spectra.report.words import wording

    phrases, patterns = _catalogue(language)
    if core in phrases:
        return phrases[core]
    lower = phrases.get(core[:1].lower() + core[1:])
    if lower is not None:
        return lower[:1].upper() + lower[1:]
    for pattern, translation in patterns:
        found = pattern.fullmatch(core)
        if found is not None:
            # what stands in the place of a name may be a phrase itself: a count, a verdict
            return translation.format(**{name: say(part, language) for name, part in found.groupdict().items()})
    elsewhere = wording(language).phrase(core)
    if elsewhere != core:
        return elsewhere
    parts = _SENTENCES.split(core)
    if len(parts) > 1:
        return " ".join(say(part, language) for part in parts)
    parts = _SPLIT.split(core)
    if len(parts) == 1:
        return None
    return "".join(part if number % 2 else say(part, language) for number, part in enumerate(parts))


Told = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class _Outlet:
    """What every text goes through."""

    language: str
    measures: Measures

    def __call__(self, text: str) -> str:
        return self.measures.said(say(text, self.language))


def answered(value: Any, properties: Sequence[str], language: str, measures: Measures = PLAIN) -> Any:
    """Return what a callback answers in a language and in units: components, figures, and texts that are children."""
    if language == "en" and measures == PLAIN:
        return value

    told = _Outlet(language, measures)
    names = list(properties)
    many = isinstance(value, list | tuple) and len(value) == len(names) and len(names) > 1
    made = [_part(item, name, told) for item, name in zip(value if many else [value], names, strict=False)]
    return tuple(made) if many else made[0] if made else value


def translated(value: Any) -> Any:
    """Return components in the language and the units of the browser at hand."""
    return answered(value, ("children",), current_language(), current_measures())


def _part(value: Any, name: str, told: _Outlet) -> Any:
    if name == "children":
        if isinstance(value, str):
            return told(value)
        if isinstance(value, list | tuple):
            value = [told(item) if isinstance(item, str) else item for item in value]
        _walk(value, told)
        return value
    if name == "figure" and value is not None and type(value).__name__ != "NoUpdate":
        return _drawn(value, told.language, told.measures)
    return value


def _walk(value: Any, told: _Outlet) -> None:
    if isinstance(value, Component):
        _of_component(value, told)
    elif isinstance(value, list | tuple):
        for item in value:
            _walk(item, told)


def _of_component(part: Component, told: _Outlet) -> None:
    if OWN in str(getattr(part, "className", "") or "").split():
        return
    for name in _SAID:
        said = getattr(part, name, None)
        if isinstance(said, str):
            setattr(part, name, told(said))
        elif name == "children" and isinstance(said, list | tuple):
            part.children = [told(item) if isinstance(item, str) else item for item in said]
            _walk(part.children, told)
        elif isinstance(said, Component):
            _of_component(said, told)
    if getattr(part, "figure", None) is not None:
        part.figure = _drawn(part.figure, told.language, told.measures)
    for column in getattr(part, "columnDefs", None) or ():
        for name in ("headerName", "headerTooltip"):
            if isinstance(column.get(name), str):
                column[name] = told(column[name])


def _drawn(figure: Any, language: str, measures: Measures) -> Any:
    """Return a figure with its words and units replaced: titles, names, what shows on hover."""
    plain = figure if isinstance(figure, dict) else figure.to_plotly_json()
    if language != "en":
        plain = _worded(plain, lambda text: say(text, language))
    if measures != PLAIN:
        plain = _worded(measures.redrawn(plain), measures.said)
    return plain


def _worded(value: Any, told: Told, name: str = "") -> Any:
    if isinstance(value, dict):
        return {key: _worded(item, told, key) for key, item in value.items()}
    if isinstance(value, str):
        return told(value) if name in _DRAWN else value
    if isinstance(value, list | tuple) and name in (*_DRAWN, "data", "annotations", "shapes"):
        return [_worded(item, told, name) for item in value]
    return value
