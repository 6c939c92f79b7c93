"""Cost of identifying one sweep of 25 carriers against tables of 500, 5,000 and 50,000 rows, seed 5.

Beside it the commonest-offset vote over the same rows in plain NumPy: the least that any method has to do.
"""

import numpy as np
import pytest

from spectra.identify import identify
from spectra.measure.measurement import Carrier, Floor, Measurement
from spectra.plan.chain import LoState, ReceiveChain
from spectra.plan.table import CarrierTable
from spectra.sweep import Sweep

ROWS = (500, 5_000, 50_000)
CHAIN = ReceiveChain(
    "bench",
    950e6,
    2150e6,
    (
        LoState("low", 9.75e9, "low", 10.7e9, 11.7e9, tolerance_hz=1e6),
        LoState("high", 10.6e9, "low", 11.7e9, 12.75e9, tolerance_hz=1e6),
    ),
)


def table_of(rows: int) -> CarrierTable:
    """100 rows a satellite, half of them a polarisation, both bands; frequencies at whole kHz."""
    rng = np.random.default_rng(5)
    made = []
    for satellite in range(rows // 100):
        rf = np.sort(rng.uniform(10_705.0, 12_745.0, 100))
        rate = rng.choice([1_500.0, 3_000.0, 6_000.0, 12_000.0], 100)
        made += [
            {
                "satellite": f"Kittiwake {satellite}",
                "orbital_longitude_deg": satellite * 0.7 - 175.0,
                "polarisation": "HV"[k % 2],
                "rf_mhz": round(float(rf[k]), 3),
                "symbol_rate_kbd": float(rate[k]),
            }
            for k in range(100)
        ]
    return CarrierTable.from_rows(made, "bench.csv")


def sweep_of(table: CarrierTable) -> Measurement:
    """The horizontal list of the third satellite in the low band, 12 % of it missing, 0.4 MHz off."""
    rng = np.random.default_rng(6)
    carriers = []
    for row in table:
        if row.satellite != "Kittiwake 2" or row.polarisation != "H" or row.rf_hz > 11.7e9 or rng.random() < 0.12:
            continue
        rate = row.symbol_rate_bd or 5e6
        carriers.append(
            Carrier(
                "modulated",
                row.rf_hz - 9.75e9 + 0.4e6 + float(rng.normal(0.0, 80e3)),
                80e3,
                symbol_rate_bd=rate * (1.0 + float(rng.normal(0.0, 0.03))),
                symbol_rate_std_bd=0.03 * rate,
                cn_db=12.0,
            )
        )
    frequency, flat = np.linspace(950e6, 2150e6, 1001), np.full(1001, -80.0)
    sweep = Sweep.from_arrays(frequency, flat, rbw_hz=1e6, detector="rms", averages=10)
    floor = Floor(-80.0, -140.0, 0.1, 0.0, flat, np.full(1001, 0.1), np.ones(1001, bool))
    return Measurement(sweep, floor, tuple(sorted(carriers, key=lambda c: c.centre_hz)), 10.0, 1.0, 1.5, flat)


@pytest.fixture(scope="module", params=ROWS, ids=lambda rows: f"{rows} rows")
def case(request):
    table = table_of(request.param)
    return table, sweep_of(table)


@pytest.mark.benchmark(group="identify one sweep")
def test_identify(benchmark, case):
    table, measurement = case
    result = benchmark(identify, measurement, table, CHAIN)
    assert result.satellite == "Kittiwake 2"
    assert result.polarisation == "H"


@pytest.mark.benchmark(group="identify one sweep")
def test_reference_vote_for_the_commonest_offset(benchmark, case):
    table, measurement = case
    rf_hz = np.sort(table.rf_hz)
    centres = np.array([c.centre_hz for c in measurement.carriers])

    def vote():
        offsets = [
            centre - (rf_hz - lo)[np.abs(centre - (rf_hz - lo)) < 6e6] for centre in centres for lo in (9.75e9, 10.6e9)
        ]
        return np.histogram(np.concatenate(offsets), np.arange(-6e6, 6e6, 0.2e6))[0].argmax()

    assert benchmark(vote) >= 0
