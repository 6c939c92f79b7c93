"""The hunt over stored sweeps. The excess is held against the gamma law of an RMS average (derived; scipy draws it)."""

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy import stats

from spectra import schemas
from spectra.archive import Search, add_paths, hunt, open_archive
from spectra.archive.hunt import excess_at
from spectra.cli import main
from spectra.errors import UsageError
from spectra.sweep import Sweep

PLACE = 1.2405e9
STEP, READINGS = 1e5, 50
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
[[lo_state]]
name = "other"
lo_mhz = 9765
injection = "low"
rf_min_mhz = 10700
rf_max_mhz = 11900
"""


def drawn(rng: np.random.Generator, tone_db: float | None = None, slope_db: float = 0.0, points: int = 401):
    """Return frequencies and an RMS average of noise at 0.1 MHz RBW, a tone of so many dB over it at `PLACE`."""
    f = 1.22e9 + STEP * np.arange(points)
    power = np.ones(points)
    if tone_db is not None:
        power += 10 ** (tone_db / 10) * 2.0 ** (-((2.0 * (f - PLACE) / 1e5) ** 2))
    power *= rng.gamma(READINGS, 1.0 / READINGS, points)
    return f, -90.0 + 10 * np.log10(power) + slope_db * (f - PLACE) / (f[-1] - f[0])


def test_excess_is_unbiased_and_its_uncertainty_is_right() -> None:
    """400 sweeps without a signal: mean 0 and scatter as stated; a straight slope under it changes nothing."""
    rng = np.random.default_rng(71)
    found = []
    for number in range(400):
        f, level = drawn(rng, slope_db=30.0 * (number % 2))
        value, std, freedom = excess_at(Sweep.from_arrays(f, level, rbw_hz=1e5, detector="rms"), PLACE, 5e5, READINGS)
        found.append(value / std)
        assert std > 0.0 and freedom > 30
    assert abs(np.mean(found)) < 4.0 / math.sqrt(400)
    assert stats.chi2.cdf(np.var(found, ddof=1) * 399, 399) > 0.0005
    assert np.std(found, ddof=1) < 1.15


def test_false_alarms_keep_the_stated_rate() -> None:
    """At 1e-3 a sweep, 3000 sweeps: more than 10 has a chance of 3e-4 (Poisson, mean 3; scipy)."""
    from spectra.archive.hunt import _quantile

    rng = np.random.default_rng(72)
    count = 0
    for _ in range(3000):
        f, level = drawn(rng, points=61)
        value, std, freedom = excess_at(Sweep.from_arrays(f, level, rbw_hz=1e5), f[30], 2e5, READINGS)
        count += value > _quantile(0.999, freedom) * std
    assert count <= 10


def test_an_edge_and_an_end_tell_nothing() -> None:
    f, level = drawn(np.random.default_rng(5))
    level[f > PLACE] += 10.0
    assert "edge" in excess_at(Sweep.from_arrays(f, level, rbw_hz=1e5), PLACE + 1e5, 5e5, READINGS)
    assert "too few" in excess_at(Sweep.from_arrays(f, level, rbw_hz=1e5), f[2], 5e5, READINGS)


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Twelve sweeps an hour apart, in two LO states in turn; a tone too weak for the search of a whole sweep in six."""
    folder = tmp_path_factory.mktemp("sweeps")
    rng = np.random.default_rng(73)
    (folder / "chain.toml").write_text(CHAIN, encoding="utf-8")
    for number in range(12):
        f, level = drawn(rng, tone_db=1.0 if number in (2, 3, 6, 7, 9, 10) else None)
        rows = "\n".join(f"{hz:.0f},{dbm:.2f}" for hz, dbm in zip(f, level, strict=True))
        path = folder / f"s{number:02d}.csv"
        path.write_text(f"RBW,100,kHz\nDetector,RMS\nFrequency (Hz),Level (dBm)\n{rows}\n", encoding="utf-8")
        at = datetime(2026, 3, 1, tzinfo=UTC) + timedelta(hours=number)
        state = "other" if number % 2 else "low"
        path.with_name(path.name + ".toml").write_text(
            f'captured_at = {at:%Y-%m-%dT%H:%M:%SZ}\nvessel = "Example"\nlo_state = "{state}"\n', encoding="utf-8"
        )
    place = str(folder / "store.db")
    with open_archive(place) as archive:
        assert add_paths(archive, [folder], processes=1).stored == 12
    return place


def test_a_tone_at_a_fixed_if_is_followed_to_its_first_sweep(stored: str) -> None:
    with open_archive(stored) as archive:
        told = hunt(archive, if_hz=PLACE, width_hz=1e5)
        assert [k for k, one in enumerate(told.looks) if one.status == "seen"] == [2, 3, 6, 7, 9, 10]
        assert told.first_seen == datetime(2026, 3, 1, 2, tzinfo=UTC)
        assert all(one.upper_limit_db is not None for one in told.looks if one.status == "not_seen")
        assert "interference.comes_and_goes" in [f.code for f in told.findings]
        jsonschema.Draft202012Validator(schemas.load("hunt")).validate(json.loads(json.dumps(told.to_dict())))
        assert len(hunt(archive, if_hz=PLACE, search=Search(vessel="Nobody")).looks) == 0
        assert all(one.status != "seen" for one in hunt(archive, if_hz=PLACE - 5e6, width_hz=1e5).looks)


def test_a_fixed_rf_lies_at_another_if_in_each_state(stored: str) -> None:
    """IF = RF - LO (arithmetic): 9750 + 1240.5 MHz is 1225.5 MHz at 9765, where there is nothing."""
    with open_archive(stored) as archive:
        told = hunt(archive, rf_hz=9.75e9 + PLACE, width_hz=1e5)
    assert {round(one.if_hz / 1e5) for one in told.looks} == {12405, 12255}
    assert {k for k, one in enumerate(told.looks) if one.status == "seen"} == {2, 6, 10}


def test_frequency_and_width_must_make_sense(stored: str) -> None:
    with open_archive(stored) as archive:
        for wrong in ({}, {"if_hz": 1e9, "rf_hz": 11e9}, {"if_hz": 1e9, "width_hz": 0.0}):
            with pytest.raises(UsageError):
                hunt(archive, **wrong)


def test_command(stored: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["archive", "hunt", "--if", "1240.5MHz", "--width", "100kHz", "--archive", stored]) == 0
    out = capsys.readouterr().out
    assert "Seen in 6 of 12 sweeps that held it." in out and "First seen 2026-03-01 02:00 UTC" in out
    assert main(["archive", "hunt", "--rf", "10990.5MHz", "--archive", stored, "--json"]) == 0
    jsonschema.Draft202012Validator(schemas.load("hunt")).validate(json.loads(capsys.readouterr().out))
    assert main(["archive", "hunt", "--archive", stored]) == 2
    assert main(["archive", "hunt", "--if", "1240.5MHz", "--archive", str(tmp_path / "none.db")]) == 2
