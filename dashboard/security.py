"""Who may ask, from where, and what a browser may do with the answer.

Against DNS rebinding the Host of every request is checked, against cross-site posts the Origin; a content security
policy names no source but this server; an address beyond loopback needs a password.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import ipaddress
import secrets
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

if TYPE_CHECKING:
    from flask import Flask, Response
    from werkzeug.wrappers import Response as BaseResponse

__all__ = ["SESSION_COOKIE", "Guard", "Throttle", "hash_password", "password_fits", "policy"]

SESSION_COOKIE = "sweepmuster_session"
_SESSION_S = 12 * 3600
_SCRYPT = (2**15, 8, 1)
"""Cost, block size, parallelism: 32 MiB and about 0.1 s a try (common practice, no source)."""
_MOST_PASSWORD = 1024
_SAFE_METHODS = ("GET", "HEAD", "OPTIONS")


def hash_password(password: str) -> str:
    """Return a password as salted scrypt hash, in one line of text."""
    salt = secrets.token_bytes(16)
    return "scrypt${}${}${}${}${}".format(
        *_SCRYPT, *(base64.b64encode(x).decode() for x in (salt, _key(password, salt)))
    )


def _key(password: str, salt: bytes, cost: tuple[int, int, int] = _SCRYPT) -> bytes:
    n, r, p = cost
    return hashlib.scrypt(password.encode("utf-8"), salt=salt, n=n, r=r, p=p, maxmem=256 * n * r, dklen=32)


def password_fits(password: str, stored: str) -> bool:
    """Say whether a password is the one whose hash is stored; takes as long when it is not."""
    try:
        kind, n, r, p, salt, digest = stored.strip().split("$")
        cost = (int(n), int(r), int(p))
        if kind != "scrypt" or cost[0] > 2**20 or len(password) > _MOST_PASSWORD:
            return False
        return hmac.compare_digest(_key(password, base64.b64decode(salt), cost), base64.b64decode(digest))
    except ValueError:
        return False


@dataclass
class Throttle:
    """Lets few wrong tries through: after `free` of them each doubles the wait, for the caller and (slower) for all."""

    free: int = 5
    first_s: float = 2.0
    longest_s: float = 900.0
    clock: Callable[[], float] = time.monotonic
    _tries: dict[str, tuple[int, float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, who: str) -> float:
        """Return how long this caller has still to wait; 0 lets it try."""
        with self._lock:
            return max(self._left(who, self.free), self._left("", 10 * self.free))

    def _left(self, who: str, free: int) -> float:
        count, last = self._tries.get(who, (0, 0.0))
        if count < free:
            return 0.0
        wait = min(self.longest_s, self.first_s * 2.0 ** min(count - free, 30))
        return max(0.0, last + wait - self.clock())

    def failed(self, who: str) -> None:
        """Count a wrong try."""
        with self._lock:
            if len(self._tries) > 10_000:  # many addresses at once: forget the quiet ones
                old = self.clock() - self.longest_s
                self._tries = {key: value for key, value in self._tries.items() if value[1] > old or key == ""}
            for key in (who, ""):
                self._tries[key] = (self._tries.get(key, (0, 0.0))[0] + 1, self.clock())

    def passed(self, who: str) -> None:
        """Forget the wrong tries of a caller that got in."""
        with self._lock:
            self._tries.pop(who, None)


def policy(script_hashes: Iterable[str] = ()) -> str:
    """Return the content security policy: nothing from elsewhere, no script that was not here at the start.

    Inline style stays allowed: the drawing library and the component library set it, and it runs nothing.
    """
    parts = {
        "default-src": "'none'",
        "script-src": " ".join(["'self'", *script_hashes]),
        "style-src": "'self' 'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "font-src": "'self' data:",
        "connect-src": "'self'",
        "frame-src": "'self'",
        "form-action": "'self'",
        "base-uri": "'none'",
        "object-src": "'none'",
        "frame-ancestors": "'self'",
    }
    return "; ".join(f"{name} {value}" for name, value in parts.items())


@dataclass
class Guard:
    """Stands before every request of a server.

    Attributes
    ----------
    names : frozenset of str
        Names under which this server may be asked, besides plain addresses of numbers and ``localhost``; a name that
        somebody else's DNS points here is not among them.
    password : str or None
        Its scrypt hash; None where only this machine can ask.
    encrypted : bool
        Whether the way to the browser is TLS: the cookie then never goes any other way.
    """

    names: frozenset[str] = frozenset()
    password: str | None = None
    encrypted: bool = False
    throttle: Throttle = field(default_factory=Throttle)
    clock: Callable[[], float] = time.time
    _sessions: dict[bytes, float] = field(default_factory=dict)

    def attach(self, server: Flask, script_hashes: Callable[[], Iterable[str]]) -> None:
        """Put the guard before a Flask server."""
        from flask import request

        csp: list[str] = []

        def before() -> BaseResponse | None:
            if not self.host_fits(request.headers.get("Host", "")):
                return _refused("This server does not answer to that name.", 421)
            if request.method not in _SAFE_METHODS and not self.same_origin(
                request.headers.get("Origin"), request.headers.get("Sec-Fetch-Site"), request.headers.get("Host", "")
            ):
                return _refused("This request came from another site.", 403)
            return self._login() if self.password is not None else None

        def after(answer: Response) -> Response:
            if not csp:  # once: all inline scripts are known when the first page goes out
                csp.append(policy(script_hashes()))
            answer.headers.setdefault("Content-Security-Policy", csp[0])
            answer.headers["X-Content-Type-Options"] = "nosniff"
            # not no-referrer: with that a browser hides the origin of our own log in form from us too
            answer.headers["Referrer-Policy"] = "same-origin"
            answer.headers["Cross-Origin-Opener-Policy"] = "same-origin"
            answer.headers["Cross-Origin-Resource-Policy"] = "same-origin"
            answer.headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=(), usb=(), serial=()"
            if "Cache-Control" not in answer.headers:
                answer.headers["Cache-Control"] = "no-store"
            return answer

        server.before_request(before)
        server.after_request(after)

    def host_fits(self, host: str) -> bool:
        """Say whether a Host header names this server."""
        name = _host_name(host)
        if name is None:
            return False
        return name == "localhost" or name in self.names or _is_number(name)

    def same_origin(self, origin: str | None, fetch_site: str | None, host: str) -> bool:
        """Say whether a request that changes something comes from a page of this server; silence does not pass."""
        if origin is not None:
            return urlsplit(origin).netloc.lower() == host.lower() and urlsplit(origin).scheme in ("http", "https")
        return fetch_site == "same-origin"

    def _login(self) -> BaseResponse | None:
        from flask import request

        if self.knows(request.cookies.get(SESSION_COOKIE)):
            return None
        if request.path == "/login" and request.method == "POST":
            return self._try(request.form.get("password", ""), request.form.get("to", "/"), request.remote_addr or "?")
        if request.path in ("/look.css", "/assets/sheet.css"):
            return None
        if request.method == "GET" and "text/html" in request.headers.get("Accept", ""):
            return _login_page(request.full_path.rstrip("?"), "", 401)
        return _refused("Log in first.", 401)

    def _try(self, password: str, to: str, who: str) -> BaseResponse:
        from flask import redirect

        wait = self.throttle.wait_s(who)
        if wait > 0.0:
            return _login_page(to, f"Too many wrong passwords. Try again in {wait:.0f} seconds.", 429)
        assert self.password is not None
        if not password_fits(password, self.password):
            self.throttle.failed(who)
            return _login_page(to, "That is not the password.", 401)
        self.throttle.passed(who)
        answer = redirect(local_path(to), 303)
        answer.set_cookie(
            SESSION_COOKIE, self.begin(), max_age=_SESSION_S, httponly=True, samesite="Lax", secure=self.encrypted
        )
        return answer

    def begin(self) -> str:
        """Begin a session and return its token; only a hash of it is kept."""
        token = secrets.token_urlsafe(32)
        now = self.clock()
        for key in [key for key, until in self._sessions.items() if until < now]:
            self._sessions.pop(key, None)
        self._sessions[hashlib.sha256(token.encode()).digest()] = now + _SESSION_S
        return token

    def knows(self, token: str | None) -> bool:
        """Say whether a token is that of a session still open."""
        if not token:
            return False
        until = self._sessions.get(hashlib.sha256(token.encode("utf-8", "replace")).digest())
        return until is not None and until > self.clock()


def _host_name(host: str) -> str | None:
    try:
        return urlsplit(f"//{host}").hostname
    except ValueError:
        return None


def _is_number(name: str) -> bool:
    try:
        ipaddress.ip_address(name.partition("%")[0])
    except ValueError:
        return False
    return True


def local_path(to: str) -> str:
    """Return a path of this server, whatever was asked for."""
    clean = to.startswith("/") and not to.startswith("//") and "\\" not in to and all(c >= " " for c in to)
    return to if clean else "/"


def _refused(words: str, status: int) -> Response:
    from flask import Response

    return Response(words + "\n", status=status, mimetype="text/plain")


def _login_page(to: str, words: str, status: int) -> Response:
    from flask import Response

    said = f'<p role="alert" class="said">{escape(words)}</p>' if words else ""
    back = escape(quote(local_path(to), safe="/?=&%"))
    page = f"""<!DOCTYPE html>
<html lang="en" data-scheme="light"><head><meta charset="utf-8"><title>Sweepmuster: log in</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/look.css"><link rel="stylesheet" href="/assets/sheet.css"></head>
<body class="login"><main><h1>Sweepmuster</h1>{said}
<form method="post" action="/login"><input type="hidden" name="to" value="{back}">
<label for="password">Password</label>
<input id="password" name="password" type="password" autocomplete="current-password" autofocus required>
<button type="submit">Log in</button></form></main></body></html>"""
    return Response(page, status=status, mimetype="text/html")
