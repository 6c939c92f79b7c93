"""A test an attack. What browsers send (Host, Origin, Sec-Fetch-Site) is from the Fetch standard, from memory."""

from __future__ import annotations

import re

import pytest

from dashboard.app import make_app
from dashboard.desk import Desk
from dashboard.look import SCHEMES
from dashboard.registry import Table
from dashboard.security import SESSION_COOKIE, Guard, Throttle, hash_password, local_path, password_fits
from dashboard.server import is_loopback
from dashboard.take import csv_text, file_name

SHOWN = b"..page.children...menu.children...told-title.data...notice.children.."
"""Name of the answer that shows a page."""
PASSWORD = "lantern by the gangway"


@pytest.fixture(scope="module")
def stored() -> str:
    return hash_password(PASSWORD)


@pytest.fixture
def guarded(desk: Desk, stored: str):
    client = make_app(desk, Guard(frozenset({"desk.example"}), stored, encrypted=True)).server.test_client()
    client.environ_base.update(HTTP_ORIGIN="http://localhost", HTTP_ACCEPT="text/html")
    return client


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8750", "localhost.evil.example", "", "127.0.0.1.evil.example"]
)
def test_dns_rebinding_is_refused(client, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize("host", ["localhost:8750", "127.0.0.1:8750", "[::1]:8750", "192.168.3.4"])
def test_own_names_are_answered(client, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:9999"},
        {"Origin": None, "Sec-Fetch-Site": "cross-site"},
        {"Origin": None},
    ],
)
def test_cross_site_post_is_refused(client, headers: dict) -> None:
    client.environ_base.pop("HTTP_ORIGIN")
    sent = {key: value for key, value in headers.items() if value is not None}
    assert client.post("/_dash-update-component", json={}, headers=sent).status_code == 403


