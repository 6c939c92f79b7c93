"""Receive chains: reading, signs, ranges that cannot be true."""

from dataclasses import replace

import numpy as np
import pytest

from spectra.errors import ChainError
from spectra.plan import Cable, LoState, ReceiveChain, load_chain, save_chain

CHAIN = """[chain]
name = "aft antenna"
if_min_mhz = 950
if_max_mhz = 2150
line_gain_db = -12.5
reference_ppm = 1

[[lo_state]]
name = "low"
lo_mhz = 9750
injection = "low"
rf_min_mhz = 10700
rf_max_mhz = 11900
polarisation = "V"
supply_v = 13
tone_22khz = false
tolerance_khz = 25

[[lo_state]]
name = "C"
lo_mhz = 5150
injection = "high"
rf_min_mhz = 3400
rf_max_mhz = 4200

[cable]
length_m = 60
velocity_factor = 0.85
attenuation_a = 18.5
"""


def test_values_in_inner_units(chain_file):
    chain = load_chain(chain_file(CHAIN))
    assert (chain.name, chain.if_min_hz, chain.if_max_hz) == ("aft antenna", 950e6, 2150e6)
    assert (chain.line_gain_db, chain.reference_ppm) == (-12.5, 1.0)
    low = chain.state("low")
    assert (low.lo_hz, low.injection, low.polarisation, low.supply_v) == (9750e6, "low", "V", 13.0)
    assert (low.tone_22khz, low.tolerance_hz) == (False, 25e3)
    assert chain.state("C").polarisation is None and chain.state("C").tolerance_hz is None
    assert chain.cable == Cable(60.0, 0.85, 18.5, None)
    assert chain.file == "chain.toml" and len(chain.sha256) == 64
    assert chain.warnings == ()


# the bands of the trade: standards F and D (universal: common knowledge; others from memory)
@pytest.mark.parametrize(
    ("injection", "lo_mhz", "rf_mhz", "if_mhz"),
    [("low", 9750, 10700, 950), ("low", 10600, 12750, 2150), ("high", 5150, 3400, 1750), ("high", 5150, 4200, 950)],
)
def test_if_and_rf(injection, lo_mhz, rf_mhz, if_mhz):
    state = LoState("x", lo_mhz * 1e6, injection, 3e9, 13e9)
    assert state.if_from_rf(rf_mhz * 1e6) == if_mhz * 1e6
    assert state.rf_from_if(if_mhz * 1e6) == rf_mhz * 1e6
    np.testing.assert_array_equal(state.rf_from_if(state.if_from_rf(np.array([3.7e9, 4e9]))), [3.7e9, 4e9])


def test_sign_of_injection():
    """Low side: the IF rises with the RF; high side: it falls (spectrum inverted)."""
    assert LoState("l", 9.75e9, "low", 10.7e9, 11.9e9).sign == 1.0
    assert LoState("h", 5.15e9, "high", 3.4e9, 4.2e9).sign == -1.0


@pytest.mark.parametrize("injection", ["low", "high"])
def test_sign_of_the_lo_error(injection):
    """An LO that stands 100 kHz too high moves every carrier down on the low side and up on the high side."""
    rf, nominal, error = (12e9, 10.6e9, 1e5) if injection == "low" else (3.7e9, 5.15e9, 1e5)
    state = LoState("x", nominal, injection, 3e9, 13e9)
    seen = LoState("x", nominal + error, injection, 3e9, 13e9).if_from_rf(rf)
    offset = float(seen - state.if_from_rf(rf))
    assert offset == (-error if injection == "low" else error)
    assert state.lo_error_from_offset(offset) == error


