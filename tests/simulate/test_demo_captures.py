"""The demo's sweeps come from its scenes, and its files belong together."""

import itertools
import tomllib
from pathlib import Path

import numpy as np
import pytest

from spectra.identify.identification import VERDICTS
from spectra.plan import load_chain, load_table
from spectra.readers import read_sweep
from spectra.simulate import load_scene, simulate, truth_of

DEMO = Path(__file__).resolve().parents[2] / "captures_demo"
SCENES = sorted((DEMO / "scenes").glob("*.toml"))


def demo():
    return tomllib.loads((DEMO / "demo.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("scene", SCENES, ids=lambda path: path.stem)
def test_scenes_make_the_committed_sweeps_again(scene, tmp_path):
    """Within one rounding step of 0.01 dB, for floating-point differences between platforms."""
    for made in simulate(scene, tmp_path):
        kept = DEMO / made.name
        new, old = read_sweep(made), read_sweep(kept)
        assert np.array_equal(new.frequency_hz, old.frequency_hz)
        assert np.abs(new.level_dbm - old.level_dbm).max() <= 0.0101
        for name, level in old.traces.items():
            assert np.abs(new.traces[name] - level).max() <= 0.0101
        sidecars = [path.with_name(path.name + ".toml").read_text(encoding="utf-8") for path in (made, kept)]
        assert tomllib.loads(sidecars[0]) == tomllib.loads(sidecars[1])


def test_every_sweep_has_a_scene_and_a_place_in_the_demo():
    by_scenes = {sweep.file for path in SCENES for sweep in load_scene(path).sweeps}
    kept = {path.name for path in DEMO.glob("*.csv")} - {"carriers.csv"}
    shown = {name for step in demo()["step"] for name in step["files"]}
    assert by_scenes == kept == shown
    readme = (DEMO / "README.md").read_text(encoding="utf-8")
    assert all(name in readme for name in kept)


def test_steps_name_what_table_and_chain_know():
    told, table, chain = demo(), load_table(DEMO / demo()["table"]), load_chain(DEMO / demo()["chain"])
    satellites = set(table.text["satellite"])
    for step in told["step"]:
        states = step["lo_state"] if isinstance(step["lo_state"], list) else [step["lo_state"]]
        assert all(chain.state(name) for name in states)
        assert step["expect"].split("/")[0] in satellites
        if step["command"] == "identify":
            assert step["verdict"] in VERDICTS
        if "satellite" in step:
            assert step["satellite"] in satellites and chain.state(step["found_lo_state"])


def test_what_the_demo_promises_is_what_the_scenes_hold():
    """Satellite, LO state and polarisation of each step against the truth of its sweeps."""
    scenes = [load_scene(path) for path in SCENES]
    truths = {sweep.file: truth_of(scene, sweep) for scene in scenes for sweep in scene.sweeps}
    for step in demo()["step"]:
        for truth in (truths[file] for file in step["files"]):
            if "satellite" in step:
                assert truth["satellite"] == step["satellite"] and truth["polarisation"] == step["polarisation"]
                assert truth["lo_state"] == step["found_lo_state"]
            elif step.get("verdict") == "no carriers":
                assert truth["satellite"] is None and truth["carriers"] == []


def test_the_table_is_of_the_size_and_kinds_that_the_demo_needs():
    table = load_table(DEMO / "carriers.csv")
    rows = list(table)
    assert not table.warnings
    satellites = {row.satellite for row in rows}
    assert len(satellites) == 3
    for satellite in satellites:
        own = [row for row in rows if row.satellite == satellite]
        assert 12 <= len(own) <= 25
        for polarisation in "HV":
            for low, high in ((10.7e9, 11.7e9), (11.7e9, 12.75e9)):
                assert any(row.polarisation == polarisation and low <= row.rf_hz < high for row in own)
    rates = [row.symbol_rate_bd for row in rows if row.symbol_rate_bd]
    assert min(rates) == 300e3 and max(rates) == 40e6
    assert sum(row.service for row in rows) == 1
    assert any(row.kind == "cw" for row in rows)
    references = [row.reference_cn_db for row in rows if row.reference_cn_db is not None]
    assert min(references) >= 5.0 and max(references) <= 16.0


def test_carriers_of_one_list_do_not_overlap():
    for one in load_table(DEMO / "carriers.csv").lists:
        rows = [load_table(DEMO / "carriers.csv").row(int(index)) for index in one.rows]
        for left, right in itertools.pairwise(rows):
            gap = right.rf_hz - left.rf_hz - 0.5 * ((left.bandwidth_hz or 0.0) + (right.bandwidth_hz or 0.0))
            assert gap > 0.0, (left, right)


def test_an_oscillator_is_the_same_in_every_step_of_the_demo():
    """Of one LNB and LO, two sweeps a day apart or less differ by less than ageing and a day's temperature explain."""
    truths: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for scene in (load_scene(path) for path in SCENES):
        for sweep in scene.sweeps:
            truth, told = truth_of(scene, sweep), sweep.context
            if truth["satellite"] is not None:
                lo_hz = scene.chain.state(truth["lo_state"]).lo_hz
                key = (f"{told['terminal']}, {told['lnb']}", f"{lo_hz:g}")
                truths.setdefault(key, []).append((sweep.captured_at.timestamp() / 86400.0, truth["lo_error_hz"]))
    assert len(truths) > 2
    for errors in truths.values():
        for (day, error), (later, other) in itertools.pairwise(sorted(errors)):
            assert abs(other - error) < 100e3 * max(1.0, later - day)
