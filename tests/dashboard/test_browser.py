"""The main job in a real browser, by mouse and by keyboard, at both widths; accessibility by axe-core (WCAG 2.1 A, AA).

A browser that is missing skips with the reason; where CI is set it fails.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from dashboard.app import make_app
from dashboard.desk import Desk
from dashboard.security import Guard, hash_password
from dashboard.server import Serving
from spectra.archive import list_captures, open_archive

pytestmark = pytest.mark.slow
DEMO = Path(__file__).parents[2] / "captures_demo"
DROPPED = ("2_right_narrow.csv", "5_co_port.csv", "5_cross_port.csv")


@pytest.fixture(scope="module")
def empty(browse: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    return browse(tmp_path_factory.mktemp("empty") / "archive.sqlite")


@pytest.fixture(scope="module")
def filled(browse: Any, archive_file: Path) -> Any:
    return browse(archive_file)


@pytest.fixture(scope="module")
def keys(filled: Any) -> dict[str, str]:
    rows = list_captures(filled.desk.archive)
    visit = filled.desk.archive.capture(rows[0]["key"])["visit"]
    return {"visit": visit[:16], **{row["name"]: row["key"][:16] for row in rows}}


def _drop(browser: Any, paths: list[Path]) -> None:
    """Choose files as the operating system's dialogue would hand them over."""
    browser.one("#new-pick-files").click()
    browser.one("input.picked").send_keys("\n".join(str(path) for path in paths))


def test_main_job_from_dropped_files_to_the_verdict(empty: Any) -> None:
    from selenium.webdriver.common.keys import Keys

    empty.open("/")
    assert "Nothing saved yet" in empty.text()
    empty.one("#page a.button").send_keys(Keys.ENTER)  # by keyboard
    empty.wait(lambda: empty.text("h1") == "New visit", "the page for a new visit")
    empty.idle()
    paths = [DEMO / name for name in (*DROPPED, "carriers.csv", "chain.toml")]
    paths += [DEMO / f"{name}.toml" for name in DROPPED]
    _drop(empty, [*paths, DEMO / "README.md"])
    empty.wait(lambda: "9 of 9 files taken in, 1 not usable" in empty.text("[data-said]"), "all files")
    wrong = empty.one(".lines li.wrong").text
    assert wrong.startswith("README.md") and "expected" in wrong
    empty.wait(lambda: empty.all("#new-start"), "the form")
    # what the notes tell is filled in
    assert empty.one('[name="head.vessel"]').get_attribute("value") == "Cordwainer Bay"
    ports = {s.get_attribute("value") for s in empty.all('select[name$=".port"]')}
    assert ports == {"single", "co", "cross"}
    empty.one('[name="head.title"]').send_keys("Spring service")
    empty.one("#new-start").send_keys(Keys.ENTER)
    empty.wait(lambda: "1 file could not be used" in empty.text("#new-outcome"), "the outcome")
    assert empty.all("#new-outcome .verdict.good") and "README.md" in empty.text("#new-outcome")
    empty.one("#new-outcome a.button").click()
    empty.wait(lambda: empty.text("h1") == "Spring service", "the visit")
    assert "Fairlead 2, V, high V" in empty.text() and "accepted" in empty.text(".answer").lower()
    assert "Isolation" in empty.text() and " dB" in empty.text(".numbers")
    # back leads back, and the visit is in the list
    empty.one(".wordmark").click()
    empty.wait(lambda: "Spring service" in empty.text("#visits-list"), "the list")
    empty.driver.back()
    empty.wait(lambda: empty.text("h1") == "Spring service", "the visit again")
    assert empty.complaints() == []
    _stays_here(empty)


def _stays_here(browser: Any) -> None:
    elsewhere = [
        url
        for url in browser.asked()
        if not url.startswith(("http://127.0.0.1:", "data:", "blob:", "chrome:", "devtools:"))
    ]
    assert elsewhere == []


def test_files_dropped_with_the_mouse(empty: Any) -> None:
    empty.open("/new")
    empty.idle()
    script = """
        const zone = document.querySelector('[data-drop]'), data = new DataTransfer();
        data.items.add(new File([arguments[0]], 'noon.csv'));
        for (const kind of ['dragenter', 'dragover', 'drop'])
          zone.dispatchEvent(new DragEvent(kind, {bubbles: true, cancelable: true, dataTransfer: data}));"""
    empty.driver.execute_script(script, (DEMO / "7_drift_01.csv").read_text(encoding="utf-8"))
    empty.wait(lambda: "1 of 1 files taken in" in empty.text("[data-said]"), "the file")
    assert "sweep of 801 points, 1420 to 2060 MHz" in empty.text(".lines")
    empty.wait(lambda: empty.all("#new-start"), "the form")
    assert empty.complaints() == []


