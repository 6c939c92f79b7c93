"""The whole main job in one go, once by mouse and once by keyboard alone, with nothing said on the console.

Drop the visit, get the verdict, look at the pair, accept what a sweep suggests for the table, save it, hand over the
report. The dialogue of the operating system is the one thing that is stood in for: its files are handed to the field.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.slow
DEMO = Path(__file__).parents[2] / "captures_demo"
SWEEPS = ("2_right_narrow.csv", "5_co_port.csv", "5_cross_port.csv")
MOST_TABS = 120


class Mouse:
    """Everything by pointing."""

    def __init__(self, browser: Any) -> None:
        self.browser = browser

    def press(self, selector: str) -> None:
        from selenium.webdriver import ActionChains

        element = self.browser.one(selector)
        self.browser.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
        ActionChains(self.browser.driver).move_to_element(element).click().perform()

    def bring(self, folder: Path) -> None:
        script = """
            const zone = document.querySelector('[data-drop]'), data = new DataTransfer();
            for (const [name, text] of arguments[0]) data.items.add(new File([text], name));
            for (const kind of ['dragenter', 'dragover', 'drop'])
              zone.dispatchEvent(new DragEvent(kind, {bubbles: true, cancelable: true, dataTransfer: data}));"""
        files = [[path.name, path.read_text(encoding="utf-8")] for path in sorted(folder.iterdir())]
        self.browser.driver.execute_script(script, files)


class Keyboard:
    """Everything by Tab and Enter."""

    def __init__(self, browser: Any) -> None:
        self.browser = browser

    def press(self, selector: str) -> None:
        from selenium.webdriver.common.keys import Keys

        self.browser.one(selector)
        here = "return document.activeElement.matches(arguments[0])"
        for _ in range(MOST_TABS):
            if self.browser.driver.execute_script(here, selector):
                seen = "const r = document.activeElement.getBoundingClientRect(); return r.width * r.height > 0"
                assert self.browser.driver.execute_script(seen), f"{selector} has the focus and cannot be seen"
                self.browser.driver.switch_to.active_element.send_keys(Keys.ENTER)
                return
            self.browser.driver.switch_to.active_element.send_keys(Keys.TAB)
        raise AssertionError(f"{selector} is not reached by Tab")

    def bring(self, folder: Path) -> None:
        self.press("#new-pick-files")
        self.browser.one("input.picked").send_keys("\n".join(str(path) for path in sorted(folder.iterdir())))


@pytest.fixture(scope="module")
def stick(browse: Any, archive_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What comes off the stick: sweeps, notes, chain, and a table that lacks a carrier that a sweep shows."""
    shown = [s for s in map(browse(archive_file).desk.capture, _keys(archive_file)) if s.review.verdict == "confirmed"]
    called = shown[0].review.identification.roll_call
    lacking = next(e.row for e in called if e.status == "present" and e.offset_hz is not None)
    folder = tmp_path_factory.mktemp("stick")
    for name in (*SWEEPS, *(f"{name}.toml" for name in SWEEPS), "chain.toml"):
        (folder / name).write_bytes((DEMO / name).read_bytes())
    lines = (DEMO / "carriers.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    del lines[lacking - 1]
    (folder / "carriers.csv").write_text("".join(lines), encoding="utf-8")
    return folder


def _keys(archive_file: Path) -> list[str]:
    from spectra.archive import list_captures, open_archive

    with open_archive(archive_file) as archive:
        return [row["key"] for row in list_captures(archive)]


@pytest.mark.parametrize("hand", [Mouse, Keyboard])
def test_main_job(hand: Callable[[Any], Any], browse: Any, stick: Path, tmp_path: Path) -> None:
    browser = browse(tmp_path / "archive.sqlite")
    downloads = {"behavior": "allow", "downloadPath": str(tmp_path)}
    browser.driver.execute_cdp_cmd("Page.setDownloadBehavior", downloads)
    browser.asked()
    browser.complaints()
    by = hand(browser)
    browser.open("/")
    by.press("#page a.button")
    browser.wait(lambda: browser.text("h1") == "New visit", "the page for a new visit")
    by.bring(stick)
    browser.wait(lambda: browser.all("#new-start"), "the form")
    by.press("#new-start")
    browser.wait(lambda: browser.all(".numbers") and browser.all(".tabs"), "the visit")
    assert browser.one(".answer .word").text.startswith("Accepted") and "Fairlead 2" in browser.text(".numbers")
    visit = browser.driver.current_url
    # the pair
    by.press('.tabs a[href*="/polarisation"]')
    browser.wait(lambda: browser.text("h1") == "Polarisation" and browser.all(".graph .main-svg"), "the pair")
    assert " dB" in browser.text("#page") and "Carrier by carrier" in browser.text("#page")
    # a suggestion for the table
    by.press('#menu a[href="/table"]')
    browser.wait(lambda: browser.all("#table-grid .ag-row"), "the table")
    by.press('[data-what="suggest"]')
    browser.wait(lambda: browser.all(".diff ins"), "a suggestion")
    by.press('[data-what="accept"][data-n="1"]')
    browser.wait(lambda: "Accepted" in browser.text("#table-suggestions"), "the edit")
    by.press('[data-what="save"]')
    browser.wait(lambda: len(browser.all("#table-history tbody tr")) == 2, "the version")
    # back to the visit by the way one came, and its report
    browser.driver.back()
    browser.wait(lambda: browser.text("h1") == "Polarisation", "the page before")
    browser.driver.back()
    browser.wait(lambda: browser.driver.current_url == visit and browser.all(".numbers"), "the visit again")
    by.press('.tabs a[href*="/report"]')
    browser.wait(lambda: browser.all(".report-takes a"), "the report")
    by.press('.report-takes a[href*="/pdf"]')
    found = browser.wait(lambda: list(tmp_path.glob("*.pdf")), "the file")
    until = time.monotonic() + 10.0
    while not found[0].read_bytes().rstrip().endswith(b"%%EOF") and time.monotonic() < until:
        time.sleep(0.05)
    assert found[0].read_bytes().startswith(b"%PDF-")
    assert browser.complaints() == []
    assert not [
        u for u in browser.asked() if not u.startswith((browser.base, "data:", "blob:", "chrome:", "devtools:"))
    ]
