import math

import numpy as np
import pytest

from spectra.signal.requirements import DVB_S, DVB_S2, required_es_n0

# EN 302 307-1 table 13 (transcription): spot values of each modulation, and the whole table's order and size.
SPOT = [
    ("QPSK", "1/4", -2.35),
    ("QPSK", "9/10", 6.42),
    ("8PSK", "3/4", 7.91),
    ("16APSK", "5/6", 11.61),
    ("32APSK", "9/10", 16.05),
]


@pytest.mark.parametrize(("modulation", "rate", "es_n0"), SPOT)
def test_table_13(modulation, rate, es_n0):
    need = required_es_n0(modulation, rate)
    assert need.es_n0_db == es_n0
    assert need.mark == "transcription"
    assert "table 13" in need.source


def _psk_bits(points: int, es_n0_db: float) -> float:
    """Mutual information of equally likely PSK over AWGN in bits per symbol (Ungerboeck 1982, from memory)."""
    t, w = np.polynomial.hermite.hermgauss(24)
    noise, weight = (t[:, None] + 1j * t[None, :]).ravel(), np.outer(w, w).ravel() / math.pi
    turn = np.exp(2j * math.pi * np.arange(points) / points)
    apart = math.sqrt(10.0 ** (es_n0_db / 10.0)) * (turn[0] - turn)
    spread = np.exp(-(np.abs(apart[:, None] + noise) ** 2) + np.abs(noise) ** 2).sum(axis=0)
    return math.log2(points) - float(weight @ np.log2(spread))


def test_rows_lie_beyond_capacity_and_near_it():
    """Shannon's log2(1 + Es/N0) for all; PSK 0.5 to 2 dB beyond its own capacity, as codes are (derived)."""
    assert len(DVB_S2) == 28
    for need in DVB_S2.values():
        assert need.es_n0_db > 10.0 * math.log10(2.0**need.efficiency - 1.0)
        above, below = need.code_rate.split("/")
        bits = {"QPSK": 2, "8PSK": 3, "16APSK": 4, "32APSK": 5}[need.modulation]
        assert need.efficiency == pytest.approx(bits * int(above) / int(below), rel=0.025)
        if need.modulation in ("QPSK", "8PSK"):
            assert _psk_bits(2**bits, need.es_n0_db - 2.0) < need.efficiency < _psk_bits(2**bits, need.es_n0_db - 0.5)


@pytest.mark.parametrize("modulation", ["QPSK", "8PSK", "16APSK", "32APSK"])
def test_more_rate_needs_more(modulation):
    needs = [n for n in DVB_S2.values() if n.modulation == modulation]
    assert [n.es_n0_db for n in needs] == sorted(n.es_n0_db for n in needs)


@pytest.mark.parametrize(
    ("rate", "with_loss"), [("1/2", 4.15), ("2/3", 5.89), ("3/4", 6.91), ("5/6", 7.86), ("7/8", 8.48)]
)
def test_older_system(rate, with_loss):
    """Es/N0 = Eb/N0 + 10 log10(2 r 188/204) (derived from EN 300 421's Eb/N0, transcription); 0.8 dB loss taken out."""
    assert DVB_S["QPSK", rate].es_n0_db == pytest.approx(with_loss - 0.8, abs=0.006)


def test_names_as_tables_write_them():
    assert required_es_n0("8psk", " 3/4") is DVB_S2["8PSK", "3/4"]
    assert required_es_n0("DVB-S QPSK", "3/4") is DVB_S["QPSK", "3/4"]
    assert required_es_n0("QPSK", "3/4", "DVB-S") is DVB_S["QPSK", "3/4"]
    assert required_es_n0("DVB-S2 QPSK", "3/4") is DVB_S2["QPSK", "3/4"]
    assert required_es_n0("QPSK", "7/8") is DVB_S["QPSK", "7/8"]
    assert required_es_n0("DVB-S2 QPSK", "7/8") is None
    assert required_es_n0("64QAM", "3/4") is None
    assert required_es_n0(None, "3/4") is None
    assert required_es_n0("QPSK", None) is None
