import json
import math

import numpy as np
import pytest

import spectra
from spectra.errors import MeasurementError
from spectra.measure import measure
from spectra.measure.measurement import CARRIER_FLAGS, CARRIER_KINDS
from spectra.sweep import Settings, Sweep

KEYS = [
    "kind",
    "centre_hz",
    "centre_std_hz",
    "symbol_rate_bd",
    "symbol_rate_std_bd",
    "roll_off",
    "roll_off_std",
    "occupied_bandwidth_hz",
    "occupied_bandwidth_std_hz",
    "x_db",
    "x_db_bandwidth_hz",
    "x_db_bandwidth_std_hz",
    "power_dbm",
    "power_std_db",
    "cn_db",
    "cn_std_db",
    "cn_lower_bound_db",
    "cn0_dbhz",
    "cn0_std_db",
    "es_n0_db",
    "es_n0_std_db",
    "interval95",
    "false_alarm_probability",
    "flags",
    "roll_off_weights",
    "response_db",
]


@pytest.fixture(scope="module")
def one(scenes):
    """A carrier of 27.5 MBd, roll-off 0.2, 10 dB, and a CW, which three points cannot tell from a narrow carrier."""
    setting = scenes.Setting(readings=30)
    signals = [scenes.Signal(1552e6, 27.5e6, 0.2, 10.0), scenes.Signal(1520.03e6, 0.0, 0.0, 14.0)]
    return setting, signals, measure(scenes.sweep(np.random.default_rng(5), setting, signals))


def test_contract_holds_every_key_and_no_nan(one):
    measurement = one[2].to_dict()
    text = json.dumps(measurement, allow_nan=False)
    assert json.loads(text)["schema"] == "sweepmuster/measurement/1"
    assert [c["kind"] for c in measurement["carriers"]] == ["unresolved", "modulated"]
    for carrier in measurement["carriers"]:
        assert list(carrier) == KEYS
        assert carrier["kind"] in CARRIER_KINDS
        assert set(carrier["flags"]) <= set(CARRIER_FLAGS)
        assert 0.0 not in [carrier[key] for key in KEYS if key.endswith(("_std_hz", "_std_db", "_std_bd"))]
    assert measurement["carriers"][0]["cn_db"] is None


def test_carrier_is_found_where_it_is(one):
    setting, signals, measurement = one
    carrier, truth = measurement.carriers[1], signals[0]
    assert abs(carrier.centre_hz - truth.centre_hz) < 4.0 * carrier.centre_std_hz
    assert abs(carrier.symbol_rate_bd - truth.symbol_rate_bd) < 4.0 * carrier.symbol_rate_std_bd
    assert abs(carrier.cn_db - truth.cn_db) < 4.0 * carrier.cn_std_db
    assert carrier.es_n0_db == carrier.cn_db
    assert carrier.cn0_dbhz == pytest.approx(carrier.cn_db + 10.0 * math.log10(carrier.symbol_rate_bd))
    # Power in the whole carrier: floor density times symbol rate times C/N (noise bandwidth of a Gaussian RBW: 1.0645).
    power = -95.0 - 10.0 * math.log10(1.0645 * setting.rbw_hz) + 10.0 + 10.0 * math.log10(27.5e6)
    assert abs(carrier.power_dbm - power) < 4.0 * carrier.power_std_db


def test_floor_is_the_floor(one):
    floor = one[2].floor
    assert floor.median_dbm == pytest.approx(-95.0, abs=0.15)
    assert floor.density_dbm_hz == pytest.approx(floor.median_dbm - 10.0 * math.log10(1.0645 * 100e3), abs=1e-3)
    assert abs(floor.tilt_db) < 0.6
    assert floor.observed.all()
    assert floor.level_dbm.shape == floor.std_db.shape == (1001,)


@pytest.mark.parametrize("average", ["power", "log", "voltage", "peak"])
def test_cw_power_is_free_of_the_noise_bias(scenes, average):
    """A CW is not biased by averaging in dB or voltage, nor by peaks when it is strong; noise is (derived)."""
    setting = scenes.Setting(average=average, rbw_hz=300e3)
    signal = scenes.Signal(1530e6, 0.0, 0.0, 25.0)
    found = measure(scenes.sweep(np.random.default_rng(8), setting, [signal])).carriers
    assert [c.kind for c in found] == ["cw"]
    assert found[0].power_dbm == pytest.approx(-95.0 + 25.0, abs=max(0.3, 4.0 * found[0].power_std_db))
    assert found[0].centre_hz == pytest.approx(1530e6, abs=4.0 * found[0].centre_std_hz + 1e3)


