"""Out of the archive as it went in: the review of a stored visit is that of its folder.

Expected: the same library's own answer before storing; the levels differ by less than the step they are kept with.
"""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

import spectra
from spectra.archive import add_paths, list_captures, open_archive, restore_capture, restore_visit
from spectra.archive.curves import curves_of, floor_of
from spectra.errors import ArchiveError

DEMO = Path(spectra.__file__).parents[1] / "captures_demo"
_FILES = ("2_right_narrow.csv", "5_co_port.csv", "5_cross_port.csv", "carriers.csv", "chain.toml")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("restore") / "visit"
    home.mkdir()
    for name in _FILES:
        (home / name).write_bytes((DEMO / name).read_bytes())
        sidecar = DEMO / f"{name}.toml"
        if sidecar.is_file():
            (home / sidecar.name).write_bytes(sidecar.read_bytes())
    return home


def test_stored_visit_is_judged_as_its_folder_was(folder: Path, tmp_path: Path) -> None:
    fresh = spectra.review_visit(spectra.load_visit(folder), processes=1)
    with open_archive(tmp_path / "a.sqlite") as archive:
        assert add_paths(archive, [folder], processes=1).stored == 3
        (row, *_) = list_captures(archive)
        again = restore_visit(archive, archive.capture(row["key"])["visit"], tmp_path / "out")
    assert (again.statement.answer, again.statement.sentence) == (fresh.statement.answer, fresh.statement.sentence)
    # curves are kept to a hundredth of a decibel: a figure in a title may differ in its last digit
    told = [[re.sub(r"[0-9]+[.][0-9]+", "#", reason) for reason in r.statement.reasons] for r in (again, fresh)]
    assert told[0] == told[1]
    assert [c.name for c in again.captures] == [c.name for c in fresh.captures]
    assert [c.verdict for c in again.captures] == [c.verdict for c in fresh.captures]
    numbers, before = again.numbers(), fresh.numbers()
    assert numbers["isolation_db"] == pytest.approx(before["isolation_db"], abs=0.02)
    assert {k: v for k, v in numbers.items() if "isolation" not in k} == pytest.approx(
        {k: v for k, v in before.items() if "isolation" not in k}
    )
    assert again.captures[0].source.files[0].read_bytes() == (folder / again.captures[0].name).read_bytes()


def test_stored_capture_keeps_every_number(folder: Path, tmp_path: Path) -> None:
    with open_archive(tmp_path / "a.sqlite") as archive:
        add_paths(archive, [folder / "2_right_narrow.csv"], processes=1)
        (row,) = list_captures(archive)
        review = restore_capture(archive, archive.capture(row["key"]))
    (kept,) = review.measurements
    fresh = spectra.measure(spectra.read_sweep(folder / "2_right_narrow.csv"))
    assert kept.carriers == fresh.carriers
    assert kept.sweep == fresh.sweep or kept.sweep.level_dbm == pytest.approx(fresh.sweep.level_dbm)
    assert kept.model_dbm == pytest.approx(fresh.model_dbm, abs=0.011)
    assert kept.floor.level_dbm == pytest.approx(fresh.floor.level_dbm, abs=0.006)
    assert kept.floor.observed.tolist() == fresh.floor.observed.tolist()
    assert kept.correlated_points == fresh.correlated_points


def test_a_result_without_curves_is_measured_again(folder: Path, tmp_path: Path) -> None:
    with open_archive(tmp_path / "a.sqlite") as archive:
        add_paths(archive, [folder / "2_right_narrow.csv"], processes=1)
        value = archive.capture(list_captures(archive)[0]["key"])
        with_curves = restore_capture(archive, value)
        del value["results"][0]["curves"]
        without = restore_capture(archive, value)
    assert without.measurements[0].model_dbm == pytest.approx(with_curves.measurements[0].model_dbm, abs=0.011)


def test_a_visit_that_is_not_there_is_told(tmp_path: Path) -> None:
    with open_archive(tmp_path / "a.sqlite") as archive, pytest.raises(ArchiveError, match="no visit"):
        restore_visit(archive, "0" * 64)


def test_curves_survive_what_is_not_finite() -> None:
    measurement = spectra.measure(spectra.read_sweep(DEMO / "7_drift_01.csv"))
    std = np.array(measurement.floor.std_db)
    std[3] = np.inf
    odd = dataclasses.replace(measurement, floor=dataclasses.replace(measurement.floor, std_db=std))
    level, kept, observed, model = floor_of(curves_of(odd))
    assert np.isfinite(kept).all() and level.shape == kept.shape == observed.shape == model.shape
    assert np.delete(kept, 3) == pytest.approx(np.delete(std, 3), abs=1e-4)
