"""What `measure` tells beside the carriers: margin, modem, budget, analyser's own noise."""

import json
from pathlib import Path

import numpy as np
import pytest
from jsonschema import validate

from spectra.cli import main


def said(capsys, *words: str) -> dict:
    assert main(["measure", *words, "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    schema = Path(__file__).parents[2] / "spectra" / "schemas" / "measurement.json"
    validate(value, json.loads(schema.read_text(encoding="utf-8")))
    return value


def test_margin_is_told_as_an_upper_limit(sweep_file, capsys):
    """8PSK 3/4: 7.91 dB (EN 302 307-1 table 13, transcription); C/N of the file is 12 dB."""
    value = said(capsys, str(sweep_file), "--modulation", "8PSK", "--code-rate", "3/4", "--implementation-loss-db", "1")
    for carrier in value["carriers"]:
        assert carrier["margin"]["margin_db"] == pytest.approx(12.0 - 8.91, abs=0.6)
        assert carrier["margin"]["upper_limit"] is True
    assert main(["measure", str(sweep_file), "--modulation", "8PSK", "--code-rate", "3/4", "--carrier", "2"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Margin of carrier 2" in text
    assert "Margin of carrier 1" not in text
    assert "upper limit" in text


def test_modem_and_declared_terms_come_from_the_sidecar(sweep_file, capsys):
    sidecar = sweep_file.with_name(sweep_file.name + ".toml")
    sidecar.write_text("modem_es_n0_db = 9.0\nreference_ppm = 2.0\n", encoding="utf-8")
    value = said(capsys, str(sweep_file), "--carrier", "2", "--budget")
    assert value["carriers"][1]["modem"]["difference_db"] == pytest.approx(3.0, abs=0.6)
    assert "modem" not in value["carriers"][0]
    centre = next(b for b in value["budget"] if b["quantity"] == "centre_hz" and b["carrier"] == 0)
    assert centre["combined_std"] > centre["stated_std"]
    assert {c["name"] for c in centre["components"]} >= {"statistical", "reference"}
    assert main(["measure", str(sweep_file), "--carrier", "2", "--budget", "--level-accuracy-db", "1.5"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "sweep minus modem" in text
    assert "Uncertainty budget" in text
    assert "level accuracy of the analyser (declared)" in text


def test_analysers_own_noise_is_taken_off(sweep_file, tmp_path, capsys):
    """Half of the floor is the analyser's: C/N rises by 3.01 dB (powers add)."""
    f = np.linspace(1.21e9, 1.29e9, 801)
    level = -90.0 - 10.0 * np.log10(2.0) + 10.0 * np.log10(np.random.default_rng(1).gamma(40.0, 1 / 40.0, f.size))
    rows = "\n".join(f"{hz:.0f},{dbm:.2f}" for hz, dbm in zip(f, level, strict=True))
    alone = tmp_path / "alone.csv"
    alone.write_text(f"RBW,100,kHz\nDetector,RMS\nFrequency (Hz),Level (dBm)\n{rows}\n", encoding="utf-8")
    before = said(capsys, str(sweep_file))["carriers"]
    after = said(capsys, str(sweep_file), "--analyser-floor", str(alone))
    for one, two in zip(before, after["carriers"], strict=True):
        assert two["cn_db"] - one["cn_db"] == pytest.approx(3.01, abs=0.4)
        assert two["power_dbm"] == one["power_dbm"]
    assert after["analyser_noise"]["share_median"] == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize(
    "options",
    [
        ["--modulation", "8PSK"],
        ["--modulation", "64QAM", "--code-rate", "3/4"],
        ["--modulation", "8PSK", "--code-rate", "3/4", "--implementation-loss-db", "-1"],
        ["--reference-ppm", "-1"],
        ["--carrier", "99"],
        ["--analyser-floor", "missing.csv"],
    ],
)
def test_impossible_options_are_refused(options, sweep_file, capsys):
    assert main(["measure", str(sweep_file), *options]) == 2
    assert "Traceback" not in capsys.readouterr().err