@pytest.mark.parametrize("average", ["power", "log", "voltage", "peak"])
def test_floor_density_is_free_of_the_detector_bias(scenes, average):
    """All detectors must give the same floor: the biases (derived) taken out."""
    setting = scenes.Setting(average=average)
    floor = measure(scenes.sweep(np.random.default_rng(9), setting, [])).floor
    assert floor.median_dbm == pytest.approx(-95.0, abs=0.4 if average == "peak" else 0.15)


def test_cw_inside_a_carrier_leaves_it_whole(scenes):
    setting = scenes.Setting(readings=100)
    signals = [scenes.Signal(1560e6, 20e6, 0.2, 10.0), scenes.Signal(1561e6, 0.0, 0.0, 14.0)]
    found = measure(scenes.sweep(np.random.default_rng(3), setting, signals)).carriers
    assert [c.kind for c in found] == ["modulated", "unresolved"]
    assert found[1].centre_hz == pytest.approx(1561e6, abs=5.0 * found[1].centre_std_hz)
    assert found[0].symbol_rate_bd == pytest.approx(20e6, rel=0.02)


def test_touching_and_weak_neighbours_are_told_apart(scenes):
    signals = [
        scenes.Signal(1520e6, 10e6, 0.2, 14.0),
        scenes.Signal(1532e6, 10e6, 0.2, 9.0),
        scenes.Signal(1560e6, 10e6, 0.2, 16.0),
        scenes.Signal(1571e6, 6e6, 0.2, 6.0),
    ]
    found = measure(scenes.sweep(np.random.default_rng(4), scenes.Setting(readings=30), signals)).carriers
    assert len(found) == 4
    for carrier, signal in zip(found, signals, strict=True):
        assert abs(carrier.centre_hz - signal.centre_hz) < 0.03 * signal.symbol_rate_bd
        assert abs(carrier.cn_db - signal.cn_db) < 1.0


def test_unresolved_carrier_has_centre_and_power_only(scenes):
    setting = scenes.Setting(rbw_hz=1e6, readings=30)
    signal = scenes.Signal(1550e6, 300e3, 0.2, 20.0)
    found = measure(scenes.sweep(np.random.default_rng(2), setting, [signal])).carriers
    assert len(found) == 1
    assert found[0].kind == "unresolved"  # it scatters as noise does; a CW over the floor hardly scatters (Rice)
    assert found[0].symbol_rate_bd is None
    assert found[0].cn_db is None
    assert abs(found[0].centre_hz - 1550e6) < 4.0 * found[0].centre_std_hz + 20e3


def test_carrier_cut_by_the_span_tells_no_more_than_it_shows(scenes):
    found = measure(scenes.sweep(np.random.default_rng(6), scenes.Setting(), [scenes.Signal(1600e6, 20e6, 0.2, 10.0)]))
    (carrier,) = found.carriers
    assert carrier.kind == "modulated"
    assert "cut_by_span" in carrier.flags
    assert carrier.symbol_rate_bd is None
    assert carrier.occupied_bandwidth_hz is None
    assert carrier.power_dbm is None


def test_band_full_of_carriers_does_not_lift_the_floor(scenes):
    """Carriers over 90 % of the span, guard bands of a few points."""
    signals = [scenes.Signal(1505e6 + 10e6 * k, 8e6, 0.15, 6.0 + k % 5) for k in range(10)]
    measurement = measure(scenes.sweep(np.random.default_rng(7), scenes.Setting(readings=30), signals))
    assert len(measurement.carriers) == 10
    assert measurement.floor.median_dbm == pytest.approx(-95.0, abs=0.4)
    for carrier, signal in zip(measurement.carriers, signals, strict=True):
        if carrier.cn_db is None:
            assert carrier.cn_lower_bound_db < signal.cn_db + 1.0
        else:
            assert abs(carrier.cn_db - signal.cn_db) < 1.0


def test_readings_and_correlation_come_from_the_trace(scenes):
    """The scatter tells the readings; neighbours within the RBW share noise (exp(-d^2 / 4 sigma^2), derived)."""
    apart = measure(scenes.sweep(np.random.default_rng(1), scenes.Setting(readings=20), []))
    assert apart.readings_per_point == pytest.approx(20.0, abs=4.0 * apart.readings_std)
    assert apart.correlated_points == pytest.approx(1.0, abs=0.25)
    close = scenes.Setting(readings=20, rbw_hz=500e3, correlated=True)
    shared = measure(scenes.sweep(np.random.default_rng(1), close, []))
    sigma = 5.0 / 2.3548
    expected = float(np.exp(-(np.arange(-30, 31) ** 2) / (4.0 * sigma**2)).sum())
    assert shared.correlated_points == pytest.approx(expected, rel=0.25)


