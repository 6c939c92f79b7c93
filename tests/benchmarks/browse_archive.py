"""Time the dashboard in a real browser: first page, next page of the list, filter by words, opening a sweep.

Run as ``python tests/benchmarks/browse_archive.py ARCHIVE [ROUNDS [lists] [sweeps]]`` (see `fill_archive.py`). The
server runs in a process of its own and the browser is a headless Chromium. A time runs in the browser's own clock from
the click (or the last key) until the new list is in the page, or every line of the picture is drawn, and a frame after
it was shown. Printed are median and worst, in milliseconds, and what the server alone took.
"""

from __future__ import annotations

import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

Note = Callable[[str, float], Any]

FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-dev-shm-usage")
WATCH = """
const [trigger, ready, done] = [new Function(arguments[0]), new Function('return ' + arguments[1]), arguments[2]];
const start = performance.now();
let over = false;
const look = () => {
  if (over || !ready()) return;
  over = true; watch.disconnect();
  requestAnimationFrame(() => setTimeout(() => done(performance.now() - start)));
};
const watch = new MutationObserver(look);
watch.observe(document.documentElement, {childList: true, subtree: true, attributes: true, characterData: true});
setTimeout(() => { if (!over) { over = true; watch.disconnect(); done(-1); } }, 10000);
trigger(); look();
"""
DRAWN = (
    "document.querySelectorAll('#sweep-figure .scatterlayer .trace').length > 4 && "
    "document.querySelector('#page h1').textContent !== window.timedTitle"
)


def serve(archive: Path) -> tuple[subprocess.Popen[bytes], str]:
    """Start the dashboard on an archive; return its process and its address."""
    command = [
        sys.executable,
        "-c",
        "import sys; from spectra.cli import main; sys.exit(main())",
        "dashboard",
        "--archive",
        str(archive),
        "--port",
        "0",
        "--no-browser",
    ]
    server = subprocess.Popen(command, stderr=subprocess.PIPE)
    assert server.stderr is not None
    for line in server.stderr:
        if b"http://" in line:
            return server, line.decode().split("at ")[1].split()[0]
    raise SystemExit("the dashboard did not start")


def browser() -> Any:
    """Return a headless browser."""
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or "chromium"
    for flag in (*FLAGS, "--window-size=1280,900", f"--user-data-dir={tempfile.mkdtemp()}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL"})
    return webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver")))


def first_page(driver: Any, address: str) -> float:
    """Return the milliseconds from asking for the first page until its list is shown."""
    driver.execute_cdp_cmd("Network.clearBrowserCache", {})
    start = time.perf_counter()
    driver.get(address)
    script = (
        "const d = arguments[0]; const t = setInterval(() => { if (document.querySelector('#visits-list tbody tr')) "
    )
    driver.execute_async_script(script + "{ clearInterval(t); requestAnimationFrame(() => setTimeout(d)); } }, 5)")
    return (time.perf_counter() - start) * 1e3


def timed(driver: Any, trigger: str, ready: str) -> float:
    """Return the milliseconds from a deed in the page until something holds and was shown."""
    driver.set_script_timeout(15)
    found = float(driver.execute_async_script(WATCH, trigger, ready))
    if found < 0:
        raise SystemExit(f"waited in vain for {ready}")
    return found


def asked_ms(driver: Any) -> list[float]:
    """Return how long requests to the pages' own callbacks took since last time, until their answer began."""
    begun, found = {}, []
    for entry in driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        told = message["params"]
        if message["method"] == "Network.requestWillBeSent" and "_dash-update-component" in told["request"]["url"]:
            begun[told["requestId"]] = told["timestamp"]
        elif message["method"] == "Network.responseReceived" and told["requestId"] in begun:
            found.append((told["timestamp"] - begun[told["requestId"]]) * 1e3)
    return found


def click_nth(selector: str, number: int) -> str:
    """Return the deed of clicking one of those that a selector finds."""
    return f"document.querySelectorAll({json.dumps(selector)})[{number}].click()"


def caption(driver: Any) -> str:
    """Return the script that says whether the list is another than it is now."""
    now = driver.execute_script("return document.querySelector('#visits-list tbody').textContent")
    return (
        "(document.querySelector('#visits-list tbody') || {textContent: "
        + json.dumps(now)
        + "}).textContent !== "
        + json.dumps(now)
    )


def typed(text: str) -> str:
    """Return the deed of writing into the search field."""
    return (
        "const f = document.querySelector('#visits-text'); f.focus(); "
        "Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, 'value').set.call(f, " + json.dumps(text) + "); "
        "f.dispatchEvent(new Event('input', {bubbles: true}))"
    )


def lists(driver: Any, address: str, rounds: int, note: Note) -> None:
    """Time the first page, the pages of the list, and the filter."""
    note("first page, server just started", first_page(driver, address))
    for _ in range(rounds):
        note("first page", first_page(driver, address))
    time.sleep(4)
    for n in range(rounds):
        turn = click_nth(".pager .turn a", int(n > 0))
        note("next page of the list", timed(driver, turn, caption(driver)))
    asked_ms(driver)
    for n in range(rounds):
        note("filter by words", timed(driver, typed(f"vessel {n * 7 % 60:02d}"), caption(driver)))
    for ms in asked_ms(driver):
        note("filter by words, the server's part", ms)


def sweeps(driver: Any, address: str, rounds: int, note: Note) -> None:
    """Time the opening of sweeps that nobody opened before, from their list."""
    driver.get(address + "sweeps")
    time.sleep(7)
    script = "return [...document.querySelectorAll('#page tbody a')].map(a => a.getAttribute('href'))"
    keys = [address for address in driver.execute_script(script) if "/sweep/" in address]
    for n in range(rounds):
        driver.execute_script("window.timedTitle = document.querySelector('#page h1').textContent")
        asked_ms(driver)
        go = f"window.sweepmusterGo({json.dumps(keys[n % len(keys)])})"
        note("open a sweep", timed(driver, go, DRAWN))
        time.sleep(0.4)
        note("open a sweep, the server's part", asked_ms(driver)[0])
        timed(driver, "window.sweepmusterGo('/sweeps')", "document.querySelector('#page h1').textContent === 'Sweeps'")
        time.sleep(0.3)


PARTS = {"lists": lists, "sweeps": sweeps}


def run(archive: Path, rounds: int, parts: Sequence[str]) -> dict[str, list[float]]:
    """Return the times by name."""
    server, address = serve(archive)
    driver = browser()
    times: dict[str, list[float]] = {}
    try:
        for part in parts:
            PARTS[part](driver, address, rounds, lambda name, ms: times.setdefault(name, []).append(ms))
    finally:
        driver.quit()
        server.terminate()
        server.wait()
    return times


if __name__ == "__main__":
    asked = int(sys.argv[2]) if len(sys.argv) > 2 else 10
    for name, values in run(Path(sys.argv[1]), asked, sys.argv[3:] or list(PARTS)).items():
        line = f"{name}: median {statistics.median(values):.0f}, worst {max(values):.0f}, n = {len(values)}"
        sys.stdout.write(line + "\n")
