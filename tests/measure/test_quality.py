import re
from pathlib import Path

import numpy as np
import pytest

from spectra import readers
from spectra.measure import measure
from spectra.measure.quality import _READER_TITLES, RULES
from spectra.sweep import Origin, Settings, Sweep

F = 1.5e9 + 1e5 * np.arange(801)


def noise(seed=1, readings=20):
    return -95.0 + 10.0 * np.log10(np.random.default_rng(seed).gamma(readings, 1.0 / readings, F.size))


def codes(level, warnings=(), **settings):
    settings.setdefault("rbw_hz", 1e5)
    settings.setdefault("detector", "rms")
    sweep = Sweep(F, level, Settings(**settings), Origin(file="noon.csv", warnings=tuple(warnings)))
    return {f.code: f for f in measure(sweep).findings}


def test_a_good_sweep_raises_no_finding():
    assert codes(noise(), averages=10, trace_mode="average") == {}


@pytest.mark.parametrize(
    ("code", "level", "settings"),
    [
        ("quality.flat_trace", np.full(F.size, -90.0), {}),
        ("quality.flat_trace", np.r_[np.tile(noise()[:400], 2), -95.0], {}),
        ("quality.overload", np.minimum(noise() + 3.0, -92.5), {"reference_level_dbm": -92.5}),
        ("quality.overload", noise(), {"reference_level_dbm": -98.0}),
        ("quality.rbw_unknown", noise(), {"rbw_hz": None}),
        ("quality.points_too_few", noise(), {"rbw_hz": 3e4}),
        ("quality.points_correlated", noise(), {"rbw_hz": 1e6}),
        ("quality.video_filter", noise(), {"detector": "sample", "vbw_hz": 1e4}),
        ("quality.no_averaging", noise(readings=1), {}),
        ("quality.max_hold", noise(), {"trace_mode": "max_hold"}),
        ("quality.max_hold", noise(), {"detector": "peak"}),
        ("quality.average_assumed", noise(), {"detector": "sample", "averages": 16}),
        ("quality.average_assumed", noise(), {"detector": None}),
        ("quality.readings_disagree", noise(readings=8), {"averages": 100}),
    ],
)
def test_each_fault_is_told(code, level, settings):
    """Limits are common practice, no source."""
    found = codes(level, **settings)[code]
    assert found.explanation
    assert found.next_steps
    assert found.subjects.captures == ("noon.csv",)


def test_readers_warnings_become_findings():
    found = codes(noise(), warnings=["quality.points_disagree: header says 801, file has 800", "something else"])
    assert found["quality.points_disagree"].explanation == "header says 801, file has 800."
    assert found["quality.reader_warning"].explanation == "something else."


def test_blurred_carrier_is_told(scenes):
    setting = scenes.Setting(rbw_hz=1e6, readings=50)
    sweep = scenes.sweep(np.random.default_rng(2), setting, [scenes.Signal(1550e6, 1.5e6, 0.2, 20.0)])
    found = {f.code: f for f in measure(sweep).findings}
    assert found["quality.carriers_blurred"].subjects.carriers == (0,)


def test_floor_that_no_gap_shows_is_told(scenes):
    signals = [scenes.Signal(1424e6 + 36e6 * k, 33e6, 0.1, 12.0 + k % 3) for k in range(8)]
    setting = scenes.Setting(span_hz=340e6, rbw_hz=1e6, readings=50)
    measurement = measure(scenes.sweep(np.random.default_rng(2), setting, signals))
    hidden = [c for c in measurement.carriers if "floor_not_seen" in c.flags]
    assert hidden
    for carrier in hidden:
        assert carrier.cn_db is None
        assert carrier.cn_lower_bound_db is None or carrier.cn_lower_bound_db < 15.0
    assert "quality.floor_not_seen" in {f.code for f in measurement.findings}


def test_codes_are_unique():
    assert len({rule.code for rule in RULES}) == len(RULES)


def test_lines_stairs_repeats_and_worked_out_points_are_told(campaign):
    """What noise is not follows from what it is: independent from one RBW to the next (derived)."""
    module = campaign("quality_flat_traces")
    for seed in range(4):
        for kind, level in module.dead_traces(np.random.default_rng(seed)).items():
            for step_db in (0.0, 0.001, 0.01):
                if "stretched" in kind and step_db == 0.01:
                    continue  # where rounding hides which points lie between
                assert module.told(module.rounded(level, step_db), 100e3), (kind, step_db, seed)


def test_true_sweeps_are_not_told(campaign):
    """Video smoothing, max hold, wide RBW, very many averages, levels in steps up to 0.1 dB."""
    true, _ = campaign("quality_flat_traces").run(2, seed=77)
    assert {key: n for key, n in true.items() if key[0] != "alike" and key[1] < 0.5} == {}


def test_worked_out_points_are_less_than_a_fault():
    half = noise()[:401]
    found = codes(np.interp(np.arange(801), 2 * np.arange(401), half))["quality.flat_trace"]
    assert (found.severity, found.title) == ("warning", "Points of the trace are interpolated")
    # the bottom of the screen is named where most of a trace lies on it
    clipped = codes(np.maximum(noise(readings=2), -94.0))["quality.flat_trace"]
    assert "bottom of the screen" in clipped.explanation


def test_every_warning_of_the_readers_has_a_title_of_its_own():
    """Codes are looked up where they are made: in the text of the readers."""
    made = set()
    for path in Path(readers.__file__).parent.rglob("*.py"):
        made |= set(re.findall(r"quality\.[a-z_{}]+(?=: )", path.read_text(encoding="utf-8")))
    made |= {f"quality.{what}_disagrees" for what in ("start", "stop")}
    made -= {"quality.{what}_disagrees"}
    assert len(made) > 15
    assert made <= set(_READER_TITLES)
