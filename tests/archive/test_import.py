"""From a folder into the archive and out again: what `visit` finds is what is stored; resumed, exported, recomputed."""

import csv
import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from spectra import schemas
from spectra.archive import (
    Search,
    add_paths,
    content_sha256,
    export_captures,
    import_bundle,
    list_captures,
    open_archive,
    recheck_captures,
    whole_captures,
)
from spectra.archive.query import LIST_COLUMNS
from spectra.archive.recheck import differences
from spectra.errors import ArchiveError, UsageError
from spectra.signal.raised_cosine import raised_cosine
from spectra.visit import load_visit, review_visit

CAMPAIGN = Path(__file__).parents[1] / "campaigns" / "archive_kills.py"
CARRIERS = ((10970.0, 5e6), (10985.0, 8e6), (11003.0, 3e6), (11015.5, 6e6), (11030.0, 4.5e6))
TABLE = "satellite,orbital_longitude_deg,polarisation,rf_mhz,symbol_rate_kbd,roll_off\n" + "".join(
    f"Nimbus Test,10.0,H,{rf},{rate / 1e3:g},0.2\n" for rf, rate in CARRIERS
)
CHAIN = """[chain]
name = "test chain"
if_min_mhz = 950
if_max_mhz = 2150
[[lo_state]]
name = "low"
lo_mhz = 9750
injection = "low"
rf_min_mhz = 10700
rf_max_mhz = 11900
tolerance_khz = 1000
"""


def sweep_text(seed: int, lo_error_hz: float = 1.5e5) -> str:
    """Return a sweep as CSV: RMS of 40 readings a point, C/N 12 dB."""
    f = np.linspace(1.21e9, 1.29e9, 401)
    power = np.ones(f.size)
    for rf_mhz, rate in CARRIERS:
        power += 10**1.2 * raised_cosine((f - (rf_mhz * 1e6 - 9.75e9 - lo_error_hz)) / rate, 0.2)
    power *= np.random.default_rng(seed).gamma(40.0, 1 / 40.0, f.size)
    rows = "\n".join(f"{hz:.0f},{dbm:.2f}" for hz, dbm in zip(f, -90.0 + 10 * np.log10(power), strict=True))
    return f"RBW,200,kHz\nDetector,RMS\nAverages,4\nFrequency (Hz),Level (dBm)\n{rows}\n"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory) -> Path:
    """Two vessels: one visit with a ``visit.toml``, one folder of loose sweeps under a shared table and chain."""
    root = tmp_path_factory.mktemp("fleet")
    (root / "carriers.csv").write_text(TABLE, encoding="utf-8")
    (root / "chain.toml").write_text(CHAIN, encoding="utf-8")
    alder, birch = root / "alder", root / "birch"
    alder.mkdir()
    birch.mkdir()
    (alder / "visit.toml").write_text(
        '[visit]\nvessel = "Alder"\nexpected_satellite = "Nimbus Test"\ntable = "../carriers.csv"\n'
        'chain = "../chain.toml"\n[[capture]]\nfile = "noon.csv"\nlo_state = "low"\naverages = 9\n'
        "captured_at = 2026-03-14T12:00:00Z\n",
        encoding="utf-8",
    )
    (alder / "noon.csv").write_text(sweep_text(1), encoding="utf-8")
    (birch / "eve.csv").write_text(sweep_text(2), encoding="utf-8")
    (birch / "eve.csv.toml").write_text('vessel = "Birch"\ncaptured_at = 2026-03-15T20:00:00Z\n', encoding="utf-8")
    return root


@pytest.fixture(scope="module")
def stored(fleet: Path, tmp_path_factory) -> Path:
    """An archive with the fleet in it."""
    place = tmp_path_factory.mktemp("archive") / "archive.sqlite"
    with open_archive(place) as archive:
        result = add_paths(archive, [fleet], processes=1)
    assert (result.stored, result.known, result.failed) == (2, 0, [])
    return place


@pytest.fixture
def mine(stored: Path, tmp_path: Path):
    """A copy of that archive to write to."""
    with open_archive(shutil.copy(stored, tmp_path / "mine.sqlite")) as archive:
        yield archive


def test_stored_is_what_a_visit_finds(fleet: Path, mine) -> None:
    rows = {row["vessel"]: row for row in list_captures(mine)}
    assert rows.keys() == {"Alder", "Birch"}
    assert {row["verdict"] for row in rows.values()} == {"confirmed"}
    value = mine.capture(rows["Alder"]["key"])
    review = review_visit(load_visit(fleet / "alder"), processes=1).captures[0]
    found = value["results"][0]
    expected = json.loads(json.dumps(review.to_dict()))
    assert found["identification"]["roll_call"] == expected["identification"]["roll_call"]
    assert found["measurements"][0]["carriers"] == expected["measurements"][0]["carriers"]
    assert [f["code"] for f in found["findings"]] == [f["code"] for f in expected["findings"]]
    assert value["reading"] == [{"averages": 9}]
    assert mine.raw_files(value["key"])[0].data == (fleet / "alder" / "noon.csv").read_bytes()
    assert mine.plan_file(found["plan"]).raw.data == TABLE.encode()
    # a carrier found again by its RF: 10985 MHz in the table
    assert len(list_captures(mine, Search(carrier_hz=10.985e9, tolerance_hz=1e5))) == 2
    for capture in whole_captures(mine):
        jsonschema.Draft202012Validator(schemas.load("archive-capture")).validate(
            {"schema": "sweepmuster/archive-capture/1", "capture": capture}
        )


