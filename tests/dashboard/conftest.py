"""What the tests share: a small archive made once, an app over it, a client that looks like a browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

import spectra
from dashboard.app import make_app
from dashboard.desk import Desk
from spectra.archive import add_paths, open_archive

DEMO = Path(spectra.__file__).parents[1] / "captures_demo"
_FILES = ("2_right_narrow.csv", "5_co_port.csv", "5_cross_port.csv", "carriers.csv", "chain.toml")


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
