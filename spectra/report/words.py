"""The wording of reports: one catalogue file a language, ``wording/<code>.toml``; another language is a translation.

English is complete; what a translation lacks is shown in English. Texts that other rooms make (findings, advice) are
taken through ``[phrase]`` where a translation is there, and stay as they are where not.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from spectra.errors import ReportError

__all__ = ["Wording", "languages", "wording"]


@dataclass(frozen=True, slots=True)
class Wording:
    """The texts of one language, by key."""

    language: str
    texts: dict[str, str]
    english: dict[str, str]
    phrases: dict[str, str]

    def __call__(self, key: str, **values: Any) -> str:
        """Return a text with its values filled in.

        Raises
        ------
        KeyError
            If no language knows the key.
        """
        template = self.texts.get(key) or self.english[key]
        return template.format(**values) if values else template

    def get(self, key: str, otherwise: str) -> str:
        """Return a text without values, or what is given where no language knows the key."""
        return self.texts.get(key) or self.english.get(key) or otherwise

    def phrase(self, text: str) -> str:
        """Return the translation of a text of another room, its figures and names put in, or the text itself."""
        told = self.phrases.get(text)
        if told is not None:
            return told
        for pattern, translation in _patterns(self.language):
            found = pattern.fullmatch(text)
            if found is not None:
                return translation.format(**found.groupdict())
        return text


def languages() -> tuple[str, ...]:
    """Return the codes of the languages there are."""
    folder = files("spectra.report") / "wording"
    return tuple(sorted(item.name[:-5] for item in folder.iterdir() if item.name.endswith(".toml")))


@lru_cache(maxsize=8)
def wording(language: str = "en") -> Wording:
    """Return the wording of a language.

    Raises
    ------
    ReportError
        If there is no catalogue of that language.
    """
    if language not in languages():
        raise ReportError("language", None, repr(language), "one of " + ", ".join(languages()), "Choose one of these.")
    texts, phrases = _read(language)
    english = texts if language == "en" else _read("en")[0]
    return Wording(language, texts, english, phrases)


@lru_cache(maxsize=8)
def _patterns(language: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    """Return the phrases that have names in braces, as patterns: what stands there is taken over. Longest first."""
    made = []
    for phrase, translation in sorted(_read(language)[1].items(), key=lambda item: -len(item[0])):
        parts = re.split(r"\{([a-z]+)\}", phrase)
        if len(parts) > 1:
            texts = [f"(?P<{part}>.+?)" if number % 2 else re.escape(part) for number, part in enumerate(parts)]
            made.append((re.compile("".join(texts)), translation))
    return tuple(made)


def _read(language: str) -> tuple[dict[str, str], dict[str, str]]:
    path = files("spectra.report") / "wording" / f"{language}.toml"
    values = tomllib.loads(path.read_text(encoding="utf-8"))
    phrases: dict[str, str] = values.pop("phrase", {})
    return {f"{section}.{key}": text for section, entries in values.items() for key, text in entries.items()}, phrases
