"""The pages of carrier table and receive chain in a real browser: by keyboard, with files, and how they look."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pytest

from dashboard.desk import Desk
from spectra.archive import Search, list_editions

SCRIPT = '<img src=x onerror="document.title=1">'


def _edit(browser, row: int, column: str, text: str) -> None:
    from selenium.webdriver.common.keys import Keys

    cell = f'#table-grid .ag-row[row-id="{row}"] .ag-cell[col-id="{column}"]'
    browser.driver.execute_script("dash_ag_grid.getApi('table-grid').ensureColumnVisible(arguments[0])", column)
    browser.one(cell).click()
    browser.driver.switch_to.active_element.send_keys(text)
    time.sleep(0.4)
    browser.driver.switch_to.active_element.send_keys(Keys.ENTER)


def _open(browser, path: str = "/table", **how) -> None:
    browser.open(path, **how)
    browser.wait(lambda: browser.all("#table-grid .ag-row"), "the rows")
    browser.idle()


@pytest.fixture(scope="module")
def browser(browse, archive_file: Path, tmp_path_factory: pytest.TempPathFactory):
    place = tmp_path_factory.mktemp("tables") / "archive.sqlite"
    shutil.copy(archive_file, place)
    return browse(place)


def _act(browser, what: str, n: str = "") -> None:
    from selenium.webdriver.common.keys import Keys

    more = f'[data-n="{n}"]' if n else ""
    browser.one(f'[data-what="{what}"]{more}:not([disabled])').send_keys(Keys.ENTER)  # by keyboard


@pytest.mark.slow
def test_table_by_keyboard_from_fault_to_version(browser) -> None:
    browser.asked()  # of the modules before
    _open(browser)
    assert browser.one(".answer .word").text == "In order"
    _edit(browser, 3, "c5", "eleven")
    browser.wait(lambda: "Fault in rf_mhz: found 'eleven'" in browser.text("#table-typing-words"), "words while typing")
    browser.wait(lambda: browser.one(".answer .word").text == "Faults", "the answer")
    browser.wait(lambda: browser.all('.ag-row[row-id="3"] .cell-fault'), "the mark on the cell")
    assert "Line 4, rf_mhz" in browser.text("#table-marks")
    sign = "return getComputedStyle(document.querySelector('.cell-fault'), '::before').content"
    assert "✕" in browser.driver.execute_script(sign)
    assert not browser.one('[data-what="save"]').is_enabled()
    _act(browser, "undo")
    browser.wait(lambda: browser.one(".answer .word").text == "In order", "the table as it was")
    browser.wait(lambda: not browser.all(".cell-fault"), "the mark to go")
    _edit(browser, 3, "c17", SCRIPT)
    browser.wait(lambda: "1 row changed" in browser.text(".answer"), "the change")
    _act(browser, "save")
    browser.wait(lambda: "Saved: 1 row changed" in browser.text("#table-typing-words"), "the save")
    browser.wait(lambda: len(browser.all("#table-history tbody tr")) == 2, "the version")
    # a stored visit, held against it: only a remark is another, so all is as it was
    _act(browser, "hold")
    browser.wait(lambda: browser.text("#table-held").count("as it was") == 3, "the visit")
    browser.wait(lambda: "3 results" in browser.one("#table-history tbody tr").text, "its results")
    # the address leads to the version saved, and the script stayed a text
    browser.driver.refresh()
    browser.wait(lambda: browser.all("#table-grid .ag-row"), "the rows again")
    assert browser.driver.execute_script("return document.title") != "1"
    assert not browser.all("#table-grid img")
    assert browser.axe() == []
    elsewhere = [url for url in browser.asked() if not url.startswith((browser.base, "data:", "blob:", "chrome:"))]
    assert elsewhere == []
    assert browser.complaints() == []


@pytest.mark.slow
def test_file_taken_in_and_suggestion_accepted(browser, scan_text: str, tmp_path: Path) -> None:
    _open(browser, "/table")
    rows = "return dash_ag_grid.getApi('table-grid').getDisplayedRowCount()"
    before = browser.driver.execute_script(rows)
    path = tmp_path / "Kittiwake-2-13.5E"
    path.write_text(scan_text, encoding="utf-8")
    browser.one("#table-pick").click()
    browser.one("input.picked").send_keys(str(path))
    browser.wait(lambda: "scan text" in browser.text("#table-offer"), "the offer")
    _act(browser, "merge")
    browser.wait(lambda: browser.driver.execute_script(rows) == before + 1, "the row")
    assert "1 row added" in browser.text("#table-typing-words")
    _act(browser, "undo")
    browser.wait(lambda: browser.driver.execute_script(rows) == before, "the row to go")
    # what a confirmed sweep shows and the table lacks comes back as a suggestion
    (shown,) = [s for s in map(browser.desk.capture, _keys(browser.desk)) if s.review.verdict == "confirmed"]
    line = next(
        e.row for e in shown.review.identification.roll_call if e.status == "present" and e.offset_hz is not None
    )
    select = "const n = dash_ag_grid.getApi('table-grid').getRowNode(arguments[0]); n.setSelected(true)"
    browser.driver.execute_script(select, str(line - 1))
    _act(browser, "remove")
    browser.wait(lambda: browser.driver.execute_script(rows) == before - 1, "the row to go")
    _act(browser, "suggest")
    browser.wait(lambda: "1 suggestion" in browser.text("#table-suggestions"), "the suggestion")
    assert browser.all(".diff ins") and "no row explains it" in browser.text(".diff").lower()
    assert browser.axe() == []
    _act(browser, "accept", "1")
    browser.wait(lambda: "Accepted" in browser.text("#table-suggestions"), "the edit")
    assert browser.driver.execute_script(rows) == before
    assert browser.complaints() == []


def _keys(desk: Desk) -> list[str]:
    return [row["key"] for row in desk.captures(Search(limit=10))[0]]


@pytest.mark.slow
def test_chain_in_the_browser(browser) -> None:
    from selenium.webdriver.common.keys import Keys

    browser.open("/table/chain")
    browser.idle()
    assert browser.one(".answer .word").text == "In order"
    field = "input#chain-state-1-tolerance_khz, #chain-state-1-tolerance_khz input"
    browser.one(field).send_keys("x")
    browser.wait(lambda: "LO state 2 (low H), tolerance khz" in browser.text(".answer"), "the fault")
    browser.one(field).send_keys(Keys.BACKSPACE, Keys.BACKSPACE)
    browser.wait(lambda: "Not saved yet" in browser.text(".answer") and browser.all(".answer.good"), "the change")
    assert browser.axe() == []
    _act(browser, "save")
    browser.wait(lambda: len(browser.all("#chain-history tbody tr")) == 2, "the version")
    assert browser.desk.last_plan()[1].sha256 == list_editions(browser.desk.archive, "chain")[0].sha256
    assert browser.complaints() == []


@pytest.mark.slow
@pytest.mark.parametrize("path", ["/table", "/table/chain"])
def test_pages_fit_and_can_be_read(browser, path: str) -> None:
    for scheme in ("light", "dark", "night"):
        browser.open(path, scheme=scheme)
        browser.idle()
        browser.wait(lambda: browser.all(".ag-row, .state"), "the content")
        if path == "/table":
            _edit(browser, 5, "c5", "wrong")
            browser.wait(lambda: browser.all(".cell-fault"), "a mark")
        assert browser.axe("color-contrast") == []
    browser.open(path, width=390)
    browser.idle()
    assert browser.driver.execute_script("return document.documentElement.scrollWidth") <= 390
    assert browser.complaints() == []
