"""Archives, and records to put into them without measuring anything. All invented."""

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from spectra.archive import Archive, open_archive
from spectra.archive.record import CaptureRecord, EntryRecord, RawFile, ResultRecord, entry_key
from spectra.archive.store import PlanFile

PLAN = PlanFile("a" * 64, RawFile("carriers.csv", b"satellite,polarisation,rf_mhz\n"), rows=0)
CHAIN = PlanFile("b" * 64, RawFile("chain.toml", b'[chain]\nname = "x"\n'), name="x")


def carrier(centre_hz: float, **more) -> dict:
    """Return a carrier as a measurement's JSON has it, as far as the archive looks at it."""
    values = {"kind": "modulated", "centre_std_hz": 1e3, "symbol_rate_bd": 5e6, "cn_db": 12.0, "cn_std_db": 0.1}
    return {**values, "centre_hz": centre_hz, **more}


def record(
    number: int = 0,
    *,
    data: bytes | None = None,
    vessel: str | None = "Example",
    at: str | None = None,
    verdict: str | None = "confirmed",
    satellite: str | None = "Nimbus Test",
    centres=(1.25e9,),
    findings=(),
    remark: str | None = None,
    made_at: str = "2026-03-14T12:00:00.000000Z",
    plan: str | None = None,
    software: str = "0.1.0",
) -> EntryRecord:
    """Return an entry of one capture; `number` makes its raw bytes its own."""
    raw = RawFile(f"sweep{number}.csv", b"%d\n" % number * 200 if data is None else data)
    context = {"vessel": vessel, "terminal": "A", "remark": remark}
    key = entry_key([raw.sha256], context, [{}])
    identification = None
    if verdict is not None:
        identification = {
            "verdict": verdict,
            "satellite": satellite,
            "polarisation": "H",
            "lo_state": "low",
            "lo_error_hz": 1e5,
            "lo_error_std_hz": 2e3,
            "roll_call": [{"status": "present", "carrier": 0, "sweep": 0, "row": 7, "rf_mhz": 11000.0}],
        }
    body = {
        "measurements": [{"carriers": [carrier(hz) for hz in centres]}],
        "identification": identification,
        "findings": [{"code": code, "severity": severity, "answer": "yes"} for code, severity in findings],
        "failed": [],
        "rf_hz": [hz + 9.75e9 for hz in centres],
    }
    capture = CaptureRecord(
        key=entry_key([raw.sha256, "1"], context, []),
        raw_key=entry_key([raw.sha256], {}, []),
        entry=key,
        number=1,
        name=raw.name,
        captured_at=at or f"2026-03-{number % 28 + 1:02d}T12:00:00.000000Z",
        vessel=vessel,
        terminal="A",
        context={"context": {k: v for k, v in context.items() if v}, "reading": [{}], "sweeps": 1},
        raw=(raw,),
        result=ResultRecord(software, made_at, plan, None, body),
    )
    return EntryRecord(key, (capture,))


@pytest.fixture
def make_record() -> Callable[..., EntryRecord]:
    return record


@pytest.fixture
def plan() -> PlanFile:
    return PLAN


def _postgres_binaries() -> Path | None:
    """Return the folder of the server's programs: on the path, or where Debian keeps them."""
    if (found := shutil.which("initdb")) is not None:
        return Path(found).resolve().parent
    homes = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    return homes[-1].parent if homes else None


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """Start a server of its own in a folder of its own, and stop it at the end."""
    psycopg = pytest.importorskip("psycopg", reason="no driver: the extra 'postgres' is not installed")
    binaries = _postgres_binaries()
    if binaries is None or sys.platform == "win32":
        pytest.skip("no PostgreSQL server programs on this machine")
    # pytest shuts its own folders to other users, and the server does not run as root
    folder = Path(tempfile.mkdtemp(prefix="sweepmuster-pg-"))
    user: dict[str, str] = {}
    if os.geteuid() == 0:
        try:
            shutil.chown(folder, "postgres", "postgres")
        except LookupError:
            shutil.rmtree(folder)
            pytest.skip("the server does not run as root, and there is no user postgres")
        user = {"user": "postgres", "group": "postgres"}
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = folder / "data"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder, **user}
    subprocess.run([binaries / "initdb", "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8"], check=True, **quiet)
    log = (folder / "log").open("wb")
    server = subprocess.Popen(
        [binaries / "postgres", "-D", data, "-p", str(port), "-k", folder, "-h", "127.0.0.1", "-F"],
        **{**quiet, "stderr": log},
    )
    log.close()
    try:
        deadline = time.monotonic() + 30
        url = f"postgresql://tester@127.0.0.1:{port}/postgres"
        while True:
            try:
                psycopg.connect(url, connect_timeout=5).close()
                break
            except psycopg.OperationalError:
                if time.monotonic() > deadline or server.poll() is not None:
                    pytest.fail("the server did not start: " + Path(log.name).read_text()[-500:])
                time.sleep(0.1)
        yield url
    finally:
        server.terminate()
        server.wait(30)
        shutil.rmtree(folder)


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request, tmp_path: Path) -> Iterator[str]:
    """Where an archive can be made: a file, and an empty database of a real server where there is one."""
    if request.param == "sqlite":
        yield str(tmp_path / "archive.sqlite")
        return
    url = request.getfixturevalue("postgres_url")
    import psycopg

    name = f"t{abs(hash(request.node.nodeid))}"
    with psycopg.connect(url, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}"')
    yield url.rpartition("/")[0] + f"/{name}"
    with psycopg.connect(url, autocommit=True) as server:
        server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@pytest.fixture
def archive(place: str) -> Iterator[Archive]:
    with open_archive(place) as opened:
        yield opened


@pytest.fixture
def file_archive(tmp_path: Path) -> Iterator[Archive]:
    with open_archive(tmp_path / "archive.sqlite") as opened:
        yield opened
