"""The language of the pages and the units, on the way to the browser and back."""

from __future__ import annotations

import json
import re
import tomllib
from importlib.resources import files
from typing import Any

import numpy as np
import pytest

from dashboard import shell
from dashboard.figures.sweep import sweep_figure
from dashboard.language import LANGUAGES, answered, say, translated
from dashboard.look import look
from dashboard.measures import PLAIN, Measures, measures_of
from dashboard.registry import find_pages
from dashboard.viewing import in_mhz
from spectra.archive import list_captures

GERMAN = tomllib.loads((files("dashboard") / "wording" / "de.toml").read_text(encoding="utf-8"))


@pytest.fixture
def german(desk, app):
    """Return a page's text as it goes out in German."""

    def show(path: str) -> str:
        with app.server.test_request_context("/", headers={"Cookie": "sweepmuster_language=de"}):
            _, components = shell.render(desk, find_pages(), path, "")
            shown = translated(components)
            return json.dumps(
                shown.to_plotly_json(),
                ensure_ascii=False,
                default=lambda c: c.to_plotly_json() if hasattr(c, "to_plotly_json") else str(c),
            )

    return show


def test_translation_keeps_the_names_in_braces() -> None:
    for phrase, told in GERMAN["phrase"].items():
        assert sorted(re.findall(r"\{\w+\}", phrase)) == sorted(re.findall(r"\{\w+\}", told)), phrase
    assert len(GERMAN["months"]) == 12 and set(LANGUAGES) == {"en", "de"}


def test_navigation_titles_buttons_heads_and_sentences_are_german(german, desk) -> None:
    for page in find_pages():
        assert say(page.title, "de") in GERMAN["phrase"].values(), page.title
    key = desk.archive.capture(list_captures(desk.archive)[0]["key"])["visit"][:16]
    for path, words in (
        ("/", ("Neuer Einsatz", "Letzter Sweep", "Urteil", "das Neueste zuerst", "Fairlead 2, horizontal, LO-Zustand")),
        ("/settings", ("Die Hauptarbeit, Schritt für Schritt", "Sprache und Einheiten", "Das Empfangskabel führt")),
        ("/table", ("Als neue Fassung speichern", "Rückgängig", "Vorschläge einholen")),
        (f"/visit/{key}", ("Was noch fehlt", "geprüften Punkte sind erfüllt", "Abgenommen", "4. Mai 2026")),
        (f"/visit/{key}/sweep", ("ZF / MHz", "Pegel / dBm", "Ganzer Bereich", "Zeiger A / MHz")),
        (f"/visit/{key}/rollcall", ("Zeilen der Tabelle", "gegen Zufall", "Der nächste Sweep")),
        (f"/visit/{key}/report", ("Beim Einsatz behalten", "Sprache des Berichts")),
    ):
        said = german(path)
        for word in words:
            assert word in said, (path, word)


def test_what_is_the_users_own_is_not_translated() -> None:
    from dash import html

    row = html.Div([html.A("Visits", className="own"), html.Span("Visits"), html.Span("a remark nobody knows")])
    own, said, unknown = answered(row, ("children",), "de").children
    assert (own.children, said.children, unknown.children) == ("Visits", "Einsätze", "a remark nobody knows")


@pytest.mark.parametrize(
    ("text", "measures", "expected"),
    [
        ("1651.200 ± 0.012 MHz", Measures("GHz"), "1.651200 ± 0.000012 GHz"),
        ("1651.200 ± 0.012 MHz", Measures("kHz"), "1651200 ± 12 kHz"),
        ("1420 to 2060 MHz, 801 points", Measures("GHz"), "1.420 to 2.060 GHz, 801 points"),
        ("IF / MHz", Measures("GHz"), "IF / GHz"),
        ("+1348 ± 14 kHz", Measures("GHz"), "+1348 ± 14 kHz"),
        # P = U²/R (derived): 0 dBm over 50 Ω are 106.99 dBµV, over 75 Ω 108.75 dBµV
        ("-71.40 dBm", Measures(level="dBµV"), "35.59 dBµV"),
        ("-71.40 dBm", Measures(level="dBµV", impedance=75), "37.35 dBµV"),
        ("−71.40 ± 0.12 dBm", Measures(level="dBµV"), "35.59 ± 0.12 dBµV"),
        ("-127.02 dBm/Hz", Measures(level="dBµV"), "-127.02 dBm/Hz"),
        ("27500.0 ± 3.1 kBd", Measures(rate="MBd"), "27.5000 ± 0.0031 MBd"),
    ],
)
def test_texts_in_the_units_chosen(text: str, measures: Measures, expected: str) -> None:
    assert measures.said(text) == expected and PLAIN.said(text) == text


