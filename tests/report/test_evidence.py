"""The evidence file: whole, by its schema, and it notices one changed byte."""

import hashlib
import json
from pathlib import Path

import jsonschema
import pytest

from spectra import schemas
from spectra.errors import ReportError
from spectra.report import verify_evidence, write_visit_report


@pytest.fixture
def written(review) -> Path:
    page, evidence = write_visit_report(review, review.visit.folder / "visit.html")
    assert (page.name, evidence.name) == ("visit.html", "visit.json")
    return evidence


def test_evidence_keeps_its_schema_and_its_hashes(review, written: Path) -> None:
    value = json.loads(written.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schemas.load("evidence")).validate(value)
    jsonschema.Draft202012Validator(schemas.load("visit")).validate(value["visit"])
    by_name = {entry["path"]: entry for entry in value["files"]}
    assert {"co.csv", "cross.csv", "off.csv", "carriers.csv", "chain.toml"} == set(by_name)
    for name, entry in by_name.items():
        # hashlib's SHA-256 (FIPS 180-4) of the bytes on disk
        assert entry["sha256"] == hashlib.sha256((review.visit.folder / name).read_bytes()).hexdigest()
    assert value["visit"]["captures"][0]["files"][0]["sha256"] == by_name["co.csv"]["sha256"]


def test_verify_says_same_changed_missing(review, written: Path) -> None:
    assert {check.status for check in verify_evidence(written)} == {"same"}
    assert {check.status for check in verify_evidence(written.with_suffix(".html"))} == {"same"}
    raw = review.visit.folder / "co.csv"
    data = bytearray(raw.read_bytes())
    data[len(data) // 2] ^= 1
    raw.write_bytes(data)
    (review.visit.folder / "off.csv").unlink()
    page = review.visit.folder / "visit.html"
    page.write_text(page.read_text(encoding="utf-8").replace("answer", "answers", 1), encoding="utf-8")
    found = {check.path: check.status for check in verify_evidence(written) if check.status != "same"}
    assert found == {"co.csv": "changed", "off.csv": "missing", "visit.html": "changed"}


def test_verify_elsewhere(review, tmp_path: Path) -> None:
    out = tmp_path / "desk"
    out.mkdir()
    _, evidence = write_visit_report(review, out / "r.html")
    assert {c.status for c in verify_evidence(evidence, review.visit.folder)} == {"same"}
    statuses = {c.kind: c.status for c in verify_evidence(evidence)}
    assert statuses["sweep"] == "missing"
    assert statuses["report"] == "same"


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": "sweepmuster/evidence/1"}', "\udcff"])
def test_no_evidence_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(ReportError, match="expected evidence"):
        verify_evidence(path)
    with pytest.raises(ReportError, match="expected evidence"):
        verify_evidence(tmp_path / "missing.html")


def test_path_in_evidence_cannot_lead_out(written: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("x")
    value = json.loads(written.read_text(encoding="utf-8"))
    value["files"][0]["path"] = "../secret.txt"
    value["files"][0]["sha256"] = hashlib.sha256(b"x").hexdigest()
    written.write_text(json.dumps(value), encoding="utf-8")
    assert verify_evidence(written)[0].status == "missing"
