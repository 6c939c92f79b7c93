"""Unlisted carriers against the causes that can be computed: arithmetic, odds, and what chance must not do."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from spectra.capture import Context
from spectra.findings import interference_unlisted
from spectra.findings.bands import SERVICES, services_at
from spectra.findings.beam import pointing_error_deg
from spectra.findings.interference_causes import explain_unlisted
from spectra.findings.interference_products import (
    binomial_tail,
    find_comb,
    match_product,
    products,
    reference_harmonics,
)
from spectra.identify.identification import Candidate, Expected, Identification
from spectra.measure.measurement import Carrier
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable

CHAIN = ReceiveChain(
    "test",
    950e6,
    2150e6,
    (
        LoState("low H", 9.75e9, "low", 1.07e10, 1.19e10, "H", tolerance_hz=1e6),
        LoState("high H", 10.6e9, "low", 1.17e10, 1.275e10, "H", tolerance_hz=1e6),
    ),
)


def modulated(centre_mhz: float, rate_mbd: float, cn: float = 10.0, power: float | None = None) -> Carrier:
    """A carrier as a sweep of good quality would show it."""
    return Carrier(
        "modulated",
        1e6 * centre_mhz,
        2e4,
        1e6 * rate_mbd,
        1e4 * rate_mbd,
        0.2,
        0.02,
        1.07e6 * rate_mbd,
        1e4 * rate_mbd,
        power_dbm=-60.0 + 10.0 * np.log10(rate_mbd) if power is None else power,
        power_std_db=0.1,
        cn_db=cn,
        cn_std_db=0.2,
    )


def tone(centre_mhz: float, power: float = -80.0, std: float = 3e3) -> Carrier:
    return Carrier("cw", 1e6 * centre_mhz, std, power_dbm=power, power_std_db=0.2)


def table_of(*rows: tuple[str, str, float, float, float]) -> CarrierTable:
    names = {"Nimbus Test": 10.0, "Stratus Test": 13.0}
    return CarrierTable.from_rows(
        [
            {
                "satellite": sat,
                "orbital_longitude_deg": names[sat],
                "polarisation": pol,
                "rf_hz": 1e6 * rf,
                "rf_step_hz": 1e3,
                "symbol_rate_bd": 1e6 * rate,
                "reference_cn_db": cn,
            }
            for sat, pol, rf, rate, cn in rows
        ]
    )


def identified(unlisted: list[Carrier]) -> Identification:
    best = Candidate("Nimbus Test", 10.0, None, "H", "high H", "low", 50e3, 2e3, 1.5e9)
    return Identification(
        "confirmed", best, True, Expected(), (best,), (), tuple((0, c) for c in unlisted), (), "t.csv", "0", 1, "test"
    )


def explained(make_measurement, carriers: list[Carrier], listed: int, table: CarrierTable):
    measurement = replace(make_measurement(950e6, 2150e6, 1201, 1e6), carriers=tuple(carriers))
    return explain_unlisted(measurement, identified(carriers[listed:]), table, CHAIN), measurement


@pytest.mark.parametrize(("hits", "trials", "p"), [(2, 10, 0.05), (1, 3, 0.3), (5, 5, 0.2), (0, 4, 0.1)])
def test_tail_against_scipy(hits: int, trials: int, p: float) -> None:
    """scipy.stats.binom (1.17)."""
    assert binomial_tail(hits, trials, p) == pytest.approx(stats.binom.sf(hits - 1, trials, p))


def test_intermodulation_arithmetic() -> None:
    """f1 = 1200, f2 = 1230 MHz: third order 1170 and 1260, fifth 1140 and 1290 MHz (textbook, from memory)."""
    made = products([tone(1200.0, -40.0), tone(1230.0, -41.0)])
    assert sorted((p.order, round(p.centre_hz / 1e6)) for p in made) == [(3, 1170), (3, 1260), (5, 1140), (5, 1290)]
    assert made[0].centre_hz == pytest.approx(1170e6)  # 2 f1 - f2 of the stronger f1 is the strongest
    three = products([tone(1200.0), tone(1230.0), tone(1250.0)])
    assert 1180e6 in [p.centre_hz for p in three]  # f1 + f2 - f3
    wide = products([modulated(1200.0, 5.0), modulated(1230.0, 2.0)])[0]
    assert wide.width_hz == pytest.approx(2 * 5.35e6 + 2.14e6)


def test_product_is_named_and_chance_is_not() -> None:
    parents = [modulated(1200.0, 5.0, power=-40.0), modulated(1260.0, 4.0, power=-42.0), modulated(1500.0, 20.0)]
    true = modulated(1140.0, 9.0, power=-62.0)
    found = match_product(true, products(parents), parents, 950e6, 2150e6)
    assert found is not None
    assert found[0].words == "2f1 - f2"
    assert found[1] < 0.02
    assert match_product(replace(true, centre_hz=1145e6), products(parents), parents, 950e6, 2150e6) is None
    assert match_product(replace(true, power_dbm=-41.0), products(parents), parents, 950e6, 2150e6) is None
    narrow = replace(true, occupied_bandwidth_hz=1e6)
    assert match_product(narrow, products(parents), parents, 950e6, 2150e6) is None


def test_chance_coincidences_stay_below_two_percent() -> None:
    """Carriers at random places, of random widths and levels; the campaign counts more of them."""
    rng = np.random.default_rng(20260501)
    named = 0
    for _ in range(300):
        parents = [
            modulated(float(f), float(r), power=float(p))
            for f, r, p in zip(rng.uniform(960, 2140, 8), rng.uniform(1, 30, 8), rng.uniform(-60, -40, 8), strict=True)
        ]
        guest = modulated(float(rng.uniform(960, 2140)), float(rng.uniform(1, 30)), power=-75.0)
        named += match_product(guest, products(parents), parents, 950e6, 2150e6) is not None
    assert named <= 6


def test_comb_and_reference_harmonics() -> None:
    rng = np.random.default_rng(3)
    comb = [tone(1000.3 + 24.576 * k + 2e-3 * rng.standard_normal()) for k in (0, 1, 2, 4, 7)]
    found = find_comb([*comb, tone(1111.1)])
    assert found is not None
    assert found.spacing_hz == pytest.approx(24.576e6, abs=2e4)
    assert found.members == (0, 1, 2, 3, 4)
    harmonics = reference_harmonics([tone(1230.0), tone(1450.0005), tone(1333.3)])
    assert harmonics is not None
    assert harmonics.members == (0, 1)
    assert find_comb([tone(float(f)) for f in rng.uniform(960, 2140, 8)]) is None


def test_neighbour_s_list_explains_its_carriers(make_measurement) -> None:
    neighbour = [(11861.0, 3.0), (12010.5, 7.2), (12233.0, 1.5), (12400.25, 10.0)]
    table = table_of(
        ("Nimbus Test", "H", 12100.0, 20.0, 12.0),
        *(("Stratus Test", "H", rf, rate, 11.0) for rf, rate in neighbour),
    )
    seen = [modulated(rf - 10600.0 + 0.05, rate, 2.0) for rf, rate in neighbour]
    unlisted, measurement = explained(make_measurement, [modulated(1500.05, 20.0), *seen], 1, table)
    assert [u.cause.name for u in unlisted] == ["adjacent_satellite"] * 4
    assert all(u.cause.probability > 0.95 for u in unlisted)
    (finding,) = interference_unlisted.adjacent_satellite(
        unlisted, measurement, identified(seen), table, Context(antenna="0.8 m stabilised")
    )
    assert "east" in finding.explanation
    assert finding.subjects.rows == (3, 4, 5, 6)
    assert {e.name: e.value for e in finding.evidence}["level_against_table"] == pytest.approx(-9.0)


def test_other_polarisation_image_and_second_oscillator(make_measurement) -> None:
    rows = [("Nimbus Test", "V", 11900.0 + 77.3 * k, 2.0 + k, 12.0) for k in range(5)]
    table = table_of(("Nimbus Test", "H", 12100.0, 20.0, 12.0), *rows)
    crossed = [modulated(rf - 10600.0 + 0.05, rate, -5.0) for _, _, rf, rate, _ in rows]
    unlisted, _ = explained(make_measurement, crossed, 0, table)
    assert {u.cause.name for u in unlisted} == {"other_polarisation"}
    low = table_of(*(("Nimbus Test", "H", 10800.0 + 77.3 * k, 2.0 + k, 12.0) for k in range(5)))
    seen = [modulated(1050.05 + 77.3 * k, 2.0 + k) for k in range(5)]
    unlisted, _ = explained(make_measurement, seen, 0, low)
    assert {u.cause.name for u in unlisted} == {"second_lo"}
    mirrored = table_of(*(("Nimbus Test", "H", 9500.0 - 77.3 * k, 2.0 + k, 12.0) for k in range(5)))
    seen = [modulated(1099.95 + 77.3 * k, 2.0 + k) for k in range(5)]
    unlisted, _ = explained(make_measurement, seen, 0, mirrored)
    assert {u.cause.name for u in unlisted} == {"image"}


def test_band_of_the_ship_s_terminal_and_own_radar(make_measurement) -> None:
    """1626.5 to 1660.5 MHz: Radio Regulations Article 5 and 47 CFR 25.202(a)(4) (read). 9.3 to 9.5 GHz with an LO of
    10.6 GHz: 1100 to 1300 MHz by the image (derived)."""
    table = table_of(("Nimbus Test", "H", 12100.0, 20.0, 12.0))
    unlisted, measurement = explained(make_measurement, [tone(1638.0), tone(1183.7), modulated(2085.0, 8.0)], 0, table)
    assert [u.cause.name for u in unlisted] == ["by_the_cable", "newcomer", "newcomer"]
    assert "own_radar" in [c.name for c in unlisted[1].causes]
    (finding,) = interference_unlisted.by_the_cable(unlisted, measurement)
    asking = [step for step in finding.next_steps if "officer of the watch" in step.text]
    assert asking
    assert "ask_officer_of_the_watch" in asking[0].cautions
    assert not [s for s in finding.next_steps if "switch off" in s.text.lower()]
    assert len(list(interference_unlisted.newcomer(unlisted, measurement, ()))) == 1


def test_bands_are_inside_and_rightly_limited() -> None:
    """Limits: Radio Regulations Article 5 and TS 136 101 Table 5.5-1 (transcriptions)."""
    assert all(s.low_hz < s.high_hz and s.mark in ("read", "transcription", "memory") for s in SERVICES)
    assert services_at(1638e6)[0].aboard
    assert services_at(1410e6)[0].weight == 0
    assert not services_at(2149e6 + 50e6)


def test_pointing_error_from_two_levels() -> None:
    """Half-way between two equal satellites both stand at one level (symmetry); a beam on the wanted one: no error."""
    assert pointing_error_deg(0.0, 3.0, 0.8, 11.7e9) == pytest.approx(1.5)
    beam = 70.0 * 299792458.0 / 11.7e9 / 0.8
    assert pointing_error_deg(12.0 * (2.5 / beam) ** 2, 2.5, 0.8, 11.7e9) == pytest.approx(0.0, abs=1e-9)
    assert pointing_error_deg(20.0, 6.0, 0.8, 11.7e9) is None  # a sidelobe may show it as well


def test_two_satellites_in_one_beam(make_measurement) -> None:
    first = Candidate("Nimbus Test", lo_state="high H", log10_odds_none=21.0, matched=3)
    second = Candidate("Stratus Test", lo_state="high H", log10_odds_none=20.0, matched=3)
    measurement = replace(make_measurement(), carriers=tuple(modulated(1210.0 + 12 * k, 3.0) for k in range(6)))
    both = replace(identified([]), verdict="unidentified", best=Candidate(), candidates=(first, second))
    (finding,) = interference_unlisted.two_satellites(both, measurement)
    assert "moving_pedestal" in finding.next_steps[0].cautions
    once = replace(measurement, carriers=measurement.carriers[:4])
    assert not list(interference_unlisted.two_satellites(both, once))
    weak = replace(both, candidates=(first, replace(second, log10_odds_none=2.0)))
    assert not list(interference_unlisted.two_satellites(weak, measurement))


def test_probabilities_share_one(make_measurement) -> None:
    unlisted, _ = explained(make_measurement, [tone(1638.0)], 0, table_of(("Nimbus Test", "H", 12100.0, 20.0, 12.0)))
    assert sum(c.probability for c in unlisted[0].causes) == pytest.approx(1.0)
