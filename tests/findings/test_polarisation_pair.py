"""Two ports, simulated (truth known): numbers, bounds, reuse, swapped ports, skew and its sign."""

import dataclasses
import math

import numpy as np
import pytest

import spectra
from spectra.capture import Capture, Context
from spectra.cautions import required_for
from spectra.errors import UsageError
from spectra.findings.polarisation_formulas import isolation_db
from spectra.findings.polarisation_levels import Shape, fit_levels
from spectra.findings.polarisation_skew import fit_skew, signed_candidates
from spectra.plan import load_chain
from spectra.plan.table import CarrierTable
from spectra.simulate import Analyser, Emission, Spectrum, sweep_spectrum

CHAIN = """[chain]
name = "two ports"
if_min_mhz = 950
if_max_mhz = 2150
[[lo_state]]
name = "V"
lo_mhz = 10000
injection = "low"
rf_min_mhz = 10950
rf_max_mhz = 12150
polarisation = "V"
supply_v = 13
tolerance_khz = 500
[[lo_state]]
name = "H"
lo_mhz = 10000
injection = "low"
rf_min_mhz = 10950
rf_max_mhz = 12150
polarisation = "H"
supply_v = 18
tolerance_khz = 500
"""
# RF in MHz, symbol rate, C/N: V carriers, then H carriers; the last of each share their place (frequency reuse)
PLAN = {
    "V": ((11222.0, 12e6, 13.0), (11245.0, 6e6, 10.0), (11276.0, 20e6, 14.0), (11320.0, 10e6, 11.0)),
    "H": ((11258.0, 4e6, 12.0), (11304.0, 8e6, 13.0), (11320.0, 10e6, 11.0)),
}
DENSITY = -140.0
ROLL_OFF = 0.2


def plan_table(satellite: str = "Nimbus Test") -> CarrierTable:
    return CarrierTable.from_rows(
        {
            "satellite": satellite,
            "polarisation": pol,
            "rf_mhz": rf,
            "symbol_rate_kbd": rate / 1e3,
            "roll_off": ROLL_OFF,
            "reference_cn_db": cn,
        }
        for pol, rows in PLAN.items()
        for rf, rate, cn in rows
    )


def emissions(port: str, leak_db: float) -> tuple[Emission, ...]:
    made = []
    for pol, rows in PLAN.items():
        for rf, rate, cn in rows:
            down = 0.0 if pol == port else leak_db
            made.append(Emission(rf * 1e6 - 10e9, rate, ROLL_OFF, DENSITY + cn - down + 10 * math.log10(rate)))
    return tuple(made)


def port_pair(leak_db: float, seed: int, ports: str = "VH", averages: int = 40, **context) -> list[Capture]:
    analyser = Analyser(1.2e9, 1.34e9, 801, 2e5, averages=averages, readings=10)
    captures = []
    for k, port in enumerate(ports):
        sweep = sweep_spectrum(
            Spectrum(DENSITY, emissions=emissions(port, leak_db)), analyser, 2 * seed + k, file=f"{k}.csv"
        )
        told = Context(port=("co", "cross")[k], lo_state=("V", "H")[k], expected_satellite="Nimbus Test", **context)
        captures.append(Capture((sweep,), told, f"{k}.csv"))
    return captures


@pytest.fixture(scope="module")
def chain(tmp_path_factory):
    path = tmp_path_factory.mktemp("plan") / "chain.toml"
    path.write_text(CHAIN, encoding="utf-8")
    return load_chain(path)


@pytest.fixture(scope="module")
def turned(chain):
    """A pair at 18 dB: the leaks of the stronger carriers stand clear of the floor."""
    return spectra.compare(port_pair(18.0, 1), plan_table(), chain, isolation_limit_db=25.0)


def codes(comparison) -> dict:
    return {finding.code: finding for finding in comparison.findings}


def test_isolation_of_every_carrier_is_the_simulated_one(turned) -> None:
    told = [p for p in turned.pairs if p.isolation_db is not None]
    assert len(told) >= 3
    for pair in told:
        assert pair.counts and pair.isolation_db == pytest.approx(18.0, abs=4.0 * pair.isolation_std_db)
    assert turned.polarisation.isolation_db == pytest.approx(18.0, abs=4.0 * turned.polarisation.isolation_std_db)


def test_reuse_is_never_counted(turned) -> None:
    """Rows 5 and 8 stand at one frequency on both polarisations."""
    reuse = [p for p in turned.pairs if abs(p.reference_centre_hz - 1320e6) < 2e6]
    assert reuse and all(p.isolation_db is None and p.isolation_lower_bound_db is None and not p.counts for p in reuse)
    assert all("hidden" in p.why for p in reuse)


