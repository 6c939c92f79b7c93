"""What the tests share: a small archive made once, an app over it, a client like a browser, and a browser."""

from __future__ import annotations

import base64
import json
import os
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import pytest

import spectra
from dashboard.app import make_app
from dashboard.desk import Desk
from dashboard.server import Serving
from spectra.archive import add_paths, open_archive

DEMO = Path(spectra.__file__).parents[1] / "captures_demo"
_FLAGS = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--no-default-browser-check"),
)
_PATIENCE_S = 20.0
_FILES = ("2_right_narrow.csv", "5_co_port.csv", "5_cross_port.csv", "carriers.csv", "chain.toml")


_SCAN = """# a remark
[CHANNEL]
	DELIVERY_SYSTEM = DVBS2
	FREQUENCY = 11720000
	POLARIZATION = HORIZONTAL
	SYMBOL_RATE = 27500000
	INNER_FEC = 3/4
	ROLLOFF = 20
	MODULATION = PSK/8
"""


@pytest.fixture(scope="session")
def scan_text() -> str:
    """One carrier as open DVB scan files write it."""
    return _SCAN


@pytest.fixture(scope="session")
def archive_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("dashboard")
    folder = home / "spring visit"
    folder.mkdir()
    for name in _FILES:
        (folder / name).write_bytes((DEMO / name).read_bytes())
        sidecar = DEMO / f"{name}.toml"
        if sidecar.is_file():
            (folder / sidecar.name).write_bytes(sidecar.read_bytes())
    with open_archive(home / "archive.sqlite") as archive:
        assert add_paths(archive, [folder], processes=1).stored == 3
    return home / "archive.sqlite"


@pytest.fixture(scope="session")
def desk(archive_file: Path) -> Iterator[Desk]:
    desk = Desk(open_archive(archive_file), processes=1)
    yield desk
    desk.close()


@pytest.fixture(scope="session")
def app(desk: Desk):
    return make_app(desk)


@pytest.fixture
def client(app):
    client = app.server.test_client()
    client.environ_base["HTTP_ORIGIN"] = "http://localhost"
    return client


def _missing(what: str) -> None:
    message = f"{what} is not installed; the tests of the dashboard in a browser need it"
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory):
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

    def picture(self, path: Path) -> None:
        """Save what can be seen, the whole page long."""
        script = "return document.documentElement.scrollHeight"
        metrics = {
            "width": self.driver.execute_script("return innerWidth"),
            "height": self.driver.execute_script(script),
        }
        shot = {"format": "png", "captureBeyondViewport": True, "clip": {"x": 0, "y": 0, **metrics, "scale": 1}}
        path.write_bytes(base64.b64decode(self.driver.execute_cdp_cmd("Page.captureScreenshot", shot)["data"]))

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


@pytest.fixture(scope="module")
def browse(chromium):
    """Return a function that opens a browser on the archive at a path; what it began ends with the module."""
    ends = []

    def begin(archive: Path) -> Browser:
        desk = Desk(open_archive(archive), processes=1)
        serving = Serving(make_app(desk).server, "127.0.0.1", 0)
        ends.extend((serving.start(), desk.close))
        return Browser(chromium, serving.address, desk)

    yield begin
    chromium.get("about:blank")  # asks for nothing more before its server ends; the next module begins with clean logs
    for kind in ("browser", "performance"):
        chromium.get_log(kind)
    for end in ends:
        end()
