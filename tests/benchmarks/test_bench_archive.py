"""Cost of the archive beside what it cannot avoid; fixed sizes, seed 8.

Storing 100 captures of 20 carriers is held against writing the same bytes as files, the list view of 20,000 captures
against reading one row by its key. The split of an import (reading, measuring, identifying, storing) is printed by
``python tests/benchmarks/test_bench_archive.py FOLDER``.
"""

import hashlib
import json
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from spectra.archive import Search, list_captures, open_archive
from spectra.archive.record import CaptureRecord, EntryRecord, RawFile, ResultRecord

CAPTURES, CARRIERS, ROWS = 100, 20, 60


def sweep_bytes(number: int) -> bytes:
    """Return a sweep of 1001 points as text, about 20 kB."""
    rng = np.random.default_rng([8, number])
    level = rng.normal(-80.0, 1.0, 1001)
    lines = (f"{950_000_000 + 1_200_000 * k},{value:.2f}" for k, value in enumerate(level))
    return ("Frequency (Hz),Level (dBm)\n" + "\n".join(lines) + "\n").encode()


def record_of(number: int, data: bytes) -> EntryRecord:
    """Return an entry whose result has the size of a real one."""
    rng = np.random.default_rng([9, number])
    names = ("centre_std_hz", "symbol_rate_bd", "roll_off", "occupied_bandwidth_hz", "x_db_bandwidth_hz", "power_dbm")
    more = ("cn_db", "cn_std_db", "cn0_dbhz", "cn0_std_db", "es_n0_db", "es_n0_std_db", "false_alarm_probability")
    carriers = [
        {
            "kind": "modulated",
            "centre_hz": float(rng.uniform(950e6, 2150e6)),
            **dict(zip((*names, *more), rng.normal(size=13).tolist(), strict=True)),
        }
        for _ in range(CARRIERS)
    ]
    roll_call = [
        {
            "row": k,
            "rf_mhz": 11000.0 + k,
            "expected_if_hz": 1e9 + k,
            "status": "present" if k < CARRIERS else "absent",
            "centre_hz": 1e9,
            "offset_hz": float(rng.normal()),
            "cn_db": 9.0,
            "why": "found where listed",
            "carrier": k if k < CARRIERS else None,
            "sweep": 0,
        }
        for k in range(ROWS)
    ]
    identification = {
        "verdict": "confirmed",
        "satellite": f"Sat {number % 7}",
        "polarisation": "H",
        "lo_state": "low",
        "lo_error_hz": 1.0,
        "lo_error_std_hz": 1.0,
        "roll_call": roll_call,
    }
    body = {
        "measurements": [{"carriers": carriers}],
        "identification": identification,
        "findings": [],
        "failed": [],
        "rf_hz": [None] * CARRIERS,
    }
    key = hashlib.sha256(b"%d" % number).hexdigest()
    at = f"2026-{number // 700 % 12 + 1:02d}-{number // 24 % 28 + 1:02d}T{number % 24:02d}:00:00.000000Z"
    raw = RawFile(f"s{number}.csv", data)
    result = ResultRecord("0", at, None, None, body)
    capture = CaptureRecord(
        key,
        key,
        key,
        1,
        raw.name,
        at,
        f"Vessel {number % 50}",
        "A",
        {"context": {}, "reading": [], "sweeps": 1},
        (raw,),
        result,
    )
    return EntryRecord(key, (capture,))


@pytest.fixture(scope="module")
def records() -> list[EntryRecord]:
    return [record_of(number, sweep_bytes(number)) for number in range(CAPTURES)]


def test_store(benchmark, records, tmp_path_factory) -> None:
    def run() -> Path:
        place = tmp_path_factory.mktemp("a") / "a.sqlite"
        with open_archive(place) as archive:
            for record in records:
                archive.add(record)
        return place

    place = benchmark.pedantic(run, rounds=3)
    with open_archive(place) as archive:
        assert len(list_captures(archive)) == CAPTURES