def test_policy_lets_nothing_in_from_elsewhere(client) -> None:
    answer = client.get("/")
    policy = dict(part.strip().split(" ", 1) for part in answer.headers["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert "unsafe" not in policy["script-src"] and "http" not in " ".join(policy.values())
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    # every inline script of the page is one whose hash the policy holds
    inline = re.findall(r"<script(?![^>]*(?:src=|application/json))[^>]*>(.*?)</script>", answer.text, re.DOTALL)
    import base64
    import hashlib

    for script in inline:
        assert base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() in policy["script-src"]


def test_pages_name_no_other_machine(client) -> None:
    assert not re.findall(r"(?:src|href)=\"(?:https?:)?//", client.get("/").text)


def test_nothing_without_the_password(guarded) -> None:
    for path in ("/", "/_dash-layout", "/csv/?table=visits", "/_dash-dependencies", "/assets/place.js"):
        assert guarded.get(path).status_code == 401
    assert guarded.post("/_dash-update-component", json={}).status_code == 401


def test_password_opens_and_cookie_is_kept_from_others(guarded) -> None:
    answer = guarded.post("/login", data={"password": PASSWORD, "to": "/visit/abc"})
    assert (answer.status_code, answer.location) == (303, "/visit/abc")
    cookie = answer.headers["Set-Cookie"]
    assert cookie.startswith(SESSION_COOKIE) and all(word in cookie for word in ("HttpOnly", "Secure", "SameSite=Lax"))
    token = cookie.partition("=")[2].partition(";")[0]
    assert guarded.get("/").status_code == 200
    guarded.delete_cookie(SESSION_COOKIE)
    assert guarded.get("/", headers={"Cookie": f"{SESSION_COOKIE}={token[:-1]}"}).status_code == 401


def test_guessing_is_slowed_down(guarded) -> None:
    codes = [guarded.post("/login", data={"password": f"guess {k}"}).status_code for k in range(7)]
    assert codes == [401] * 5 + [429] * 2
    assert guarded.post("/login", data={"password": PASSWORD}).status_code == 429


def test_throttle_doubles_and_forgets() -> None:
    now = [0.0]
    throttle = Throttle(free=2, first_s=1.0, clock=lambda: now[0])
    waits = []
    for _ in range(5):
        waits.append(throttle.wait_s("a"))
        throttle.failed("a")
    assert waits == [0.0, 0.0, 1.0, 2.0, 4.0]
    assert throttle.wait_s("b") == 0.0
    now[0] = 100.0
    assert throttle.wait_s("a") == 0.0
    throttle.passed("a")
    throttle.failed("a")
    assert throttle.wait_s("a") == 0.0


def test_many_callers_are_slowed_down_together() -> None:
    throttle = Throttle(free=2, first_s=1.0, clock=lambda: 0.0)
    for k in range(25):
        throttle.failed(f"caller {k}")
    assert throttle.wait_s("a new one") > 0.0


@pytest.mark.parametrize(
    "to", ["https://evil.example/", "//evil.example", "/\\evil.example", "/a\r\nSet-Cookie: x", ""]
)
def test_log_in_leads_nowhere_else(to: str) -> None:
    assert local_path(to) == "/"


def test_log_in_page_renders_no_markup_of_the_address(guarded) -> None:
    answer = guarded.get('/"><script>alert(1)</script>')
    assert answer.status_code == 401 and "<script>" not in answer.text


def test_hash_is_scrypt_salted_and_not_the_password(stored: str) -> None:
    assert stored.startswith("scrypt$32768$8$1$") and PASSWORD not in stored
    assert stored != hash_password(PASSWORD)
    assert password_fits(PASSWORD, stored) and not password_fits(PASSWORD + " ", stored)
    assert not password_fits("x" * 100_000, stored) and not password_fits(PASSWORD, "scrypt$nonsense")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\r=1", " =1", "|cmd", "%x"])
def test_csv_holds_no_formula(text: str) -> None:
    line = csv_text(Table("t", ["name"], [[text]])).split("\r\n", 1)[1]
    assert line.lstrip('"').startswith("'")


def test_csv_keeps_numbers() -> None:
    assert csv_text(Table("t", ["a", "b"], [[-1.5, None]])) == "\ufeffa,b\r\n-1.5,\r\n"


def test_download_names_are_plain() -> None:
    assert file_name('../../etc/passwd"\r\nX: y', ".csv") == "etc-passwd-X-y.csv"


@pytest.mark.parametrize(
    ("host", "expected"),
    [("127.0.0.1", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("10.1.2.3", False), ("desk", False)],
)
def test_loopback(host: str, expected: bool) -> None:
    assert is_loopback(host) is expected


def _luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", SCHEMES)
def test_contrast(name: str) -> None:
    """WCAG 2.1, 1.4.3 (4.5:1 for text), 1.4.11 (3:1 for controls, graphics); formula of the standard, from memory."""
    look = SCHEMES[name]
    grounds = [look.paper, look.sunk, look.ground, look.wash_good, look.wash_fair, look.wash_open, look.wash_bad]
    for text in (look.ink, look.soft, look.sea, look.good, look.fair, look.open, look.bad):
        assert min(_contrast(text, ground) for ground in grounds) >= 4.5
    assert _contrast(look.on_sea, look.sea) >= 4.5
    for graphic in (look.trace, look.model, look.floor, look.mark, look.other, look.edge):
        assert _contrast(graphic, look.paper) >= 3.0


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b'{"output": "x"}',
        b'{"output": ["x"], "inputs": []}',
        b'{"output": "%s", "inputs": 5}' % SHOWN,
        b'{"output": "%s", "outputs": [], "inputs": []}' % SHOWN,
        b'{"output": "%s", "outputs": [], "inputs": [1, 2]}' % SHOWN,
    ],
)
def test_what_no_page_sends_is_refused_in_a_sentence(client, body: bytes, capfd) -> None:
    answer = client.post("/_dash-update-component", data=body, content_type="application/json")
    assert answer.status_code == 400 and b"none that a page sends" in answer.data
    assert "Traceback" not in capfd.readouterr().err


def test_no_path_leads_out_of_what_is_served(client) -> None:
    suites = "/_dash-component-suites"
    for path in (f"{suites}/../../../../etc/passwd", f"{suites}/no/x.js", "/assets/../app.py", "/assets/..%2fapp.py"):
        assert client.get(path).status_code == 404
