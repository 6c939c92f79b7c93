"""open the dashboard in your browser: saved sweeps, visits, roll calls, the carrier table."""

from __future__ import annotations

import argparse
import getpass
import os
import sys
from pathlib import Path

from spectra.cautions import DISCLAIMER
from spectra.errors import UsageError

EPILOG = DISCLAIMER
_PORT = 8750
_SHORTEST_PASSWORD = 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("--archive", metavar="PATH_OR_URL", help="SQLite file or postgresql://... (default: yours)")
    parser.add_argument("--port", type=int, default=_PORT, metavar="N", help=f"port (default {_PORT}; 0: any free one)")
    parser.add_argument("--no-browser", action="store_true", help="do not open the browser, only tell the address")
    group = parser.add_argument_group("for other machines too")
    group.add_argument(
        "--host", default="127.0.0.1", metavar="H", help="address to listen on (default: this machine alone)"
    )
    group.add_argument("--password-file", metavar="FILE", help="file with the password's hash (see --new-password)")
    group.add_argument("--new-password", metavar="FILE", help="ask for a password, write its scrypt hash, and end")
    group.add_argument("--certificate", metavar="CERT.pem", help="serve by TLS with this certificate")
    group.add_argument("--key", metavar="KEY.pem", help="key of the certificate, where it is not in the same file")
    group.add_argument("--plain", action="store_true", help="without TLS: passwords and sweeps can be read on the way")


def execute(arguments: argparse.Namespace) -> int:
    """Serve until interrupted."""
    if arguments.new_password is not None:
        return _write_password(Path(arguments.new_password))
    from dashboard.security import Guard
    from dashboard.server import Serving, is_loopback, names_of

    if not 0 <= arguments.port <= 65535:
        raise UsageError("--port", None, str(arguments.port), "0 to 65535", "Leave it out.")
    open_to_others = not is_loopback(arguments.host)
    password = _password(arguments, open_to_others)
    from dashboard.app import make_app, warm_up
    from dashboard.desk import Desk
    from spectra.archive import open_archive

    desk = Desk(open_archive(arguments.archive))
    try:
        guard = Guard(names_of(arguments.host), password, arguments.certificate is not None)
        app = make_app(desk, guard)
        serving = Serving(
            app.server,
            arguments.host,
            arguments.port,
            certificate=None if arguments.certificate is None else Path(arguments.certificate),
            key=None if arguments.key is None else Path(arguments.key),
        )
        _tell(serving.address, open_to_others, arguments)
        warm_up(desk, app)
        if not arguments.no_browser:
            import threading
            import webbrowser

            threading.Timer(0.3, webbrowser.open, (serving.address,)).start()
        serving.run()
    except KeyboardInterrupt:
        print("closed", file=sys.stderr)
    finally:
        desk.close()
    return 0


def _tell(address: str, open_to_others: bool, arguments: argparse.Namespace) -> None:
    print(f"The dashboard is at {address}  (Ctrl+C closes it)", file=sys.stderr, flush=True)
    if open_to_others:
        print(f"Others can reach it on {arguments.host}, port {arguments.port}, with the password.", file=sys.stderr)
        if arguments.certificate is None:
            print("It is not encrypted: password and sweeps can be read on the way.", file=sys.stderr, flush=True)


def _password(arguments: argparse.Namespace, open_to_others: bool) -> str | None:
    """Return the hash to log in with; an address that others reach is refused without one."""
    if arguments.password_file is not None:
        path = Path(arguments.password_file)
        try:
            stored = path.read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError):
            stored = ""
        if not stored.startswith("scrypt$"):
            raise UsageError(
                "--password-file",
                None,
                f"{path.name} without a hash",
                "a file that --new-password wrote",
                f"Make it: sweepmuster dashboard --new-password {path.name}",
            )
    elif open_to_others:
        raise UsageError(
            "--host",
            None,
            f"{arguments.host}, an address that other machines reach",
            "a password with it",
            "Make one (--new-password FILE) and name it (--password-file FILE).",
        )
    else:
        return None
    if open_to_others and arguments.certificate is None and not arguments.plain:
        raise UsageError(
            "--host",
            None,
            f"{arguments.host} without TLS",
            "--certificate CERT.pem, or --plain",
            "With --plain password and sweeps can be read by others on the network: only where you trust all of it.",
        )
    return stored


def _write_password(path: Path) -> int:
    from dashboard.security import hash_password

    if sys.stdin.isatty():
        password = getpass.getpass("New password: ")
        if getpass.getpass("Once more: ") != password:
            raise UsageError("--new-password", None, "two that differ", "the same twice", "Try again.")
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    if len(password) < _SHORTEST_PASSWORD:
        raise UsageError(
            "--new-password",
            None,
            f"{len(password)} characters",
            f"{_SHORTEST_PASSWORD} or more",
            "Choose a longer one.",
        )
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as stream:
        stream.write(hash_password(password) + "\n")
    print(f"written: {path}", file=sys.stderr)
    return 0