def test_again_does_no_work(fleet: Path, mine, monkeypatch) -> None:
    before = content_sha256(mine)
    monkeypatch.setattr("spectra.archive.work.run_job", lambda job: pytest.fail("analysed again"))
    result = add_paths(mine, [fleet / "alder", fleet], processes=1)
    assert (result.stored, result.failed) == (0, [])
    assert content_sha256(mine) == before


def test_bad_file_and_missing_path(fleet: Path, tmp_path: Path) -> None:
    folder = tmp_path / "sticks" / "x"
    folder.mkdir(parents=True)
    (folder / "bad.csv").write_text("nothing\n")
    (folder / "eve.csv").write_bytes((fleet / "birch" / "eve.csv").read_bytes())
    broken = tmp_path / "sticks" / "y"
    broken.mkdir()
    (broken / "visit.toml").write_text("[nonsense]\n")
    with open_archive(tmp_path / "a.sqlite") as archive:
        result = add_paths(archive, [tmp_path / "sticks"], processes=1)
        assert result.stored == 1
        assert sorted(Path(problem.source).name for problem in result.failed) == ["bad.csv", "visit.toml"]
        assert list_captures(archive)[0]["verdict"] is None  # no table: measured, not identified
        with pytest.raises(UsageError, match="nothing of that name"):
            add_paths(archive, [tmp_path / "missing"])


@pytest.mark.slow
def test_workers_store_the_same(fleet: Path, mine, tmp_path: Path) -> None:
    with open_archive(tmp_path / "b.sqlite") as other:
        add_paths(other, [fleet], processes=2)
        one, two = (
            [{**c, "results": [{**r, "made_at": ""} for r in c["results"]]} for c in whole_captures(archive)]
            for archive in (mine, other)
        )
    assert one == two


def test_bundle_makes_the_same_content_elsewhere(mine, place: str, tmp_path: Path) -> None:
    bundle = tmp_path / "out.zip"
    assert export_captures(mine, bundle) == 2
    with open_archive(place) as other:
        assert import_bundle(other, bundle) == (2, 2)
        assert content_sha256(other) == content_sha256(mine)
        assert list_captures(other) == list_captures(mine)
        assert import_bundle(other, bundle) == (0, 2)
        again = tmp_path / "again.zip"
        export_captures(other, again)
    assert again.read_bytes() == bundle.read_bytes()


def test_damaged_bundle_is_refused(mine, tmp_path: Path) -> None:
    bundle = tmp_path / "out.zip"
    export_captures(mine, bundle)
    with zipfile.ZipFile(bundle) as source:
        parts = {name: source.read(name) for name in source.namelist()}

    def rewritten(**changes: bytes | None) -> Path:
        path = tmp_path / f"{'-'.join(changes)}-{len(list(tmp_path.iterdir()))}.zip"
        with zipfile.ZipFile(path, "w") as target:
            for name, data in parts.items():
                key = name.split("/")[0].split(".")[0]
                if (new := changes.get(key, data)) is not None:
                    target.writestr(name, new)
        return path

    manifest = json.loads(parts["manifest.json"])
    newer = json.dumps({**manifest, "revision": "9999"}).encode()
    with open_archive(tmp_path / "c.sqlite") as other:
        for path, words in (
            (rewritten(blobs=b"other bytes"), "not what their hash says"),
            (rewritten(manifest=newer), "revision 9999"),
            (rewritten(manifest=None), "bundle"),
            (rewritten(captures=b"{}"), "bundle"),
            (tmp_path / "missing.zip", "bundle"),
        ):
            with pytest.raises(ArchiveError, match=words):
                import_bundle(other, path)
        assert list_captures(other) == []


