"""Carriers, tones, signs: the mean spectrum against closed forms, and what the truth says of it."""

import math

import numpy as np
import pytest

from spectra.errors import SceneError
from spectra.plan.chain import LoState, ReceiveChain
from spectra.simulate import (
    Analyser,
    Emission,
    ExtraCarrier,
    Interferer,
    Receive,
    ReceiveLine,
    Sky,
    Spectrum,
    Tone,
    Transponder,
    carriers_in_sweep,
    expected_power_mw,
    received_spectrum,
    sweep_spectrum,
)

DENSITY = -140.0
ENBW = 1.0644670194312262  # sqrt(pi / (4 ln 2)) RBW, Gaussian [D]


def analyser(start=1100e6, stop=1300e6, points=2001, rbw=100e3, **keys):
    return Analyser(start, stop, points, rbw, **{"rounding_db": 0.0, **keys})


def db(value):
    return 10.0 * np.log10(value)


def over_noise(spectrum, one):
    """Expected power less the noise of an empty line, in density (mW/Hz)."""
    noise = expected_power_mw(Spectrum(spectrum.density_dbm_hz, spectrum.line), one)
    return (expected_power_mw(spectrum, one) - noise) / (ENBW * one.rbw_hz)


@pytest.mark.parametrize(("cn", "shown"), [(-5.87, 1), (-2.33, 2), (3.35, 5), (4.74, 6), (9.54, 10), (19.96, 20)])
def test_plateau_stands_over_the_floor_as_the_ratio_arithmetic_says(cn, shown):
    """D = 10 log10(1 + 10^(C/N / 10)), table of C/N against D [D]; same form in a modem manual (transcription)."""
    one = analyser()
    spectrum = Spectrum(DENSITY).with_carrier(1200e6, 30e6, 0.2, cn)
    level = db(expected_power_mw(spectrum, one))
    assert level[1000] - db(expected_power_mw(Spectrum(DENSITY), one))[1000] == pytest.approx(shown, abs=0.006)


@pytest.mark.parametrize("roll_off", [0.05, 0.2, 0.35])
def test_half_power_at_half_the_symbol_rate(roll_off):
    """Raised cosine: -3.01 dB at Rs/2 for every roll-off [D], shape of EN 302 307-1 clause 5.6 (from memory)."""
    spectrum = Spectrum(DENSITY).with_carrier(1200e6, 20e6, roll_off, 15.0)
    shape = over_noise(spectrum, analyser(points=4001, rbw=50e3))
    at = {f: shape[round((f - 1100e6) / 50e3)] for f in (1200e6, 1210e6, 1190e6)}
    assert db(at[1210e6] / at[1200e6]) == pytest.approx(-3.0103, abs=0.005)
    assert at[1190e6] == pytest.approx(at[1210e6], rel=1e-9)


@pytest.mark.parametrize(("roll_off", "width"), [(0.05, 0.9982), (0.20, 1.0731), (0.35, 1.1667)])
def test_ninety_nine_per_cent_of_the_power_lies_in_the_occupied_bandwidth(roll_off, width):
    """Occupied bandwidth of the shape in symbol rates, 0.5 % outside on each side (RR No. 1.153, transcription) [D]."""
    rate = 40e6
    spectrum = Spectrum(DENSITY).with_carrier(1200e6, rate, roll_off, 15.0)
    one = analyser(points=8001, rbw=25e3)
    share = np.cumsum(over_noise(spectrum, one))
    share /= share[-1]
    low, high = np.interp([0.005, 0.995], share, one.frequency_hz)
    assert (high - low) / rate == pytest.approx(width, abs=4e-4)
    truth = carriers_in_sweep(spectrum, one)[0]
    assert truth.occupied_bandwidth_hz == pytest.approx(width * rate, rel=1e-4)