def test_sweep_by_mouse_and_keyboard(filled: Any, keys: dict[str, str]) -> None:
    from selenium.webdriver.common.keys import Keys

    filled.open(f"/visit/{keys['visit']}/sweep/{keys['5_co_port.csv']}")
    filled.idle()
    (kept,) = filled.desk.capture(keys["5_co_port.csv"]).review.measurements
    assert len(filled.all("#sweep-carriers tbody tr")) == len(kept.carriers) > 4
    # a row brings out its mark in the picture, and its numbers beside it; the address keeps it
    filled.all("#sweep-carriers tbody tr")[2].send_keys(Keys.ENTER)
    filled.wait(lambda: filled.text("#sweep-detail h2") == "Carrier 3", "the carrier")
    filled.wait(lambda: "carrier=2" in filled.driver.current_url, "the address")
    # closer: the span halves; the whole span comes back
    before = _range(filled)
    filled.one("#sweep-in").click()
    filled.wait(lambda: abs(_range(filled) / before - 0.5) < 0.01, "the closer view")
    filled.one("#sweep-all").click()
    filled.wait(lambda: _range(filled) == before, "the whole span")
    # two cursors by keyboard
    for name, mhz in (("a", "1500"), ("b", "1600,5")):
        field = filled.one(f"input#sweep-{name}, #sweep-{name} input")
        field.send_keys(mhz, Keys.ENTER)
        filled.wait(lambda name=name: f"{name.upper()}: " in filled.text("#sweep-cursor-words"), "the reading")
    assert "B − A: 100." in filled.text("#sweep-cursor-words")
    # the address alone brings all of it back
    filled.driver.refresh()
    filled.wait(lambda: "B − A: 100." in filled.text("#sweep-cursor-words"), "the same view")
    assert filled.text("#sweep-detail h2") == "Carrier 3"
    assert filled.complaints() == []
    _stays_here(filled)


def _range(browser: Any) -> float:
    script = "const r = document.querySelector('#sweep-figure .js-plotly-plot').layout.xaxis.range; return r[1] - r[0]"
    return browser.driver.execute_script(script)


def test_roll_call_switches_hypotheses(filled: Any, keys: dict[str, str]) -> None:
    filled.open(f"/visit/{keys['visit']}/rollcall/{keys['5_co_port.csv']}")
    filled.idle()
    assert "present" in filled.text("#rollcall-called")
    filled.all("#rollcall-candidates tbody tr")[1].click()
    filled.wait(lambda: "If it were" in filled.text("#rollcall-called"), "the other hypothesis")
    filled.wait(lambda: "hypothesis=2" in filled.driver.current_url, "the address")
    assert filled.complaints() == []


PAGES = (
    *("/", "/sweeps", "/terminals", "/new", "/settings", "/visit/{visit}", "/visit/{visit}/oscillator"),
    *("/visit/{visit}/sweep/{5_co_port.csv}", "/visit/{visit}/rollcall/{5_co_port.csv}"),
    *("/visit/{visit}/polarisation", "/visit/{visit}/interference"),
)


@pytest.mark.parametrize("path", PAGES)
def test_page_is_accessible_quiet_and_fits(filled: Any, keys: dict[str, str], path: str) -> None:
    for name, key in keys.items():
        path = path.replace(f"{{{name}}}", key)
    filled.open(path)
    filled.idle()
    assert filled.axe() == []
    for scheme in ("dark", "night"):
        filled.driver.execute_script("document.documentElement.dataset.scheme = arguments[0]", scheme)
        assert filled.axe("color-contrast") == []
    filled.open(path, width=390)
    filled.idle()
    assert filled.driver.execute_script("return document.documentElement.scrollWidth") <= 390
    assert filled.complaints() == []
    _stays_here(filled)


def test_log_in_in_a_browser(filled: Any, archive_file: Path) -> None:
    """The form of the log in page passes the guard's own check of the origin, as browsers send it."""
    from selenium.webdriver.common.keys import Keys

    password = "lantern by the gangway"
    desk = Desk(open_archive(archive_file), processes=1)
    serving = Serving(make_app(desk, Guard(password=hash_password(password))).server, "127.0.0.1", 0)
    stop = serving.start()
    driver = filled.driver
    browser = type(filled)(driver, serving.address, desk)
    driver.get(serving.address + "sweeps")
    browser.one("#password").send_keys("not this one", Keys.ENTER)
    browser.wait(lambda: "That is not the password." in browser.text("body"), "the refusal")
    assert browser.axe() == []
    browser.one("#password").send_keys(password, Keys.ENTER)
    browser.wait(lambda: browser.all("#sweeps-list tbody tr"), "the page that was asked for")
    driver.delete_all_cookies()
    driver.get("about:blank")  # asks for nothing more before its server ends
    driver.get_log("browser")  # the refusal stands there, as it should
    stop()
    desk.close()


def test_pictures_and_tables_can_be_taken(filled: Any, keys: dict[str, str]) -> None:
    filled.open(f"/visit/{keys['visit']}/sweep/{keys['5_co_port.csv']}")
    filled.idle()
    folder = Path(filled.driver.capabilities["chrome"]["userDataDir"]).parent
    for button in filled.all('#page [data-figure="sweep-figure"]'):
        button.click()
    filled.one('#page a.take[href^="/csv/"]').click()

    def taken() -> set[str]:
        return {path.suffix for path in folder.rglob("5_co_port.csv*") if path.stat().st_size > 500}

    filled.wait(lambda: taken() >= {".svg", ".png", ".csv"}, "the downloads")
    assert filled.complaints() == []
