"""The order of day and month in a file's dates, where a date alone can be read in two ways.

What tells it, surest first: another date of the same file that can be read in one way only; words of a language, or a
decimal comma, in whose countries the day comes first (common practice, no source; where the month comes first the
decimal mark is a point). A point as decimal mark and English words tell nothing: both orders are usual with them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

from spectra.readers.words import fold

__all__ = ["UNKNOWN", "DateOrder", "date_order"]


class DateOrder(NamedTuple):
    """Whether the day comes before the month (None: not known), and how that is known, in words."""

    day_first: bool | None = None
    why: str = ""


UNKNOWN = DateOrder()
_NUMERIC = re.compile(r"(?<![0-9./-])([0-9]{1,2})([-/])([0-9]{1,2})\2(?:[0-9]{4}|[0-9]{2})(?![0-9./-])")
_WORDS = {
    "German": "frequenz(?!a) pegel spanne auflos aufloes bandbreite dampfung daempfung bezugs punkte uhrzeit einheit "
    "kurve detektor mittelung mittelwert ablenkzeit durchlauf durchlaeufe gespeichert erstellt verstarker verstaerker",
    "French": "frequence niveau largeur heure balayage moyenn unite\\b enregistr puissance affaibl",
    "Spanish, Italian or Portuguese": "frecuencia frequenza frequencia nivel\\b livello fecha hora\\b ora\\b barrido "
    "puntos punti\\b pontos scansione varredura ancho\\b larghezza largura unidad unita\\b traccia traza\\b resolucion "
    "risoluzione resolucao atenuac attenuazione potencia potenza salvato\\b guardado",
}
"""Words, without accents, that stand in settings of a language and in no English ones."""
_LANGUAGES = tuple((name, re.compile(rf"\b(?:{'|'.join(words.split())})")) for name, words in _WORDS.items())
_MOST_TEXTS = 2000


def date_order(lines: Iterable[str], stamps: Iterable[str], *, decimal_comma: bool) -> DateOrder:
    """Return the order of day and month in a file's dates.

    Parameters
    ----------
    lines : iterable of str
        Lines of text of the file: settings, titles, remarks.
    stamps : iterable of str
        Dates and times of its sweeps.
    decimal_comma : bool
        Whether numbers are written with a decimal comma.
    """
    texts = [text[:200] for text, _ in zip(lines, range(_MOST_TEXTS), strict=False)]
    found: dict[bool, str] = {}
    for text in [*texts, *(text for text, _ in zip(stamps, range(_MOST_TEXTS), strict=False))]:
        for match in _NUMERIC.finditer(text):
            first, second = int(match[1]), int(match[3])
            if first > 12 >= second > 0 and first <= 31:
                found.setdefault(True, match[0])
            elif second > 12 >= first > 0 and second <= 31:
                found.setdefault(False, match[0])
    if len(found) == 1:
        day_first, other = next(iter(found.items()))
        return DateOrder(day_first, f"as in {other} elsewhere in the file")
    if found:
        return UNKNOWN  # both orders in one file: nothing is known of a third date
    language = next((name for text in texts if (name := _language(text))), None)
    if language is not None:
        return DateOrder(True, f"the file's words are {language}")
    return DateOrder(True, "the decimal mark is a comma") if decimal_comma else UNKNOWN


@lru_cache(maxsize=1024)
def _language(text: str) -> str | None:
    folded = fold(text)
    return next((name for name, words in _LANGUAGES if words.search(folded)), None)