def test_sign_of_isolation_and_changes(turned) -> None:
    """Isolation = home minus other, positive; changes = other minus reference."""
    for pair in turned.pairs:
        if pair.isolation_db is None:
            continue
        assert pair.isolation_db > 0.0
        assert math.copysign(1.0, pair.level_change_db) == (-1.0 if pair.home == "reference" else 1.0)


def test_acceptance_fails_and_says_what_it_is_not(turned) -> None:
    finding = codes(turned)["polarisation.isolation_acceptance"]
    assert finding.answer == "no" and "neither replaces nor predicts" in finding.explanation


def test_skew_gives_both_candidates_and_the_trial(turned) -> None:
    """Angle: 20 log10 cot (derived)."""
    finding = codes(turned)["polarisation.skew_error"]
    assert finding.answer == "yes"
    whole = turned.polarisation
    assert isolation_db(whole.skew_deg) == pytest.approx(whole.isolation_db, abs=1e-6)
    low, high = whole.skew_interval95_deg
    assert low < math.degrees(math.atan(10 ** (-18.0 / 20))) < high
    assert not whole.skew_signed and "too far anticlockwise" in finding.explanation
    step = finding.next_steps[0]
    assert "back" in step.text and set(required_for(step.text)) <= set(step.cautions)
    assert {"transmitter_isolated", "moving_pedestal", "dc_on_coax"} <= set(step.cautions)


def test_leaks_under_the_floor_are_bounds_and_true(chain) -> None:
    result = spectra.compare(port_pair(38.0, 3, averages=4), plan_table(), chain, isolation_limit_db=35.0)
    bounds = [p for p in result.pairs if p.isolation_lower_bound_db is not None]
    assert bounds and not any(p.isolation_db is not None for p in result.pairs)
    assert result.polarisation.isolation_lower_bound_db < 39.0
    finding = codes(result)["polarisation.isolation_acceptance"]
    assert finding.answer == "cannot_tell" and "averages instead of 4" in finding.next_steps[0].text


def test_swapped_ports(chain) -> None:
    result = spectra.compare(port_pair(20.0, 5, ports="HV"), plan_table(), chain)
    assert codes(result)["polarisation.ports_swapped"].severity == "fault"
    assert result.polarisation.isolation_db == pytest.approx(20.0, abs=4.0 * result.polarisation.isolation_std_db)
    assert "polarisation.ports_swapped" not in codes(spectra.compare(port_pair(20.0, 5), plan_table(), chain))


def test_a_context_copied_from_port_to_port_is_told_and_does_not_mislead(chain) -> None:
    """Both contexts name the state of V: the cross-polar port is taken as H, with its own rows."""
    one, other = port_pair(20.0, 5)
    copied = Capture(other.sweeps, dataclasses.replace(other.context, lo_state="V"), other.name)
    result = spectra.compare([one, copied], plan_table(), chain)
    assert codes(result)["polarisation.one_state_for_both"].severity == "warning"
    right = spectra.compare([one, other], plan_table(), chain)
    assert result.polarisation.isolation_db == pytest.approx(right.polarisation.isolation_db)
    assert "polarisation.one_state_for_both" not in codes(right)


def test_without_a_table_the_stronger_port_is_home() -> None:
    result = spectra.compare(port_pair(18.0, 7), kind="polarisation")
    told = {round(p.reference_centre_hz / 1e6): p for p in result.pairs if p.counts and p.isolation_db is not None}
    assert told[1222].home == "reference" and told[1304].home == "other"
    twin = [p for p in result.pairs if abs(p.reference_centre_hz - 1320e6) < 2e6]
    assert all(not p.counts for p in twin)


def test_port_gain_is_taken_out(chain) -> None:
    one, other = port_pair(18.0, 9)
    sweep = other.sweeps[0]
    louder = spectra.Sweep(sweep.frequency_hz, sweep.level_dbm + 7.0, sweep.settings, sweep.origin)
    result = spectra.compare([one, Capture((louder,), other.context, other.name)], plan_table(), chain)
    assert result.polarisation.gain_difference_db == pytest.approx(7.0, abs=0.3)
    assert result.polarisation.isolation_db == pytest.approx(18.0, abs=1.0)


