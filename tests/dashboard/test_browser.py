"""The main job in a real browser, by mouse and by keyboard, at both widths; accessibility by axe-core (WCAG 2.1 A, AA).

A browser that is missing skips with the reason; where CI is set it fails.
"""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import pytest

from dashboard.app import make_app
from dashboard.desk import Desk
from dashboard.security import Guard, hash_password
from dashboard.server import Serving
from spectra.archive import list_captures, open_archive

pytestmark = pytest.mark.slow
_FLAGS = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--no-default-browser-check"),
)
_PATIENCE_S = 60.0
DEMO = Path(__file__).parents[2] / "captures_demo"
DROPPED = ("2_right_narrow.csv", "5_co_port.csv", "5_cross_port.csv")


def _missing(what: str) -> None:
    message = f"{what} is not installed; the tests of the dashboard in a browser need it"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory):
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    steering = shutil.which("chromedriver")
    if browser is None or steering is None:
        _missing("Chromium with its driver")
    try:
        from selenium import webdriver
    except ImportError:
        _missing("selenium")
    options = webdriver.ChromeOptions()
    options.binary_location = browser
    for flag in (*_FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    options.add_experimental_option("prefs", {"download.default_directory": str(tmp_path_factory.mktemp("downloads"))})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(steering))
    yield driver
    driver.quit()


@dataclass
class Browser:
    """A browser on a running dashboard."""

    driver: object
    base: str
    desk: Desk

    def open(self, path: str, width: int = 1280, scheme: str = "light") -> None:
        metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        cookie = {"name": "sweepmuster_scheme", "value": scheme, "url": self.base}
        self.driver.execute_cdp_cmd("Network.setCookie", cookie)
        self.driver.get(self.base + path.lstrip("/"))
        self.wait(lambda: self.all("#page h1"), f"the page {path}")

    def all(self, selector: str) -> list:
        from selenium.webdriver.common.by import By

        return self.driver.find_elements(By.CSS_SELECTOR, selector)

    def one(self, selector: str):
        return self.wait(lambda: self.all(selector), selector)[0]

    def text(self, selector: str = "#page") -> str:
        return self.one(selector).get_attribute("textContent")

    def wait(self, condition: Callable[[], object], what: str):
        from selenium.common.exceptions import StaleElementReferenceException

        until = time.monotonic() + _PATIENCE_S
        while time.monotonic() < until:
            try:
                found = condition()
            except StaleElementReferenceException:
                found = None
            if found:
                return found
            time.sleep(0.05)
        raise AssertionError(f"waited in vain for {what}; the page says: {self.text()[:600]}")

    def idle(self) -> None:
        """Wait until nothing is loading and the drawings are there."""
        script = (
            "return !document.querySelector('[data-dash-is-loading=\"true\"]') && "
            "[...document.querySelectorAll('.graph')].every(g => g.querySelector('.main-svg'))"
        )
        self.wait(lambda: self.driver.execute_script(script), "the page to settle")

    def complaints(self) -> list[str]:
        return [e["message"] for e in self.driver.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]

    def asked(self) -> list[str]:
        """Addresses that were asked for since last time."""
        found = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                found.append(message["params"]["request"]["url"])
        return found

    def axe(self, *rules: str) -> list[str]:
        """Return what WCAG 2.1 A and AA find fault with; by some rules alone where they are named."""
        if not self.driver.execute_script("return Boolean(window.axe)"):
            script = files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
            self.driver.execute_script(script)
        only = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
        if rules:
            only = {"type": "rule", "values": list(rules)}
        options = {"runOnly": only, "resultTypes": ["violations"]}
        found = self.driver.execute_async_script("axe.run(document, arguments[0]).then(arguments[1])", options)
        return [
            f"{v['id']}: {v['help']}: {[(n['target'], n.get('failureSummary', '')[:200]) for n in v['nodes']][:3]}"
            for v in found["violations"]
        ]


def _serve(driver, archive: Path) -> Iterator[Browser]:
    desk = Desk(open_archive(archive), processes=1)
    serving = Serving(make_app(desk).server, "127.0.0.1", 0)
    stop = serving.start()
    yield Browser(driver, serving.address, desk)
    stop()
    desk.close()


@pytest.fixture(scope="module")
def empty(driver, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    yield from _serve(driver, tmp_path_factory.mktemp("empty") / "archive.sqlite")


@pytest.fixture(scope="module")
def filled(driver, archive_file: Path) -> Iterator[Browser]:
    yield from _serve(driver, archive_file)


@pytest.fixture(scope="module")
def keys(filled: Browser) -> dict[str, str]:
    rows = list_captures(filled.desk.archive)
    visit = filled.desk.archive.capture(rows[0]["key"])["visit"]
    return {"visit": visit[:16], **{row["name"]: row["key"][:16] for row in rows}}


def _drop(browser: Browser, paths: list[Path]) -> None:
    """Choose files as the operating system's dialogue would hand them over."""
    browser.one("#new-pick-files").click()
    browser.one("input.picked").send_keys("\n".join(str(path) for path in paths))


def test_main_job_from_dropped_files_to_the_verdict(empty: Browser) -> None:
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


def _stays_here(browser: Browser) -> None:
    elsewhere = [
        url
        for url in browser.asked()
        if not url.startswith(("http://127.0.0.1:", "data:", "blob:", "chrome:", "devtools:"))
    ]
    assert elsewhere == []


def test_files_dropped_with_the_mouse(empty: Browser) -> None:
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


def test_sweep_by_mouse_and_keyboard(filled: Browser, keys: dict[str, str]) -> None:
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
    assert "B − A: 100" in filled.text("#sweep-cursor-words")
    # the address alone brings all of it back
    filled.driver.refresh()
    filled.wait(lambda: "B − A: 100" in filled.text("#sweep-cursor-words"), "the same view")
    assert filled.text("#sweep-detail h2") == "Carrier 3"
    assert filled.complaints() == []
    _stays_here(filled)


def _range(browser: Browser) -> float:
    script = "const r = document.querySelector('#sweep-figure .js-plotly-plot').layout.xaxis.range; return r[1] - r[0]"
    return browser.driver.execute_script(script)


def test_roll_call_switches_hypotheses(filled: Browser, keys: dict[str, str]) -> None:
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
def test_page_is_accessible_quiet_and_fits(filled: Browser, keys: dict[str, str], path: str) -> None:
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


def test_log_in_in_a_browser(driver, archive_file: Path) -> None:
    """The form of the log in page passes the guard's own check of the origin, as browsers send it."""
    from selenium.webdriver.common.keys import Keys

    password = "lantern by the gangway"
    desk = Desk(open_archive(archive_file), processes=1)
    serving = Serving(make_app(desk, Guard(password=hash_password(password))).server, "127.0.0.1", 0)
    stop = serving.start()
    browser = Browser(driver, serving.address, desk)
    driver.get(serving.address + "sweeps")
    browser.one("#password").send_keys("not this one", Keys.ENTER)
    browser.wait(lambda: "That is not the password." in browser.text("body"), "the refusal")
    assert browser.axe() == []
    browser.one("#password").send_keys(password, Keys.ENTER)
    browser.wait(lambda: browser.all("#sweeps-list tbody tr"), "the page that was asked for")
    browser.driver.get_log("browser")  # the refusal stands there, as it should
    driver.delete_all_cookies()
    stop()
    desk.close()


def test_pictures_and_tables_can_be_taken(filled: Browser, keys: dict[str, str]) -> None:
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