def test_what_a_cookie_tells_makes_sense_or_is_left_out() -> None:
    for made in (Measures("GHz", "dBµV", 75, "MBd"), PLAIN):
        assert measures_of(made.text) == made
    assert measures_of("<script>.x.9.y") == PLAIN == measures_of("")


def test_picture_in_the_units_chosen(desk) -> None:
    rows = {row["name"]: row["key"] for row in list_captures(desk.archive)}
    shown = desk.capture(rows["5_co_port.csv"])
    (measurement,) = shown.review.measurements
    state = next(s for s in shown.chain.lo_states if s.name == "high V")
    figure = sweep_figure(measurement, look("light"), None, state)
    made = answered(figure, ("figure",), "en", Measures("GHz", "dBµV"))
    before = {trace.name: trace for trace in figure.data}
    after = {trace.get("name"): trace for trace in made["data"]}
    for name in ("trace", "fit", "modulated"):
        assert np.asarray(after[name]["x"]) == pytest.approx(np.asarray(before[name].x) / 1e3)
        assert np.asarray(after[name]["y"]) == pytest.approx(np.asarray(before[name].y) + 106.99, abs=0.01)
    # what is no level stays: the residuals
    assert np.asarray(after["trace minus fit"]["x"])[-1] == pytest.approx(measurement.sweep.stop_hz / 1e9)
    assert made["layout"]["yaxis2"]["range"] == pytest.approx(list(figure.layout.yaxis2.range))
    assert made["layout"]["xaxis"]["title"]["text"] == "IF / GHz"
    assert made["layout"]["yaxis"]["title"]["text"] == "level / dBµV"
    assert made["layout"]["xaxis2"]["range"] == pytest.approx([v / 1e3 for v in figure.layout.xaxis2.range])
    assert after["trace"]["hovertemplate"] == "%{x:.7f} GHz<br>%{y:.2f} dBµV"


def test_what_comes_back_is_in_mhz_again() -> None:
    sent: dict[str, Any] = {
        "figure": {"xaxis.range[0]": 1.5, "xaxis.range[1]": 1.6},
        "a": "1,5",
        "b": "",
        "chosen": None,
    }
    sent["click"] = {"points": [{"x": 1.55, "customdata": 3}]}
    found = in_mhz(sent, Measures("GHz"))
    assert (found["figure"]["xaxis.range[0]"], found["figure"]["xaxis.range[1]"]) == pytest.approx((1500.0, 1600.0))
    assert found["click"]["points"][0]["x"] == pytest.approx(1550.0)
    assert float(found["a"]) == 1500.0 and found["b"] == ""


@pytest.mark.slow
def test_language_and_units_are_chosen_and_kept(browse: Any, archive_file: Any) -> None:
    browser = browse(archive_file)
    browser.open("/settings")
    browser.idle()

    def press(value: str, seen: str) -> None:
        browser.one(f'[data-cookie][data-value="{value}"]').click()
        browser.wait(lambda: seen in browser.text() and browser.all("#page h1"), seen)

    try:
        press("de", "Sprache und Einheiten")
        assert browser.driver.execute_script("return document.documentElement.lang") == "de"
        press("GHz.dBm.50.kBd", "Sprache und Einheiten")
        browser.wait(lambda: browser.all('[data-value="GHz.dBuV.50.kBd"]'), "the units")
        press("GHz.dBuV.50.kBd", "dBµV an")
        key = next(r["key"] for r in list_captures(browser.desk.archive) if r["name"] == "5_co_port.csv")
        browser.open(f"/visit/any/sweep/{key[:16]}")
        browser.idle()
        assert browser.driver.title == "Sweep – Sweepmuster" and "Neuer Einsatz" not in browser.text("#page h1")
        assert "Einsätze" in browser.text("#menu") and "GHz" in browser.text("#sweep-carriers")
        assert "ZF / GHz" in browser.text("#sweep-figure") and "Pegel / dBµV" in browser.text("#sweep-figure")
        # a cursor in GHz; the address keeps MHz, so that it means the same to everybody
        from selenium.webdriver.common.keys import Keys

        browser.one("input#sweep-a, #sweep-a input").send_keys("1,5", Keys.ENTER)
        browser.wait(lambda: "A: 1.5" in browser.text("#sweep-cursor-words"), "the reading")
        assert "dBµV" in browser.text("#sweep-cursor-words")
        browser.wait(lambda: "a=1500" in browser.driver.current_url, "the address")
        assert browser.complaints() == []
    finally:
        browser.driver.delete_all_cookies()
