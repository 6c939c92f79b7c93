"""Under a carrier: what stands on a plateau is found near the limit, measured, and nothing is claimed of clean ones."""

import math
from functools import lru_cache

import numpy as np
import pytest
from scipy import stats

from spectra.findings import interference
from spectra.findings.interference_guests import es_n0_loss_db, under_carriers
from spectra.findings.interference_scan import Host, _least_ratio, _quietest, scan_hosts
from spectra.measure import measure
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum

RBW = 3e5
ENBW_DB = 10.0 * math.log10(1.0645 * RBW)


@lru_cache
def swept(tone_over_db: float | None = None, seed: int = 1, averages: int = 100, bump: bool = False, **settings):
    """Two carriers; the tone stands in the first (12 dB C/N), on a point of the trace."""
    spectrum = Spectrum(-140.0).with_carrier(1.23e9, 2.5e7, 0.2, 12.0).with_carrier(1.27e9, 3e7, 0.25, 9.0)
    local_cn0 = 10.0 * math.log10(1.0 + 10.0**1.2) + ENBW_DB
    if tone_over_db is not None:
        spectrum = spectrum.with_tone(1.2354e9, local_cn0 + tone_over_db)
    if bump:
        power = spectrum.power_for_cn(13.0, 1.5e6)
        emissions = (*spectrum.emissions, Emission(1.2654e9, 1.5e6, 0.2, power))
        spectrum = Spectrum(-140.0, spectrum.line, emissions, spectrum.tones)
    analyser = Analyser(1.2e9, 1.3e9, 501, RBW, averages=averages, readings=1, mode="slow", **settings)
    return measure(sweep_spectrum(spectrum, analyser, seed))


def test_tone_is_found_and_measured() -> None:
    """C/I by arithmetic: carrier density x symbol rate over the tone's power."""
    (guest,) = under_carriers(swept(3.0))
    c_over_i = 12.0 + 10.0 * math.log10(2.5e7) - (10.0 * math.log10(1.0 + 10.0**1.2) + ENBW_DB + 3.0)
    assert guest.width_hz is None
    assert guest.centre_hz == pytest.approx(1.2354e9, abs=4.0 * guest.centre_std_hz + 2e4)
    assert guest.over_db == pytest.approx(3.0, abs=3.0 * guest.over_std_db)
    assert guest.c_over_i_db == pytest.approx(c_over_i, abs=3.0 * guest.c_over_i_std_db)
    assert guest.loss_db == pytest.approx(es_n0_loss_db(12.0, c_over_i), abs=4.0 * (guest.loss_std_db or 0.0))
    assert guest.false_alarms < 1e-6


def test_loss_is_that_of_added_noise() -> None:
    """Noise of equal power halves the ratio: 3.01 dB (arithmetic)."""
    assert es_n0_loss_db(10.0, 10.0) == pytest.approx(3.0103, abs=1e-4)
    assert es_n0_loss_db(10.0, 40.0) == pytest.approx(0.00434, abs=1e-4)


def test_limit_is_that_of_the_noncentral_chi_squared_law() -> None:
    """+5.0 dB at 10 readings, -1.5 dB at 100, for 500 tests and 0.01 a sweep; here from scipy.stats 1.17 directly."""
    (guest,) = under_carriers(swept(3.0))
    threshold = stats.chi2.isf(0.01 / 501, 200.0)
    found = stats.ncx2.sf(threshold, 200.0, 200.0 * 10.0 ** (-1.467 / 10.0))
    assert found == pytest.approx(0.95, abs=0.002)
    assert guest.limit_db == pytest.approx(-1.467, abs=0.25)  # readings as the trace's own scatter tells them


def test_tone_a_decibel_over_the_limit_is_found() -> None:
    """0.95 within 1 dB is counted by the campaign; three of three here."""
    for seed in (1, 2, 3):
        assert any(abs(g.centre_hz - 1.2354e9) < RBW for g in under_carriers(swept(-0.467, seed)))


def test_bump_is_told_with_its_width() -> None:
    bumped = swept(bump=True)
    (guest,) = under_carriers(bumped)
    assert guest.width_hz == pytest.approx(1.5e6, rel=0.35)
    assert guest.centre_hz == pytest.approx(1.2654e9, abs=2e5)
    assert guest.c_over_i_db == pytest.approx(9.0 + 10.0 * math.log10(3e7) - 13.0 - 10.0 * math.log10(1.5e6), abs=1.0)
    assert not list(interference.cw_under_carrier(bumped, (guest,)))
    assert [f.code for f in interference.bump_under_carrier(bumped, (guest,))] == ["interference.bump_under_carrier"]


def test_nothing_on_clean_carriers_and_the_rate_is_what_was_asked() -> None:
    assert under_carriers(swept()) == ()
    assert under_carriers(swept(seed=2)) == ()
    many = scan_hosts(swept(), 50.0)
    assert 5 < len(many) < 150  # a rate that large must show some: the threshold is alive
    assert all(stretch.false_alarms <= 50.0 for stretch in many)


def test_tone_is_not_read_low_in_an_average_of_decibels() -> None:
    """Noise averaged in dB reads 2.51 dB low, a tone does not (instrument handbook, read); C/I must not move."""
    (plain,), (logged,) = under_carriers(swept(9.0)), under_carriers(swept(9.0, detector="log_average"))
    assert logged.c_over_i_db == pytest.approx(plain.c_over_i_db, abs=0.6)


def test_finding_says_what_it_costs_and_asks_the_watch() -> None:
    tone = swept(6.0)
    (finding,) = interference.cw_under_carrier(tone, under_carriers(tone))
    assert finding.severity == "warning"
    assert "Es/N0" in finding.explanation
    assert {e.name for e in finding.evidence} >= {"c_over_i", "es_n0_loss", "false_alarms"}
    assert np.isfinite([e.value for e in finding.evidence if isinstance(e.value, float)]).all()


def test_no_stretch_that_is_passed_over_could_have_been_told() -> None:
    """scipy.stats.f: a ratio under the least one has more than the chance allowed, whatever neighbourhood it is of."""
    rng = np.random.default_rng(11)
    for _ in range(2000):
        own, around = np.exp(rng.uniform(np.log(0.7), np.log(3000.0), 2))
        chance = 10.0 ** rng.uniform(-12.0, 0.0)
        least = _least_ratio(own, chance)
        assert stats.f.sf(least * rng.uniform(0.0, 1.0), 2.0 * own, 2.0 * around) > chance * 0.999999


def test_no_neighbourhood_falls_short_of_the_quietest_of_its_host() -> None:
    """Means of all windows of the admitted lengths, one by one (NumPy)."""
    rng = np.random.default_rng(12)
    frequency = np.arange(200.0)
    level = rng.gamma(3.0, size=200) + 5.0 * (frequency > 90.0)
    total = np.r_[0.0, np.cumsum(level)]
    hosts = tuple(Host((0,), low, high, low, high) for low, high in ((3.0, 60.0), (95.0, 99.0), (120.0, 199.5)))
    for rbw_points in (1.0, 2.0, 9.0):
        quietest = _quietest(total, hosts, frequency, rbw_points)
        for host, bound in zip(hosts, quietest, strict=True):
            inside = level[(frequency >= host.flat_low_hz) & (frequency < host.flat_high_hz)]
            least = max(4, math.ceil(2.5 * rbw_points))
            means = [inside[a:b].mean() for b in range(inside.size + 1) for a in range(b - least + 1)]
            assert min(means, default=math.inf) >= bound or inside.size < least