def test_reference_write_files(benchmark, records, tmp_path_factory) -> None:
    """The same raw bytes and results as plain files, flushed."""

    def run() -> None:
        folder = tmp_path_factory.mktemp("f")
        for record in records:
            capture = record.captures[0]
            (folder / capture.name).write_bytes(capture.raw[0].data)
            (folder / f"{capture.name}.json").write_text(json.dumps(capture.result.body))

    benchmark.pedantic(run, rounds=3)


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    """20,000 captures, made in few transactions: rows as `add` makes them, raw bytes left out."""
    from spectra.archive.database import writing
    from spectra.archive.record import pack
    from spectra.archive.schema import CAPTURE, CARRIER

    place = tmp_path_factory.mktemp("l") / "l.sqlite"
    with open_archive(place) as archive:
        rows, carriers = [], []
        context = pack({"context": {}, "reading": [], "sweeps": 1})
        rng = np.random.default_rng(10)
        for number in range(20_000):
            key = hashlib.sha256(b"%d" % number).hexdigest()
            day = f"2026-{number // 1700 + 1:02d}-{number // 60 % 28 + 1:02d}"
            at = f"{day}T{number % 24:02d}:{number % 60:02d}:00.000000Z"
            summary = {
                "verdict": ("confirmed", "probable", "contradicted")[number % 3],
                "satellite": f"Sat {number % 7}",
                "polarisation": "H",
                "lo_state": "low",
                "lo_error_hz": 1e5,
                "lo_error_std_hz": 1e3,
            }
            rows.append(
                {
                    "id": number + 1,
                    "key": key,
                    "entry": key,
                    "raw_key": key,
                    "number": 1,
                    "name": f"s{number}.csv",
                    "captured_at": at,
                    "vessel": f"Vessel {number % 50}",
                    "terminal": "A",
                    "context": context,
                    "replaced": False,
                    "carriers": 5,
                    "faults": 0,
                    "warnings": 0,
                    **summary,
                }
            )
            carriers += [
                {
                    "capture": number + 1,
                    "position": k,
                    "kind": "modulated",
                    "centre_hz": float(hz),
                    "rf_hz": float(hz) + 9.75e9,
                }
                for k, hz in enumerate(rng.uniform(950e6, 2150e6, 5))
            ]
        with writing(archive.engine) as connection:
            connection.execute(CAPTURE.insert(), rows)
            connection.execute(CARRIER.insert(), carriers)
        yield archive


SEARCHES = {
    "newest": Search(limit=100),
    "vessel": Search(vessel="Vessel 7", limit=100),
    "satellite": Search(satellite="Sat 3", verdict="contradicted", limit=100),
    "carrier": Search(carrier_hz=1.5e9, tolerance_hz=5e5, limit=100),
}


@pytest.mark.parametrize("search", SEARCHES.values(), ids=SEARCHES)
def test_list_view(benchmark, large, search) -> None:
    assert benchmark(list_captures, large, search)


def test_reference_one_row(benchmark, large) -> None:
    key = hashlib.sha256(b"77").hexdigest()
    assert benchmark(large.capture, key)["name"] == "s77.csv"


def split_of(folder: Path) -> dict[str, float]:
    """Return the CPU seconds a sweep that reading, measuring, identifying, rules, packing and storing take."""
    import tempfile
    from datetime import UTC, datetime

    from spectra.archive.importer import _plans
    from spectra.archive.record import records_of
    from spectra.identify import identify
    from spectra.measure import measure
    from spectra.visit.analysis import CaptureReview, apply_rules, rule_jobs
    from spectra.visit.folder import read_entries

    spent = dict.fromkeys(("read", "measure", "identify", "rules", "make ready", "store"), 0.0)
    count = 0
    with tempfile.TemporaryDirectory() as place, open_archive(Path(place) / "a.sqlite") as archive:
        for plan in _plans(folder, None, None, []):
            for entry in plan.entries:
                clock = [time.process_time()]
                captures, _ = read_entries(plan, [entry])
                clock.append(time.process_time())
                measured = [tuple(measure(sweep) for sweep in capture.capture.sweeps) for capture in captures]
                clock.append(time.process_time())
                found = [
                    identify(list(m), plan.table, plan.chain, context=[c.context] * len(m))
                    if plan.table and plan.chain
                    else None
                    for c, m in zip(captures, measured, strict=True)
                ]
                clock.append(time.process_time())
                reviews = [CaptureReview(*parts) for parts in zip(captures, measured, found, strict=True)]
                reviews = [apply_rules(job, plan.table, plan.chain) for job in rule_jobs(reviews)]
                clock.append(time.process_time())
                record = records_of(entry, reviews, plan_sha256=None, chain=None, made_at=datetime.now(UTC))
                clock.append(time.process_time())
                archive.add(record)
                clock.append(time.process_time())
                for name, before, after in zip(spent, clock[:-1], clock[1:], strict=True):
                    spent[name] += after - before
                count += sum(len(m) for m in measured)
    return {name: seconds / max(count, 1) for name, seconds in spent.items()}


if __name__ == "__main__":
    sys.stdout.write(json.dumps(split_of(Path(sys.argv[1])), indent=1) + "\n")