@pytest.mark.parametrize(("rate", "rbw"), [(300e3, 1000e3), (300e3, 100e3), (1e6, 300e3), (27.5e6, 1e6)])
def test_power_is_kept_however_narrow_the_carrier(rate, rbw):
    """Integral of the trace's density is the carrier's power, C = N0 + C/N + 10 log10 Rs (C/N arithmetic [D])."""
    spectrum = Spectrum(DENSITY).with_carrier(1200.0123e6, rate, 0.25, 10.0)
    one = analyser(rbw=rbw)
    total = over_noise(spectrum, one).sum() * 0.1e6
    assert db(total) == pytest.approx(DENSITY + 10.0 + 10 * math.log10(rate), abs=0.005)
    truth = carriers_in_sweep(spectrum, one)[0]
    assert truth.power_dbm == pytest.approx(db(total), abs=0.005)
    assert truth.cn0_dbhz == pytest.approx(10.0 + 10 * math.log10(rate), abs=0.003)  # own noise 34 dB down
    assert truth.cn_db == pytest.approx(10.0, abs=0.003)


@pytest.mark.parametrize(("poles", "at_half_rbw"), [(None, -3.0103), (4, -3.0103)])
def test_a_tone_shows_the_filter(poles, at_half_rbw):
    """A CW traces the filter: its own power at the centre, half at RBW/2 (definition of the 3 dB width)."""
    spectrum = Spectrum(DENSITY, tones=(Tone(1200e6, -60.0),))
    one = analyser(rbw=200e3, poles=poles)
    tone = expected_power_mw(spectrum, one) - expected_power_mw(Spectrum(DENSITY), one)
    level = db(tone[999:1002])
    assert level == pytest.approx([-60.0 + at_half_rbw, -60.0, -60.0 + at_half_rbw], abs=1e-3)


def test_a_strong_tone_is_not_lowered_by_a_log_average():
    """The 2.51 dB bias is of noise only: CW to noise read on a log-averaged trace is 2.51 dB too good [D]."""
    spectrum = Spectrum(DENSITY, tones=(Tone(1200e6, -50.0),))
    level = sweep_spectrum(spectrum, analyser(detector="log_average", readings=50, averages=10), 1).level_dbm
    assert level[1000] == pytest.approx(-50.0, abs=0.01)
    assert level[:900].mean() == pytest.approx(DENSITY + 10 * math.log10(ENBW * 100e3) - 2.5068, abs=0.1)


def test_a_carrier_is_lowered_as_noise_is():
    """A modulated carrier is noise-like: log average reads it 2.51 dB low too, so C/N keeps [D]."""
    spectrum = Spectrum(DENSITY).with_carrier(1200e6, 30e6, 0.2, 20.0)
    one = analyser(detector="log_average", readings=50, averages=10, mode="slow")
    level = sweep_spectrum(spectrum, one, 1).level_dbm[900:1101]
    assert (level - db(expected_power_mw(spectrum, one))[900:1101]).mean() == pytest.approx(-2.5068, abs=0.1)


def chain(injection):
    lo = 10_600e6 if injection == "low" else 5150e6
    state = LoState("only", lo, injection, 3e9, 13e9, "V", tolerance_hz=2e6)
    return ReceiveChain("test", 950e6, 2150e6, (state,)), lo


@pytest.mark.parametrize(("injection", "sign"), [("low", -1.0), ("high", +1.0)])
def test_lo_error_moves_carriers_down_on_the_low_side_and_up_on_the_high_side(injection, sign):
    """IF_low = RF - LO, IF_high = LO - RF: an LO error e moves every carrier by -e or +e [D]."""
    receiver, lo = chain(injection)
    rf = lo + 1300e6 if injection == "low" else lo - 1300e6
    carriers = [ExtraCarrier(12.0, rf_hz=rf, symbol_rate_bd=5e6)]
    for error in (0.0, 700e3):
        spectrum = received_spectrum(Sky(), Receive("only", error), None, receiver, carriers=carriers)
        truth = carriers_in_sweep(spectrum, analyser(1200e6, 1400e6))[0]
        assert truth.true_if_hz == pytest.approx(1300e6 + sign * error, abs=1e-3)
        shape = over_noise(spectrum, analyser(1200e6, 1400e6))
        centroid = (shape * analyser(1200e6, 1400e6).frequency_hz).sum() / shape.sum()
        assert centroid == pytest.approx(1300e6 + sign * error, abs=2e3)