def test_port_gain_by_carriers_where_one_port_is_noisier(chain) -> None:
    """The other port has 4 dB more noise and 2 dB more gain: its floor would say 6 dB (powers, derived).

    A feed that is turned lets equal parts go both ways (10 log10 tan^2, textbook), which the simulated pair obeys.
    """
    one, other = port_pair(12.0, 3)
    noisy = sweep_spectrum(
        Spectrum(DENSITY + 4.0, emissions=emissions("H", 12.0)),
        Analyser(1.2e9, 1.34e9, 801, 2e5, averages=40, readings=10),
        71,
        file="1.csv",
    )
    louder = spectra.Sweep(noisy.frequency_hz, noisy.level_dbm + 2.0, noisy.settings, noisy.origin)
    result = spectra.compare([one, Capture((louder,), other.context, other.name)], plan_table(), chain)
    whole = result.polarisation
    assert whole.gain_difference_by == "carriers"
    assert whole.gain_difference_db == pytest.approx(2.0, abs=3.0 * whole.gain_difference_std_db)
    assert 0.05 < whole.gain_difference_std_db < 1.0
    assert whole.isolation_db == pytest.approx(12.0, abs=1.0)
    told = codes(result)["polarisation.isolation"]
    assert "table lists on one port only" in told.explanation and "not equally noisy" in told.explanation
    by = {e.name: e.value for e in told.evidence}
    assert by["port_gain_by_floors"] == pytest.approx(6.0, abs=0.3)
    for home in ("reference", "other"):
        mine = [p.isolation_db for p in result.pairs if p.home == home and p.isolation_db is not None]
        assert np.mean(mine) == pytest.approx(12.0, abs=1.5)


def test_port_gain_stays_with_the_floors_where_both_agree(turned) -> None:
    whole = turned.polarisation
    assert whole.gain_difference_by == "floors" and whole.gain_difference_db == pytest.approx(0.0, abs=0.3)


def test_rain_in_the_context_is_weighed(chain) -> None:
    result = spectra.compare(port_pair(18.0, 11, weather="heavy rain", antenna_elevation_deg=35.0), plan_table(), chain)
    assert codes(result)["polarisation.rain"].answer == "no"
    assert "polarisation.rain" not in codes(spectra.compare(port_pair(18.0, 11), plan_table(), chain))


def test_a_second_pair_at_another_skew_tells_the_sign(chain) -> None:
    """Feed 6 degrees too far clockwise; turned 4 degrees anticlockwise 2 remain: antenna_skew falls by 4."""
    first = port_pair(isolation_db(6.0), 13, antenna_skew_deg=20.0)
    second = port_pair(isolation_db(2.0), 14, antenna_skew_deg=16.0)
    result = spectra.compare([*first, *second], plan_table(), chain, purity_db=(35.0, 45.0))
    assert result.polarisation.skew_signed and result.polarisation.skew_deg == pytest.approx(6.0, abs=1.0)
    worse = port_pair(isolation_db(10.0), 15, antenna_skew_deg=16.0)
    result = spectra.compare([*first, *worse], plan_table(), chain, purity_db=(35.0, 45.0))
    assert result.polarisation.skew_signed and result.polarisation.skew_deg == pytest.approx(-6.0, abs=1.0)


@pytest.mark.parametrize("detector", ["rms", "log_average"])
def test_levels_are_unbiased_under_the_floor(detector: str) -> None:
    """60 sweeps: mean error within three standard errors (and 0.2) of zero, scatter as the uncertainty says."""
    analyser = Analyser(1.2e9, 1.26e9, 401, 2e5, detector=detector, averages=10, readings=10)
    shape = Shape(1.23e9, 10e6, ROLL_OFF)
    truth = 10 ** (-1.2) * 10e6
    spectrum = Spectrum(DENSITY, emissions=(Emission(1.23e9, 10e6, ROLL_OFF, DENSITY - 12.0 + 70.0),))
    scores = []
    for seed in range(60):
        measurement = spectra.measure(sweep_spectrum(spectrum, analyser, seed))
        flat = np.full(401, DENSITY + 10 * math.log10(1.0645 * 2e5))
        levels = fit_levels(measurement, [shape], floor_dbm=flat)
        scores.append((levels.cn0[0] - truth) / levels.std[0])
    assert abs(np.mean(scores)) < 3.0 / math.sqrt(60) + 0.2
    assert 0.7 < np.std(scores) < 1.35


def test_kind_is_asked_for_where_contexts_do_not_tell() -> None:
    captures = port_pair(20.0, 1)
    bare = [Capture(c.sweeps, Context(), c.name) for c in captures]
    with pytest.raises(UsageError, match="--kind"):
        spectra.compare(bare)
    with pytest.raises(UsageError, match="two or more"):
        spectra.compare(captures[:1], kind="repeat")


def test_skew_of_nothing_is_nothing() -> None:
    assert fit_skew([]) is None


def test_a_turn_of_nothing_tells_no_sign(turned) -> None:
    from spectra.findings.polarisation_pair import CarrierIsolation

    shape = Shape(1.2e9, 1e7)
    ratio = math.tan(math.radians(5.0)) ** 2
    carriers = [CarrierIsolation("reference", shape, shape, 1e8, 1e5, ratio * 1e8, 1e4, None, None, None, True, True)]
    skew = fit_skew(carriers, (35.0, 45.0))
    assert skew is not None and signed_candidates(skew, skew, 0.0) is None
