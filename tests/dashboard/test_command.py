"""``sweepmuster dashboard``: who may reach it, with what, and what it says of that."""

from __future__ import annotations

import argparse
import io
import ssl
import subprocess
import sys
import threading
import urllib.request
from pathlib import Path

import pytest

from dashboard import command
from dashboard.security import hash_password, password_fits
from dashboard.server import Serving
from spectra.errors import UsageError


def _arguments(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    return parser.parse_args(list(words))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--host", "0.0.0.0"], "other machines reach"),
        (["--host", "desk.example"], "other machines reach"),
        (["--host", "0.0.0.0", "--password-file", "{good}"], "without TLS"),
        (["--host", "0.0.0.0", "--password-file", "{bad}", "--plain"], "without a hash"),
        (["--password-file", "{missing}"], "without a hash"),
        (["--port", "70000"], "0 to 65535"),
    ],
)
def test_what_is_not_safe_is_refused(words: list[str], told: str, tmp_path: Path) -> None:
    (tmp_path / "good").write_text(hash_password("a long enough one") + "\n", encoding="ascii")
    (tmp_path / "bad").write_text("a long enough one\n", encoding="ascii")
    files = {name: str(tmp_path / name) for name in ("good", "bad", "missing")}
    with pytest.raises(UsageError, match=told):
        command.execute(_arguments(*(word.format(**files) for word in words)))


def test_loopback_needs_no_password() -> None:
    assert command._password(_arguments(), False) is None


def test_new_password_writes_a_hash_that_only_its_owner_reads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "hash"
    monkeypatch.setattr(sys, "stdin", io.StringIO("a long enough one\n"))
    assert command.execute(_arguments("--new-password", str(path))) == 0
    stored = path.read_text(encoding="ascii")
    assert password_fits("a long enough one", stored) and "enough" not in stored
    if sys.platform != "win32":
        assert path.stat().st_mode & 0o077 == 0
    monkeypatch.setattr(sys, "stdin", io.StringIO("short\n"))
    with pytest.raises(UsageError, match="10 or more"):
        command.execute(_arguments("--new-password", str(path)))


def test_it_says_who_can_reach_it(capsys: pytest.CaptureFixture[str]) -> None:
    command._tell("http://127.0.0.1:1/", True, _arguments("--host", "0.0.0.0", "--plain"))
    said = capsys.readouterr().err
    assert "Others can reach it on 0.0.0.0" in said and "not encrypted" in said
    command._tell("http://127.0.0.1:1/", False, _arguments())
    assert "Others" not in capsys.readouterr().err


def test_command_is_found_and_explained() -> None:
    words = [sys.executable, "-m", "spectra", "--help"]
    done = subprocess.run(words, capture_output=True, text=True, encoding="utf-8", check=True)
    assert "dashboard   open the dashboard in your browser" in done.stdout


def test_a_port_in_use_is_told(app) -> None:
    first = Serving(app.server, "127.0.0.1", 0)
    stop = first.start()
    try:
        with pytest.raises(UsageError, match="which cannot be had"):
            Serving(app.server, "127.0.0.1", first.port)
    finally:
        stop()


def test_eight_at_once_get_the_same(app) -> None:
    """Answers of one server to eight readers at a time: no error, nothing mixed up."""
    serving = Serving(app.server, "127.0.0.1", 0)
    stop = serving.start()
    found: list[bytes] = []
    wrong: list[Exception] = []

    def read() -> None:
        try:
            for _ in range(4):
                with urllib.request.urlopen(serving.address + "csv/sweeps?table=sweeps", timeout=30) as answer:
                    found.append(answer.read())
        except OSError as problem:
            wrong.append(problem)

    readers = [threading.Thread(target=read) for _ in range(8)]
    for reader in readers:
        reader.start()
    for reader in readers:
        reader.join()
    stop()
    assert wrong == [] and len(found) == 32 and len(set(found)) == 1


def test_tls_is_spoken_where_a_certificate_is_named(app, tmp_path: Path) -> None:
    pytest.importorskip("trustme", reason="no package that makes certificates")
    import trustme

    authority = trustme.CA()
    made = authority.issue_cert("127.0.0.1")
    made.private_key_and_cert_chain_pem.write_to_path(tmp_path / "cert.pem")
    serving = Serving(app.server, "127.0.0.1", 0, certificate=tmp_path / "cert.pem")
    stop = serving.start()
    context = ssl.create_default_context()
    authority.configure_trust(context)
    with urllib.request.urlopen(serving.address, timeout=10, context=context) as answer:
        assert answer.status == 200 and serving.address.startswith("https://")
    stop()


def test_a_certificate_that_is_none_is_told(app, tmp_path: Path) -> None:
    (tmp_path / "cert.pem").write_text("nonsense", encoding="ascii")
    with pytest.raises(UsageError, match="cannot be used"):
        Serving(app.server, "127.0.0.1", 0, certificate=tmp_path / "cert.pem")