def test_positive_ppm_shows_carriers_too_high():
    """analyser_ppm = (displayed - true) / true x 1e6: +100 ppm shows 2000 MHz at 2000.2 MHz."""
    spectrum = Spectrum(DENSITY).with_tone(2000e6, 85.0)
    one = analyser(1999e6, 2001e6, 2001, 10e3, reference_ppm=100.0)
    level = expected_power_mw(spectrum, one)
    assert one.frequency_hz[np.argmax(level)] == pytest.approx(2000.2e6, abs=1e3)
    assert carriers_in_sweep(spectrum, one)[0].centre_hz == pytest.approx(2000.2e6, abs=1.0)
    assert carriers_in_sweep(spectrum, one)[0].true_if_hz == 2000e6


def test_negative_tilt_lowers_the_upper_end_of_floor_and_carriers():
    """tilt_db = floor at stop minus start; carriers come down the same line, so C/N keeps."""
    line = ReceiveLine(1100e6, 1300e6, tilt_db=-8.0)
    spectrum = Spectrum(DENSITY, line).with_carrier(1120e6, 5e6, 0.2, 10.0).with_carrier(1280e6, 5e6, 0.2, 10.0)
    one = analyser()
    floor = db(expected_power_mw(Spectrum(DENSITY, line), one))
    assert floor[-1] - floor[0] == pytest.approx(-8.0, abs=0.01)
    low, high = carriers_in_sweep(spectrum, one)
    assert high.power_dbm - low.power_dbm == pytest.approx(-8.0 * 160 / 200, abs=0.01)
    assert high.cn_db == pytest.approx(low.cn_db, abs=0.01)


def test_ripple_and_edges():
    line = ReceiveLine(1100e6, 1300e6, ripple_db=2.0, ripple_period_hz=40e6, high_edge_hz=1290e6, edge_width_hz=10e6)
    gain = line.gain_db(np.array([1110e6, 1130e6, 1150e6, 1290e6, 1299e6]))
    assert gain[:3] == pytest.approx([1.0, -1.0, 1.0], abs=1e-9)  # sine of 40 MHz period, 2 dB peak to peak
    assert gain[3] == pytest.approx(-15.0 + math.sin(2 * math.pi * 190 / 40), abs=1e-9)
    assert gain[4] < -28.0


def test_transponder_noise_lifts_the_floor_under_its_carriers():
    receiver, lo = chain("low")
    bands = [Transponder(lo + 1200e6, 36e6, 3.0103)]
    spectrum = received_spectrum(Sky(), Receive("only", density_dbm_hz=DENSITY), None, receiver, transponders=bands)
    level = db(expected_power_mw(spectrum, analyser()))
    assert level[1000] - level[0] == pytest.approx(3.0103, abs=2e-3)
    assert carriers_in_sweep(spectrum, analyser()) == ()


