"""Decibel arithmetic and printing."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spectra.units import db, dbm_offset, format_frequency, format_value, from_db, jsonable, significant


@pytest.mark.parametrize(
    ("unit", "impedance", "expected"),
    [("dBuV", 50.0, -106.9897), ("dBuV", 75.0, -108.7506), ("dBmV", 50.0, -46.9897), ("dBm", 75.0, 0.0)],
)
def test_voltage_levels_in_dbm(unit: str, impedance: float, expected: float) -> None:
    """10 log10(1e-12 / (R 1e-3)); the values -106.99 and -108.75 are derived (P = U^2/R)."""
    assert dbm_offset(unit, impedance) == pytest.approx(expected, abs=1e-4)


def test_offsets_refuse_ratios_and_impossible_impedances() -> None:
    with pytest.raises(ValueError, match="absolute"):
        dbm_offset("dB")
    with pytest.raises(ValueError, match="impedance"):
        dbm_offset("dBuV", 0.0)
    assert dbm_offset("dBµV") == dbm_offset("dbuv")


@given(st.floats(-200, 200))
def test_db_and_back(value: float) -> None:
    assert db(from_db(value)) == pytest.approx(value, abs=1e-9)
    assert from_db(np.array([value]))[0] == pytest.approx(from_db(value))


@pytest.mark.parametrize(
    ("value", "std", "expected"),
    [(12.34567, 0.0234, "12.346 ± 0.023"), (12345.6, 123.4, "12346 ± 123"), (None, 1.0, "–"), (1.0, None, "1.000")],
)
def test_as_many_digits_as_the_uncertainty_supports(value, std, expected: str) -> None:
    """Two significant digits in the uncertainty, the same decimals in the value: JCGM 100 clause 7.2.6, from memory."""
    assert format_value(value, std) == expected


def test_frequencies_choose_their_unit() -> None:
    assert format_frequency(1.234e9, 1e4) == "1234.000 ± 0.010 MHz"
    assert format_frequency(-3.2e4, 9e2) == "-32.00 ± 0.90 kHz"
    assert significant(0.01234) == "0.012"
    assert significant(0.0) == "0"


def test_json_has_no_nan() -> None:
    assert jsonable({"a": (np.float64("nan"), np.int64(3)), "b": np.array([1.0, math.inf])}) == {
        "a": [None, 3],
        "b": [1.0, None],
    }
