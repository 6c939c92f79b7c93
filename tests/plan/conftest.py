"""Shared fixtures of the plan tests."""

from collections.abc import Callable
from pathlib import Path

import pytest

SCAN_FOLDER = Path("/usr/share/dvb/dvb-s")


@pytest.fixture
def csv_file(tmp_path: Path) -> Callable[..., Path]:
    """Write a table file: text in an encoding, line ends as given."""

    def write(text: str, *, name: str = "plan.csv", encoding: str = "utf-8", newline: str = "\n") -> Path:
        path = tmp_path / name
        path.write_bytes(text.replace("\n", newline).encode(encoding))
        return path

    return write


@pytest.fixture
def chain_file(tmp_path: Path) -> Callable[[str], Path]:
    def write(text: str) -> Path:
        path = tmp_path / "chain.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture(scope="session")
def scan_folder() -> Path:
    """Folder of open scan files of satellites."""
    if not SCAN_FOLDER.is_dir():
        pytest.skip("the open scan files are not installed (Debian: apt-get install dtv-scan-tables)")
    return SCAN_FOLDER
