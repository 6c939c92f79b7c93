"""The catalogues: a translation has the same keys and the same names in braces; safety is whole in every language."""

import ast
import re
import string
import tomllib
from importlib.resources import files

import pytest

from spectra.cautions import CATALOGUE
from spectra.errors import ReportError
from spectra.report import build_report, html_of
from spectra.report.words import languages, wording


def catalogue(language: str) -> dict[str, dict[str, str]]:
    text = (files("spectra.report") / "wording" / f"{language}.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def names(template: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(template) if name is not None}


@pytest.mark.parametrize("language", [code for code in languages() if code != "en"])
def test_translation_is_whole(language: str) -> None:
    english, other = catalogue("en"), catalogue(language)
    for section, entries in english.items():
        if section == "phrase":
            continue
        assert set(entries) == set(other[section]), section
        for key, text in entries.items():
            assert names(other[section][key]) == names(text), f"{section}.{key}"
    for section in ("caution", "caution_title"):
        assert set(other[section]) == set(CATALOGUE)


def test_every_key_that_the_code_asks_for_is_there_and_none_is_dead() -> None:
    words = wording("en")
    source = "\n".join(
        item.read_text(encoding="utf-8") for item in (files("spectra.report")).iterdir() if item.name.endswith(".py")
    )
    asked = set(re.findall(r'word(?:s|ing)\(\s*"([a-z_]+\.[a-z_0-9]+)"', source))
    assert asked <= set(words.texts)
    # keys that are put together from parts: their section is named in an f-string
    made = set(re.findall(r'f["\']([a-z_]+)\.\{?', source)) | set(re.findall(r'f["\']([a-z_]+)\.[a-z_]*\{', source))
    dead = [k for k in words.texts if k not in asked and k not in source and k.partition(".")[0] not in made]
    assert dead == []


def test_german_page(review) -> None:
    html = html_of(build_report(review, language="de"))
    assert '<html lang="de">' in html
    for text in ("Was gefragt war", "Die Antwort", "Entkopplung", "keine Erlaubnis zu senden", "Für das Schiff"):
        assert text in html
    assert "The answer" not in html


def test_unknown_language_names_those_there_are(review) -> None:
    with pytest.raises(ReportError, match="de, en"):
        build_report(review, language="xx")


def test_what_a_translation_lacks_is_english() -> None:
    words = wording("de")
    assert words.phrase("never translated") == "never translated"
    assert words.get("nothing.there", "fallback") == "fallback"


def test_titles_and_steps_of_findings_are_translated_with_their_figures() -> None:
    words = wording("de")
    assert words.phrase("The signal at 1646.40 ± 0.01 MHz IF enters by the cable") == (
        "Das Signal bei 1646.40 ± 0.01 MHz ZF kommt über das Kabel herein"
    )
    assert words.phrase("The oscillator drifts by 20.2 ± 1.1 kHz a day").startswith("Der Oszillator driftet um 20.2")
    assert words.phrase("Sweep again with an RBW of 100 kHz or less.").startswith("Mit einer RBW von 100 kHz")
    assert wording("en").phrase("The signal at 1 IF comes and goes") == "The signal at 1 IF comes and goes"


@pytest.mark.parametrize("language", [code for code in languages() if code != "en"])
def test_phrases_keep_their_figures_and_are_still_said(language: str) -> None:
    """A phrase whose English is said nowhere any more is dead; one that drops a figure is wrong."""
    said = "\n".join(
        text
        for folder in files("spectra").iterdir()
        if folder.is_dir()
        for item in folder.iterdir()
        if item.name.endswith(".py")
        for text in _strings(item.read_text(encoding="utf-8"))
    )
    for english, other in catalogue(language)["phrase"].items():
        assert names(english) == names(other), english
        for part in re.split(
            r"\{[a-z]+\}|, | below | above | to the east | to the west | the (?:LNB|analyser)'s "
            r"|1? carriers? has |1? carriers? have |1? (?:carrier|signal|product|line|capture)s?(?: |$)",  # `counted`
            english,
        ):
            # figures and words are put together from parts: what is long enough to be known must be there
            assert len(part.strip()) <= 30 or part.strip(" .") in said, part


def _strings(source: str) -> list[str]:
    nodes = ast.walk(ast.parse(source))
    return [node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
