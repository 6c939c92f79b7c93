"""Serving: a threaded server on one address, with TLS where a certificate is named."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

from spectra.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from flask import Flask

__all__ = ["LOOPBACK", "Serving", "is_loopback", "names_of"]

LOOPBACK = "127.0.0.1"
_THREADS = 12
_MOST_BYTES = 300_000_000
"""Largest request at all; each address has its own, lower limit."""


def is_loopback(host: str) -> bool:
    """Say whether an address can only be asked from this machine."""
    import ipaddress

    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def names_of(host: str) -> frozenset[str]:
    """Return the names under which a server on `host` may be asked, besides addresses of numbers and localhost."""
    if is_loopback(host):
        return frozenset()
    own = socket.gethostname().lower()
    return frozenset({own, f"{own}.local", socket.getfqdn().lower(), host.lower()})


class Serving:
    """A server that listens from the moment it is made.

    Parameters
    ----------
    app : Flask
    host : str
    port : int
        0 takes a free one; `port` then tells which.
    certificate, key : Path or None
        PEM files for TLS.

    Raises
    ------
    UsageError
        If the address cannot be had, or the certificate cannot be used.
    """

    def __init__(
        self, app: Flask, host: str, port: int, *, certificate: Path | None = None, key: Path | None = None
    ) -> None:
        from cheroot import wsgi

        self.encrypted = certificate is not None
        server = wsgi.Server(
            (host, port), app, numthreads=_THREADS, server_name="sweepmuster", request_queue_size=64, timeout=30
        )
        self._server = cast("Any", server)
        self._server.max_request_body_size = _MOST_BYTES
        self._server.error_log = _quiet
        if certificate is not None:
            self._server.ssl_adapter = _tls(certificate, key)
        _try_address(host, port)
        self._server.prepare()
        self.host = host
        self.port = int(self._server.bind_addr[1])

    @property
    def address(self) -> str:
        """Address to open in a browser of this machine."""
        host = LOOPBACK if self.host in ("0.0.0.0", "::") else self.host
        shown = f"[{host}]" if ":" in host else host
        return f"{'https' if self.encrypted else 'http'}://{shown}:{self.port}/"

    def run(self) -> None:
        """Serve until `stop` is called, or the process is interrupted."""
        try:
            self._server.serve()
        finally:
            self._server.stop()

    def start(self) -> Callable[[], None]:
        """Serve in a thread of its own; return what stops it."""
        thread = threading.Thread(target=self.run, name="serving", daemon=True)
        thread.start()

        def stop() -> None:
            self._server.stop()
            thread.join(10.0)

        return stop


def _try_address(host: str, port: int) -> None:
    """Refuse an address that cannot be had in words of ours."""
    try:
        family, kind, protocol, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as tried:
            if (
                os.name == "posix"
            ):  # a port that was only just let go of is free there; elsewhere this means another thing
                tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind(place)
    except OSError as problem:
        raise UsageError(
            "--port",
            None,
            f"{host}:{port}, which cannot be had ({problem.strerror or problem})",
            "a free port on an address of this machine",
            "Name another port, such as 8765, or 0 for any free one.",
        ) from None


def _tls(certificate: Path, key: Path | None) -> Any:
    import ssl

    from cheroot.ssl.builtin import BuiltinSSLAdapter

    try:
        adapter = BuiltinSSLAdapter(str(certificate), str(key or certificate))
    except (OSError, ssl.SSLError) as problem:
        raise UsageError(
            "--certificate",
            None,
            f"{certificate.name}, which cannot be used ({problem})",
            "a certificate and its key as PEM",
            "Name both with --certificate and --key.",
        ) from None
    adapter.context.minimum_version = ssl.TLSVersion.TLSv1_2
    return adapter


def _quiet(*_: Any, **__: Any) -> None:
    """Say nothing of connections that a browser dropped; what fails in a page is told by the page's own handler."""