@pytest.mark.parametrize(
    ("old", "new", "line", "column", "words"),
    [
        ("if_min_mhz = 950", "if_min_mhz = 2150", 3, "if_min_mhz", "rising range"),
        ("if_min_mhz = 950", "if_min_mhz = 0", 3, "if_min_mhz", "1 MHz to 10 GHz"),
        ("if_max_mhz = 2150\n", "", 1, "if_max_mhz", "Add if_max_mhz"),
        ("lo_mhz = 9750", "lo_mhz = 9.75", 10, "lo_mhz", "GHz: write 9750"),
        ("lo_mhz = 9750", "lo_mhz = 9750000", 10, "lo_mhz", "kHz: write 9750"),
        ("lo_mhz = 9750", "lo_mhz = 9750000000", 10, "lo_mhz", "Hz: write 9750"),
        ("lo_mhz = 9750", "lo_mhz = -9750", 10, "lo_mhz", "Write it in MHz"),
        ("lo_mhz = 9750", 'lo_mhz = "9750"', 10, "lo_mhz", "without quotation marks"),
        ("lo_mhz = 9750", "lo_mhz = nan", 10, "lo_mhz", "a number"),
        ("lo_mhz = 9750", "lo_mhz = true", 10, "lo_mhz", "a number"),
        ("lo_mhz = 9750", "lo_mhz = 11300", 10, "lo_mhz", "RF range above the LO"),
        ("lo_mhz = 9750", "lo_mhz = 7000", 10, "lo_mhz", "no carrier could come through"),
        ("lo_mhz = 5150", "lo_mhz = 2150", 22, "injection", "RF range below the LO"),
        ('injection = "low"', 'injection = "high"', 11, "injection", "RF range below the LO"),
        ('injection = "high"', 'injection = "low"', 22, "injection", "RF range above the LO"),
        ('injection = "low"', 'injection = "LOW"', 11, "injection", '"low" or "high"'),
        ("rf_min_mhz = 10700", "rf_min_mhz = 12000", 12, "rf_min_mhz", "rising range"),
        ("rf_min_mhz = 10700", "rf_min_mhz = 9700", 10, "lo_mhz", "above the LO"),
        ('polarisation = "V"', 'polarisation = "X"', 14, "polarisation", "H, V, L or R"),
        ("supply_v = 13", "supply_v = 13000", 15, "supply_v", "volts"),
        ("tone_22khz = false", "tone_22khz = 22", 16, "tone_22khz", "true or false"),
        ("tolerance_khz = 25", "tolerance_khz = -25", 17, "tolerance_khz", "without sign"),
        ('name = "C"', 'name = "low"', 20, "name", "own name"),
        ('name = "C"', 'name = " "', 20, "name", "a name"),
        ("reference_ppm = 1", "reference_ppm = -1", 6, "reference_ppm", "without sign"),
        ("velocity_factor = 0.85", "velocity_factor = 85", 28, "velocity_factor", "fraction"),
        ("length_m = 60", "length_m = -60", 27, "length_m", "metres"),
        ("attenuation_a = 18.5", "attenuation_a = -18.5", 29, "attenuation_a", "without sign"),
        ("if_min_mhz = 950", "if_min_mhz = 950,5", 3, None, "TOML"),
        ("[[lo_state]]", "[lo_state]", None, None, "two brackets"),
    ],
)
def test_chains_that_cannot_be_true(chain_file, old, new, line, column, words):
    count = -1 if "[lo_state]" in new else 1
    text = CHAIN.replace(old, new, count)
    if "[lo_state]" in new:
        text = text[: text.index("[lo_state]", text.index("[lo_state]") + 1)]
        line = 8
    with pytest.raises(ChainError) as caught:
        load_chain(chain_file(text))
    assert (caught.value.source, caught.value.line, caught.value.column) == ("chain.toml", line, column)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no table [chain]"),
        ("[chain]\nif_min_mhz = 950\nif_max_mhz = 2150\n", "no table [[lo_state]]"),
        ("lo_state = 3\n[chain]\nif_min_mhz = 950\nif_max_mhz = 2150\n", "no table [[lo_state]]"),
    ],
)
def test_files_that_are_no_chain(chain_file, text, words):
    with pytest.raises(ChainError) as caught:
        load_chain(chain_file(text))
    assert words in caught.value.found


def test_bytes_and_missing_files(tmp_path):
    (tmp_path / "c.toml").write_bytes(b"\xff\x00\x81")
    for name in ("c.toml", "none.toml"):
        with pytest.raises(ChainError):
            load_chain(tmp_path / name)
    with pytest.raises(ChainError):
        load_chain(tmp_path)


def test_unknown_keys_are_kept_and_told(chain_file, tmp_path):
    text = CHAIN.replace("supply_v", 'maker = "none"\ntolerence_khz = 3\nsupply_v', 1).replace(
        'name = "aft', 'built = 2020-05-01\nlist = [1, "two", {three = 3.5}]\nname = "aft', 1
    )
    chain = load_chain(chain_file("port = 2\n" + text))
    assert chain.extra["port"] == 2
    assert chain.extra["lo_state.0.maker"] == "none"
    by_key = {warning.column: warning for warning in chain.warnings}
    assert set(by_key) == {None, "built", "list", "maker", "tolerence_khz"}
    assert "tolerance_khz" in by_key["tolerence_khz"].mend
    assert by_key["tolerence_khz"].line == 19
    save_chain(chain, tmp_path / "copy.toml")
    assert load_chain(tmp_path / "copy.toml").extra == chain.extra


def test_only_part_of_the_range_is_seen(chain_file):
    chain = load_chain(chain_file(CHAIN.replace("rf_max_mhz = 11900", "rf_max_mhz = 12500")))
    (warning,) = chain.warnings
    assert "within 950-2150 MHz" in warning.expected


def test_injection_left_out_is_told(chain_file):
    chain = load_chain(chain_file(CHAIN.replace('injection = "low"\n', "")))
    assert chain.state("low").injection == "low"
    assert [warning.line for warning in chain.warnings] == [8]


def test_saved_and_loaded_is_identical(chain_file, tmp_path):
    chain = load_chain(chain_file(CHAIN))
    assert save_chain(chain, tmp_path / "copy.toml") is None
    again = load_chain(tmp_path / "copy.toml")
    for name in ("name", "if_min_hz", "if_max_hz", "lo_states", "line_gain_db", "reference_ppm", "cable"):
        assert getattr(again, name) == getattr(chain, name)
    other = replace(chain, line_gain_db=3.0)
    assert save_chain(other, tmp_path / "copy.toml") == tmp_path / "copy.1.toml"
    assert load_chain(tmp_path / "copy.1.toml").line_gain_db == -12.5


def test_chain_in_memory():
    state = LoState(name="x", lo_hz=10.6e9, injection="low", rf_min_hz=11.7e9, rf_max_hz=12.75e9)
    chain = ReceiveChain(name="x", if_min_hz=950e6, if_max_hz=2150e6, lo_states=(state,))
    assert chain.state("x") is state
    with pytest.raises(KeyError):
        chain.state("y")
    assert hash(chain) == hash(ReceiveChain(name="x", if_min_hz=950e6, if_max_hz=2150e6, lo_states=(state,)))