def test_what_comes_by_the_cable_keeps_its_frequency_and_level():
    """An emitter by the cable keeps its IF when the LO moves; one through the antenna moves with it."""
    receiver, lo = chain("low")
    both = [
        Interferer("cable", "cw", if_hz=1150e6, power_dbm=-70.0),
        Interferer("antenna", "modulated", rf_hz=lo + 1250e6, power_dbm=-60.0, width_hz=1e6),
        Interferer("hump", "hump", if_hz=1200e6, cn_db=3.0, width_hz=20e6),
    ]
    line = ReceiveLine(1100e6, 1300e6, tilt_db=-10.0)
    for error in (0.0, 500e3):
        receive = Receive("only", error, DENSITY, line)
        spectrum = received_spectrum(Sky(), receive, None, receiver, interferers=both)
        truth = {one.name: one for one in carriers_in_sweep(spectrum, analyser())}
        assert truth["cable"].centre_hz == 1150e6 and truth["cable"].power_dbm == -70.0
        assert truth["antenna"].centre_hz == pytest.approx(1250e6 - error)
        assert truth["antenna"].power_dbm == pytest.approx(-60.0, abs=1e-3)
        assert truth["hump"].kind == "other"
        level = db(expected_power_mw(spectrum, analyser()))
        floor = db(expected_power_mw(Spectrum(DENSITY, line), analyser()))
        assert (level - floor)[1000] == pytest.approx(db(1 + 10**0.3), abs=0.02)  # density 3 dB over the floor's


def test_a_burst_is_on_in_its_share_of_sweeps():
    """Duty 0.3: the rms mean over many sweeps holds 0.3 of the power, the max hold all of it."""
    burst = Emission(1200e6, 20e6, 0.2, DENSITY + 20 + 10 * math.log10(20e6), duty=0.3)
    spectrum = Spectrum(DENSITY, emissions=(burst,))
    keys = {"points": 51, "start": 1195e6, "stop": 1205e6, "readings": 20, "averages": 400}
    mean = 10 ** (sweep_spectrum(spectrum, analyser(**keys), 3).level_dbm / 10)
    noise = 10 ** (DENSITY / 10) * ENBW * 100e3
    assert mean.mean() / noise == pytest.approx(1 + 0.3 * 100, rel=0.25)  # share of 400: std 7.6 %
    least = sweep_spectrum(spectrum, analyser(**keys, trace_mode="min_hold"), 3).level_dbm
    most = sweep_spectrum(spectrum, analyser(**keys, trace_mode="max_hold"), 3).level_dbm
    assert db(noise) - 8 < least.mean() < db(noise) and most.mean() > db(noise) + 20


def test_compression_lowers_everything_by_one_db_at_the_stated_power():
    spectrum = Spectrum(DENSITY, tones=(Tone(1200e6, -30.0),))
    free = sweep_spectrum(spectrum, analyser(), 1).level_dbm
    pressed = sweep_spectrum(spectrum, analyser(compression_1db_dbm=-30.0), 1).level_dbm
    assert free - pressed == pytest.approx(1.0, abs=3e-3)  # the span's noise adds 0.2 % to the tone's power
    easy = sweep_spectrum(spectrum, analyser(compression_1db_dbm=0.0), 1).level_dbm
    assert free - easy == pytest.approx(0.0, abs=2e-3)


def test_level_error_rounding_and_limits_of_the_display():
    spectrum = Spectrum(DENSITY, tones=(Tone(1200e6, -30.0),))
    exact = sweep_spectrum(spectrum, analyser(), 1).level_dbm
    shown = sweep_spectrum(spectrum, analyser(level_error_db=1.25, rounding_db=0.5), 1).level_dbm
    assert np.abs(shown - (exact + 1.25)).max() <= 0.25 + 1e-9
    assert np.array_equal(shown * 2, np.round(shown * 2))
    clipped = sweep_spectrum(spectrum, analyser(clip_low_dbm=-90.0, clip_high_dbm=-40.0), 1).level_dbm
    assert clipped.min() == -90.0 and clipped.max() == -40.0
    assert carriers_in_sweep(spectrum, analyser(level_error_db=1.25))[0].power_dbm == -28.75


@pytest.mark.parametrize(
    ("centre", "inside"), [(1200e6, "full"), (1102e6, "partial"), (1098e6, "partial"), (1090e6, "none")]
)
def test_truth_says_how_much_of_a_carrier_the_span_shows(centre, inside):
    spectrum = Spectrum(DENSITY).with_carrier(centre, 5e6, 0.2, 10.0)
    assert carriers_in_sweep(spectrum, analyser())[0].in_span == inside