def test_public_name_and_frame(one):
    assert spectra.measure(one[2].sweep).carriers == one[2].carriers
    frame = one[2].to_frame()
    assert list(frame["kind"]) == ["unresolved", "modulated"]


def test_unusable_input_is_refused_with_a_remedy():
    with pytest.raises(MeasurementError, match="at least 16"):
        measure(Sweep.from_arrays([1e9, 2e9, 3e9], [0.0, 0.0, 0.0]))
    sweep = Sweep.from_arrays(np.linspace(1e9, 2e9, 100), np.random.default_rng(1).normal(size=100))
    with pytest.raises(MeasurementError, match="between 1e-9 and 1"):
        measure(sweep, false_alarms_per_sweep=0.0)


@pytest.mark.parametrize("level", ["flat", "ramp", "spike", "step", "zigzag"])
def test_odd_traces_do_not_break_it(level):
    n = 401
    x = np.arange(n, dtype=float)
    values = {
        "flat": np.full(n, -90.0),
        "ramp": -100.0 + 0.05 * x,
        "spike": np.where(x == 200, -10.0, -90.0),
        "step": np.where(x > 200, -60.0, -90.0),
        "zigzag": -90.0 + (x % 2),
    }[level]
    measurement = measure(Sweep(1e9 + 1e5 * x, values, Settings(rbw_hz=1e5)))
    json.dumps(measurement.to_dict(), allow_nan=False)


def test_inputs_come_out_unchanged(scenes):
    setting = scenes.Setting()
    sweep = scenes.sweep(np.random.default_rng(1), setting, [])
    before = sweep.level_dbm.copy()
    measure(sweep)
    assert np.array_equal(sweep.level_dbm, before)


def test_without_rbw_no_power_and_no_density(scenes):
    """A density becomes a power only through the filter's noise bandwidth; C/N, centre and rate stand without it."""
    swept = scenes.sweep(
        np.random.default_rng(5), scenes.Setting(readings=30), [scenes.Signal(1552e6, 20e6, 0.2, 10.0)]
    )
    blind = Sweep(swept.frequency_hz, swept.level_dbm, Settings(detector="rms", averages=30))
    measurement = measure(blind)
    (carrier,) = measurement.carriers
    assert measurement.floor.density_dbm_hz is None
    assert carrier.power_dbm is None
    assert abs(carrier.cn_db - 10.0) < 4.0 * carrier.cn_std_db
    assert abs(carrier.symbol_rate_bd - 20e6) < 4.0 * carrier.symbol_rate_std_bd


@pytest.mark.parametrize("inside_hz", [7e6, 10e6, 20e6])
def test_a_centre_is_known_by_the_widest_carrier_where_an_edge_is_not_seen(scenes, inside_hz):
    """The other edge of a carrier that ends inside the span may be anywhere beyond it, but within 90 MHz."""
    setting = scenes.Setting(span_hz=500e6, rbw_hz=300e3, readings=20)
    edge = setting.frequency_hz[0] + inside_hz
    for seed, rate in enumerate([24e6, 30e6, 36e6, 45e6]):
        signals = [scenes.Signal(edge - 0.5 * rate, rate, 0.2, 14.0), scenes.Signal(1600e6, 20e6, 0.2, 12.0)]
        cut = measure(scenes.sweep(np.random.default_rng(seed), setting, signals)).carriers[0]
        assert "cut_by_span" in cut.flags
        assert 2e6 < cut.centre_std_hz <= 90e6 / math.sqrt(48.0)
        assert abs(cut.centre_hz - signals[0].centre_hz) < 2.0 * cut.centre_std_hz


@pytest.mark.parametrize(("points", "rbw"), [(101, 12.0), (40, 20.0), (40, 60.0)])
def test_a_filter_as_wide_as_the_span(scenes, points, rbw):
    """No carrier can be told from the filter; the sweep is measured all the same."""
    setting = scenes.Setting(span_hz=1.2e9, points=points, rbw_hz=rbw * 1.2e9 / (points - 1))
    found = measure(scenes.sweep(np.random.default_rng(2), setting, []))
    assert np.all(np.isfinite(found.floor.level_dbm))
    assert not any(carrier.kind == "modulated" for carrier in found.carriers)