def test_tables_for_others(mine, tmp_path: Path, make_record) -> None:
    import pandas as pd

    mine.add(make_record(5, vessel="=cmd|'x'!A1"))
    assert export_captures(mine, tmp_path / "x.csv", Search(vessel="*")) == 3
    with (tmp_path / "x.csv").open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert list(rows[0]) == list(LIST_COLUMNS)
    # a name that a spreadsheet would run as a formula is kept from it
    assert sorted(row["vessel"][:1] for row in rows) == ["'", "A", "B"]
    export_captures(mine, tmp_path / "x.json", Search(vessel="Alder"))
    value = json.loads((tmp_path / "x.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schemas.load("archive")).validate(value)
    assert [capture["vessel"] for capture in value["captures"]] == ["Alder"]
    with pytest.raises(UsageError, match=r"\.parquet"):
        export_captures(mine, tmp_path / "x.xls")
    pytest.importorskip("pyarrow", reason="the extra 'parquet' is not installed")
    export_captures(mine, tmp_path / "x.parquet")
    frame = pd.read_parquet(tmp_path / "x.parquet")
    assert len(frame) == 3
    assert str(frame["captured_at"].dt.tz) == "UTC"
    assert frame["lo_error_hz"].iloc[0] == list_captures(mine)[0]["lo_error_hz"]


def test_recheck_finds_nothing_where_nothing_changed(mine) -> None:
    before = content_sha256(mine)
    found = recheck_captures(mine, processes=1)
    assert [item.changes for item in found] == [(), ()]
    assert content_sha256(mine) == before


def test_recheck_after_a_table_edit(mine, tmp_path: Path) -> None:
    edited = tmp_path / "edited.csv"
    edited.write_text(TABLE.replace("11003.0", "11023.0"), encoding="utf-8")
    found = recheck_captures(mine, Search(vessel="Alder"), table=edited, store=True, processes=1)
    told = [str(change) for change in found[0].changes]
    assert "row at 11003.000 MHz: present → none" in told
    assert "row at 11023.000 MHz: none → absent" in told
    results = mine.capture(found[0].key)["results"]
    assert len(results) == 2
    assert results[0]["identification"]["table"]["file"] == "edited.csv"
    assert mine.plan_file(results[0]["plan"]).raw.data == edited.read_bytes()
    # what is now current is what a recheck with nothing else gives
    assert recheck_captures(mine, Search(vessel="Alder"), processes=1)[0].changes == ()


def test_differences_speak_of_what_moved() -> None:
    def body(centre=1.25e9, cn=12.0, verdict="confirmed", lo=1e5, codes=("a.b",), kind="modulated"):
        carrier = {"kind": kind, "centre_hz": centre, "centre_std_hz": 1e3, "cn_db": cn, "cn_std_db": 0.1}
        named = {"verdict": verdict, "satellite": "S", "lo_error_hz": lo, "lo_error_std_hz": 2e3, "roll_call": []}
        return {
            "measurements": [{"carriers": [carrier]}],
            "identification": named,
            "findings": [{"code": code} for code in codes],
        }

    def told(**changes) -> list[str]:
        return [change.what for change in differences(body(), body(**changes))]

    assert told() == []
    assert told(centre=1.25e9 + 50.0, cn=12.005, lo=1e5 + 100.0) == []  # less than a tenth of the uncertainty
    assert told(centre=1.25e9 + 500.0) == ["carrier at 1250.000 MHz, centre_hz"]
    assert told(centre=1.26e9) == ["carrier at 1250.000 MHz", "carrier at 1260.000 MHz"]
    assert told(cn=None) == ["carrier at 1250.000 MHz, cn_db"]
    assert told(kind="cw") == ["carrier at 1250.000 MHz, kind"]
    assert told(verdict="probable", lo=1.2e5) == ["verdict", "lo_error_hz"]
    assert told(codes=("a.c", "clock.set_between")) == ["finding", "finding"]


@pytest.mark.slow
def test_killed_at_random_moments(tmp_path: Path) -> None:
    """Ten kills of the campaign's two hundred."""
    command = [sys.executable, str(CAMPAIGN), "--kills", "10", "--seed", "7", "--out", str(tmp_path / "kills.csv")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert json.loads(done.stdout)["faults"] == 0


def test_workers_calculate_with_one_thread_each(monkeypatch) -> None:
    """Only while they are started, and not against what the environment says."""
    from spectra.visit.analysis import one_thread_each

    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    monkeypatch.setenv("MKL_NUM_THREADS", "3")
    with one_thread_each():
        assert (os.environ["OPENBLAS_NUM_THREADS"], os.environ["MKL_NUM_THREADS"]) == ("1", "3")
    assert "OPENBLAS_NUM_THREADS" not in os.environ and os.environ["MKL_NUM_THREADS"] == "3"


def test_visits_that_overlap_are_stored_as_they_are_alone(fleet: Path, tmp_path: Path, monkeypatch) -> None:
    """Many small folders, a pool of workers: each visit is stored whole, told once a file, and a bad file is named."""
    root = tmp_path / "many"
    for number in range(6):
        folder = root / f"visit {number}"
        folder.mkdir(parents=True)
        for part in range(2):
            (folder / f"s{part}.csv").write_text(sweep_text(10 * number + part), encoding="utf-8")
    (root / "visit 3" / "s1.csv").write_text("nothing\n", encoding="utf-8")
    monkeypatch.setattr("spectra.archive.importer._AHEAD", 4)
    told: list[tuple[int, int]] = []
    with open_archive(tmp_path / "many.sqlite") as archive:
        result = add_paths(archive, [root], processes=2, tell=lambda done, all_: told.append((done, all_)))
        assert (result.stored, result.known, len(result.failed)) == (11, 0, 1)
        assert told == [(k, 12) for k in range(1, 13)]
        assert len(list_captures(archive)) == 11
        again = add_paths(archive, [root], processes=1)
        assert (again.stored, again.known, len(again.failed)) == (0, 11, 1)
