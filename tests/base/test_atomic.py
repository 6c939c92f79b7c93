"""A file is written whole or not at all."""

import os
from pathlib import Path

import pytest

from spectra import atomic
from spectra.atomic import replace_file, write_atomic
from spectra.errors import UsageError


def test_new_and_replaced_files(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    write_atomic(path, "a\r\nµ\n")
    assert path.read_bytes() == "a\r\nµ\n".encode()
    path.chmod(0o640)
    replace_file(path, b"b")
    assert path.read_bytes() == b"b"
    assert os.name != "posix" or path.stat().st_mode & 0o777 == 0o640
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    real = tmp_path / "real.csv"
    real.write_text("old")
    link = tmp_path / "link.csv"
    try:
        link.symlink_to(real)
    except OSError as problem:
        pytest.skip(f"this system makes no links: {problem}")
    write_atomic(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"


def test_a_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "table.csv"
    path.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(atomic.os, "fsync", full)
    with pytest.raises(UsageError, match="No space left"):
        write_atomic(path, "new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="folder"):
        write_atomic(tmp_path / "none" / "x.csv", "new")