@pytest.mark.parametrize(
    "keys",
    [
        {"stop": 1000e6},
        {"points": 1},
        {"rbw": 0.0},
        {"rbw": math.nan},
        {"averages": 0},
        {"detector": "quasi_peak"},
        {"mode": "swift"},
        {"trace_mode": "clear_write", "averages": 5},
        {"own_noise_dbm_hz": -190.0},
        {"poles": 1},
    ],
)
def test_impossible_settings_are_refused(keys):
    with pytest.raises(SceneError, match="analyser"):
        analyser(**keys)


@pytest.mark.parametrize("field", [{"symbol_rate_bd": 0.0}, {"roll_off": 1.5}, {"power_dbm": math.inf}, {"duty": 2.0}])
def test_impossible_emissions_are_refused(field):
    with pytest.raises(SceneError):
        Emission(**{"centre_hz": 1e9, "symbol_rate_bd": 1e6, "roll_off": 0.2, "power_dbm": -60.0, **field})


def test_a_swept_bucket_catches_a_tone_between_points_and_a_tuned_point_does_not():
    """Spacing 10 RBW: halfway between points a Gaussian filter is 300 dB down; a swept one passes over the tone."""
    spectrum = Spectrum(DENSITY).with_tone(1200.5e6, 90.0)
    keys = {"points": 201, "rbw": 100e3, "detector": "peak", "readings": 40}
    tuned = sweep_spectrum(spectrum, analyser(**keys), 1).level_dbm
    swept = sweep_spectrum(spectrum, analyser(**keys, tuning="bucket"), 1).level_dbm
    assert tuned.max() < DENSITY + 50 + 15
    assert swept.max() == pytest.approx(DENSITY + 90.0, abs=1.0)


@pytest.mark.parametrize("mode", ["fast", "slow"])
@pytest.mark.parametrize("seed", range(4))
def test_more_of_everything_shifts_the_levels_and_nothing_else(seed, mode):
    """Law: all densities and powers x dB higher, the same readings give levels x dB higher."""
    shift = float(np.random.default_rng(seed).uniform(-20.0, 20.0))
    made = []
    for change in (0.0, shift):
        spectrum = Spectrum(DENSITY + change).with_carrier(1200e6, 8e6, 0.25, 9.0).with_tone(1250e6, 65.0)
        one = analyser(points=301, readings=3, averages=2, mode=mode, own_noise_dbm_hz=-150.0 + change)
        made.append(sweep_spectrum(spectrum, one, seed).level_dbm)
    assert made[1] - made[0] == pytest.approx(shift, abs=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_the_whole_scene_moved_in_frequency_is_the_same_sweep(seed):
    """Law: span and signals moved together give the same levels (a line without tilt has no memory of frequency)."""
    shift = float(np.random.default_rng(seed).integers(-50, 50)) * 1e6
    made = []
    for move in (0.0, shift):
        spectrum = Spectrum(DENSITY).with_carrier(1200e6 + move, 8e6, 0.25, 9.0).with_tone(1250e6 + move, 65.0)
        made.append(sweep_spectrum(spectrum, analyser(1100e6 + move, 1300e6 + move, 301), seed).level_dbm)
    assert made[1] == pytest.approx(made[0], abs=1e-5)


def test_memory_does_not_grow_with_readings():
    """Readings are drawn in chunks: 600 readings of a 16 000-cell grid would be 160 MB at once, several times over."""
    import tracemalloc

    one = Analyser(950e6, 2150e6, 1001, 300e3, readings=600)
    sweep_spectrum(Spectrum(DENSITY), one, 0)
    tracemalloc.start()
    sweep_spectrum(Spectrum(DENSITY), one, 1)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 120e6
