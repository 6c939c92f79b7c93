"""What the captures of a visit tell together: the log of interferers and the own carrier's level.

Sweeps are drawn from the gamma law of an RMS average; a tone that keeps its IF while the LO moves came by the cable
(IF = RF - LO, arithmetic).
"""

import dataclasses
from collections.abc import Callable
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from spectra import schemas
from spectra.visit import load_visit, review_visit

CABLE_IF = 1.2405e9
OTHER_LO = """
[[lo_state]]
name = "other"
lo_mhz = 9765
injection = "low"
rf_min_mhz = 10700
rf_max_mhz = 11900
tolerance_khz = 1000
"""


def with_tone(path: Path, if_hz: float, over_floor_db: float = 25.0) -> None:
    """Add a tone of one RBW (100 kHz, Gaussian) to a written sweep, as power."""
    head, body = [], []
    for line in path.read_text(encoding="utf-8").splitlines():
        (body if line[:1].isdigit() else head).append(line)
    f, level = np.array([[float(x) for x in line.split(",")] for line in body]).T
    tone = 10 ** ((-90.0 + over_floor_db) / 10) * 2.0 ** (-((2.0 * (f - if_hz) / 1e5) ** 2))
    level = 10 * np.log10(10 ** (level / 10) + tone)
    rows = [f"{hz:.0f},{dbm:.2f}" for hz, dbm in zip(f, level, strict=True)]
    path.write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")


def shifted(sweeps: Callable[..., Path], name: str, minute: int, state: str, lo_step_hz: float, seed: int) -> Path:
    sidecar = f'captured_at = 2026-03-14T13:{minute:02d}:00Z\nlo_state = "{state}"\nvessel = "Example"\n'
    return sweeps(name, sidecar, lo_error_hz=150e3 + lo_step_hz, seed=seed)


@pytest.fixture
def two_states(folder: Path, more_sweeps: Callable[..., Path]) -> Path:
    chain = folder / "chain.toml"
    chain.write_text(chain.read_text(encoding="utf-8") + OTHER_LO, encoding="utf-8")
    for number, (state, step) in enumerate((("low", 0.0), ("other", 15e6), ("low", 0.0), ("other", 15e6))):
        with_tone(shifted(more_sweeps, f"s{number}.csv", 5 * number, state, step, 20 + number), CABLE_IF)
    (folder / "noon.csv").unlink()
    (folder / "noon.csv.toml").unlink()
    return folder


def test_what_keeps_its_if_over_two_lo_states_is_told_once(two_states: Path) -> None:
    review = review_visit(load_visit(two_states), processes=1)
    assert review.emissions is not None
    told = [f for f in review.findings if f.code == "interference.enters_by_cable"]
    assert len(told) == 1
    (ifs,) = [e.value for e in told[0].evidence if e.name == "if"]
    assert ifs == pytest.approx(CABLE_IF, abs=2e4)
    assert any("interference.enters_by_cable" in step.because for step in review.next_steps)
    assert not any(f.code == "interference.enters_by_cable" for c in review.comparisons for f in c.findings)
    value = review.to_dict()
    jsonschema.Draft202012Validator(schemas.load("visit")).validate(value)
    jsonschema.Draft202012Validator(schemas.load("emissions")).validate(value["emissions"])


def test_no_table_no_log(folder: Path, more_sweeps: Callable[..., Path]) -> None:
    more_sweeps("later.csv", "captured_at = 2026-03-14T13:00:00Z\n", seed=9)
    visit = dataclasses.replace(load_visit(folder), table=None)
    review = review_visit(visit, processes=1)
    assert review.emissions is None and review.together == ()
    jsonschema.Draft202012Validator(schemas.load("visit")).validate(review.to_dict())


def test_blocked_bearings_of_the_own_carrier_are_told(folder: Path, more_sweeps: Callable[..., Path]) -> None:
    """Twelve headings thirty degrees apart; at two of them all carriers stand 6 dB lower over the floor (a mast)."""
    for number in range(12):
        sidecar = (
            f'captured_at = 2026-03-14T13:{number:02d}:00Z\nlo_state = "low"\nheading_deg = {30 * number}\n'
            "antenna_azimuth_deg = 180\n"
        )
        more_sweeps(f"h{number:02d}.csv", sidecar, seed=40 + number, cn_db=6.0 if number in (4, 5) else 12.0)
    review = review_visit(load_visit(folder), processes=1)
    (told,) = [f for f in review.together if f.code == "service.blockage"]
    assert set(told.subjects.captures) == {"h04.csv", "h05.csv"}
