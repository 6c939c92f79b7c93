"""Measured and identified, in this process and in workers: the same, to the last digit."""

import json
from pathlib import Path

import pytest

from spectra.errors import MeasurementError
from spectra.visit import load_visit, review_visit


@pytest.mark.slow
def test_workers_give_what_one_process_gives(folder: Path, more_sweeps) -> None:
    more_sweeps("later.csv", 'captured_at = 2026-03-14T13:00:00Z\nlo_state = "low"\n', seed=4)
    more_sweeps("off.csv", 'role = "off_satellite"\ncaptured_at = 2026-03-14T11:00:00Z\n', carriers=())
    visit = load_visit(folder)
    told: list[tuple[int, int]] = []
    here = review_visit(visit, processes=1, tell=lambda done, of: told.append((done, of)))
    there = review_visit(visit, processes=2)
    assert told == [(1, 3), (2, 3), (3, 3)]
    assert json.dumps(here.to_dict()) == json.dumps(there.to_dict())
    assert [c.verdict for c in here.captures] == [None, "confirmed", "confirmed"]
    best = here.captures[1].identification.best
    # put in: LO 150 kHz high on the low side
    assert best.lo_error_hz == pytest.approx(150e3, abs=5 * best.lo_error_std_hz)


def test_capture_that_cannot_be_measured_does_not_stop_the_rest(folder: Path, more_sweeps, monkeypatch) -> None:
    import spectra.measure

    real = spectra.measure.measure

    def failing(sweep):
        if sweep.points == 401:
            raise MeasurementError(sweep.origin.file, None, "a hole", "a sweep", "Sweep again.")
        return real(sweep)

    monkeypatch.setattr(spectra.measure, "measure", failing)
    more_sweeps("short.csv", points=401)
    review = review_visit(load_visit(folder), processes=1)
    failed = {c.name: [p.found for p in c.failed] for c in review.captures}
    assert failed == {"noon.csv": [], "short.csv": ["a hole"]}
    assert review.statement.answer != "accepted"
    json.dumps(review.to_dict(), allow_nan=False)


def test_an_rf_axis_is_measured_at_if(folder: Path) -> None:
    """IF = RF - LO on the low side: the LO error is that of the sweep at IF (150 kHz put in)."""
    (at_if,) = review_visit(load_visit(folder), processes=1).captures
    (path,) = [file for file in folder.glob("*.csv") if (folder / f"{file.name}.toml").exists()]
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = [line.split(",") for line in lines]
    shifted = [f"{float(c[0]) + 9.75e9:.0f},{c[1]}" if c[0].replace(".", "").isdigit() else ",".join(c) for c in cells]
    path.write_text("\n".join(shifted) + "\n", encoding="utf-8")
    (at_rf,) = review_visit(load_visit(folder), processes=1).captures
    assert at_rf.verdict == at_if.verdict == "confirmed"
    assert at_rf.identification.best.lo_error_hz == pytest.approx(at_if.identification.best.lo_error_hz, abs=1.0)
    assert [f.severity for f in at_rf.findings if f.code == "quality.axis_is_rf"] == ["note"]
