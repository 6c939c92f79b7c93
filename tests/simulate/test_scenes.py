"""Scenes: what a person writes, what comes out, and what a slip is told."""

import json
import math
import tomllib

import numpy as np
import pytest

from spectra.capture import read_context
from spectra.errors import SceneError, SpectraError
from spectra.simulate import (
    Analyser,
    Receive,
    Sky,
    carriers_in_sweep,
    load_scene,
    received_polarisation,
    received_spectrum,
    simulate,
    simulate_sweep,
    spectrum_for_sweep,
    truth_of,
)


def truth(scene_file, **edit):
    scene = load_scene(scene_file(**edit))
    return {one["table_line"]: one for one in truth_of(scene, scene.sweeps[0])["carriers"]}


def test_a_scene_makes_its_sweeps_with_context_and_truth(scene_file, tmp_path):
    paths = simulate(scene_file(), tmp_path / "out", truth=True)
    assert [path.name for path in paths] == ["wide.csv"]
    names = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert names == ["wide.csv", "wide.csv.toml", "wide.csv.truth.json"]
    context = read_context(tmp_path / "out" / "wide.csv.toml")
    assert (context.vessel, context.port, context.lo_state) == ("Test bed", "co", "one V")
    assert context.captured_at.isoformat() == "2026-05-04T10:00:00+00:00" and not context.assumptions
    told = json.loads((tmp_path / "out" / "wide.csv.truth.json").read_text(encoding="utf-8"))
    assert (told["satellite"], told["polarisation"], told["lo_error_hz"]) == ("Alder", "V", 250e3)


def test_the_public_face_simulates_whichever_was_imported_first(scene_file, tmp_path):
    import spectra
    import spectra.simulate as room

    assert (
        room(scene_file(), tmp_path / "a")[0].read_bytes()
        == spectra.simulate(scene_file(), tmp_path / "b")[0].read_bytes()
    )


def test_no_truth_unless_asked(scene_file, tmp_path):
    simulate(scene_file(), tmp_path / "out")
    assert sorted(path.suffix for path in (tmp_path / "out").iterdir()) == [".csv", ".toml"]


def test_rows_become_carriers_where_the_lo_puts_them(scene_file):
    """IF = RF - LO - error on the low side; C/N as the table says; leakage 20 dB down [D]."""
    lines = truth(scene_file)
    assert lines[2]["true_if_hz"] == 10950e6 - 9750e6 - 250e3
    assert lines[2]["cn_db"] == pytest.approx(11.0, abs=0.01)  # own noise takes 0.002 dB
    assert lines[4]["role"] == "leakage" and lines[4]["cn_db"] == pytest.approx(9.0 - 20.0, abs=0.01)
    assert lines[3]["kind"] == "cw" and lines[3]["cn0_dbhz"] == pytest.approx(72.0, abs=0.01)
    assert 5 not in lines  # another satellite


def test_missing_rows_neighbours_and_offsets(scene_file):
    sky = 'satellite = "Alder"\nmissing_lines = [3]\ncn_offset_db = -1.5\n'
    sky += 'neighbour = [{ satellite = "Birch", down_db = 14 }]'
    lines = truth(scene_file, old='satellite = "Alder"', new=sky)
    assert 3 not in lines
    assert lines[2]["cn_db"] == pytest.approx(9.5, abs=0.01)
    assert lines[5]["role"] == "neighbour" and lines[5]["cn_db"] == pytest.approx(12.0 - 1.5 - 14.0, abs=0.01)


def test_spread_is_seeded_and_from_row_to_row(scene_file):
    new = 'satellite = "Alder"\ncn_spread_db = 2.0'
    first, again = (truth(scene_file, old='satellite = "Alder"', new=new) for _ in range(2))
    assert first == again
    changes = [first[2]["cn_db"] - 11.0, first[4]["cn_db"] + 11.0]
    assert all(0.0 < abs(change) < 8.0 for change in changes) and changes[0] != changes[1]


def test_the_sidecar_tells_the_commanded_state_and_the_truth_the_real_one(scene_file, tmp_path):
    path = scene_file(old='port = "co"', new='commanded_lo_state = "two H"')
    simulate(path, tmp_path / "out", truth=True)
    assert read_context(tmp_path / "out" / "wide.csv.toml").lo_state == "two H"
    told = json.loads((tmp_path / "out" / "wide.csv.truth.json").read_text(encoding="utf-8"))
    assert told["lo_state"] == "one V" and told["polarisation"] == "V"


def test_a_sweep_lays_its_own_keys_over_the_scene(scene_file):
    more = """
[[sweep]]
file = "other.csv"
analyser = "wide"
centre_mhz = 1200
span_mhz = 40
detector = "peak"
lo_error_khz = -100
context = { vessel = "Other", tone_seen = true }
"""
    scene = load_scene(scene_file(more=more))
    first, other = scene.sweeps
    assert (first.analyser.start_hz, first.analyser.stop_hz) == (1150e6, 1300e6)
    assert (other.analyser.start_hz, other.analyser.stop_hz) == (1180e6, 1220e6)
    assert (other.analyser.detector, other.analyser.rbw_hz, other.receive.lo_error_hz) == ("peak", 500e3, -100e3)
    assert other.context["vessel"] == "Other" and first.context["vessel"] == "Test bed"


def test_a_sweep_keeps_its_noise_when_another_is_put_before_it(scene_file):
    """Seeds go by file name."""
    alone = load_scene(scene_file())
    before = '[[sweep]]\nfile = "new.csv"\nanalyser = "wide"\n\n[[sweep]]\nfile = "wide.csv"'
    both = load_scene(scene_file(old='[[sweep]]\nfile = "wide.csv"', new=before))
    levels = [simulate_sweep(scene, scene.sweeps[-1]).level_dbm for scene in (alone, both)]
    assert np.array_equal(*levels)
    assert not np.array_equal(levels[0], simulate_sweep(both, both.sweeps[0]).level_dbm)


def test_without_an_lnb_only_pick_up_remains(scene_file):
    more = '[[interferer]]\nname = "cable"\nkind = "cw"\nif_mhz = 1200\npower_dbm = -80\n'
    more += '[[interferer]]\nname = "sky"\nkind = "cw"\nrf_mhz = 10990\npower_dbm = -80\n'
    scene = load_scene(scene_file(old="density_dbm_hz = -140", new="no_lnb = true", more=more))
    found = truth_of(scene, scene.sweeps[0])
    assert [one["name"] for one in found["carriers"]] == ["cable"]
    assert found["density_dbm_hz"] is None
    assert simulate_sweep(scene, scene.sweeps[0]).level_dbm[0] < -113  # thermal -174 + 57 dB, and the tone is far off


def test_leakage_of_a_skewed_feed_shows_at_the_isolation_told(scene_file):
    """Skew of 4.55 deg: 20 log10 cot = 22 dB between the ports, table of misalignment [D]."""
    isolation = 20 * math.log10(1 / math.tan(math.radians(4.55)))
    scene = load_scene(scene_file())
    receive = Receive("one V", 0.0)
    powers = []
    for polarisation in ("V", "H"):
        sky = Sky("Alder", polarisation=polarisation, leakage_db=isolation)
        chain = _without_polarisation(scene.chain)
        spectrum = received_spectrum(sky, receive, scene.table, chain)
        found = carriers_in_sweep(spectrum, Analyser(950e6, 2150e6, 1001, 1e6))
        powers.append(next(one.power_dbm for one in found if one.table_line == 2))
    assert powers[0] - powers[1] == pytest.approx(22.0, abs=0.05)


def _without_polarisation(chain):
    from dataclasses import replace

    return replace(chain, lo_states=tuple(replace(state, polarisation=None) for state in chain.lo_states))


def test_the_lo_state_decides_the_polarisation(scene_file):
    chain = load_scene(scene_file()).chain
    assert received_polarisation(Sky("Alder", polarisation="H"), Receive("one V"), chain) == "V"
    assert received_polarisation(Sky("Alder", polarisation="H"), Receive("one V"), _without_polarisation(chain)) == "H"


@pytest.mark.parametrize(
    ("old", "new", "column", "hint"),
    [
        ("rbw_khz = 500", "rwb_khz = 500", "analyser.wide.rwb_khz", "rbw_khz"),
        ("rbw_khz = 500", "rbw_khz = -3", "analyser.wide.rbw_khz", "above 0"),
        ("points = 301", "points = 1", "analyser.wide.points", "2 or more"),
        ("points = 301", 'points = "many"', "analyser.wide.points", "whole number"),
        ("stop_mhz = 1300", "stop_mhz = 1100", "analyser.wide.stop_hz", "more than start_hz"),
        ("averages = 4", 'detector = "quasi"', "analyser.wide.detector", "log_average"),
        ("averages = 4", 'averages = 4\ntrace_mode = "clear_write"', "analyser.wide.averages", "clear_write"),
        ("seed = 9", "seed = -1", "scene.seed", "0 or more"),
        ('name = "bench"', "", "scene.name", "Add a line"),
        ("leakage_db = 20", "leak_db = 20", "sky.leak_db", "leakage_db"),
        ("leakage_db = 20", "leakage_db = true", "sky.leakage_db", "a number"),
        ("leakage_db = 20", 'missing_lines = "3"', "sky.missing_lines", "array"),
        ("lo_error_khz = 250", "lo_error_khz = nan", "receive.lo_error_khz", "a number"),
        ('analyser = "wide"', 'analyser = "wild"', "sweep[0].analyser", "wide"),
        ('file = "wide.csv"', 'file = "a/wide.csv"', "sweep[0].file", "bare file name"),
        ('file = "wide.csv"', 'file = "wide.csv"\nlayout = "fancy"', "sweep[0].layout", "preamble"),
        ('port = "co"', 'port = "left"', "sweep[0].port", "cross"),
        ("2026-05-04T10:00:00Z", '"yesterday"', "sweep[0].captured_at", "2026"),
        ('port = "co"', 'interferers = ["ghost"]', "sweep[0].interferers", "none defined"),
        ('port = "co"', 'context = { role = "odd" }', "sweep[0].context", "off_satellite"),
        ('port = "co"', "rbw_khz = 0", "sweep[0].rbw_khz", "above 0"),
        ('port = "co"', "satellite = 7", "sweep[0].satellite", "text"),
        ("[context]", "[contexts]", "contexts", "context"),
    ],
)
def test_a_slip_names_its_key_its_line_and_the_remedy(scene_file, old, new, column, hint):
    path = scene_file(old=old, new=new)
    with pytest.raises(SceneError) as caught:
        load_scene(path)
    error = caught.value
    assert error.source == str(path) and error.column == column
    assert hint in str(error)
    key = column.split(".")[-1]
    text = path.read_text(encoding="utf-8").splitlines()
    if error.line is not None and new and key in new:
        assert key in text[error.line - 1]


@pytest.mark.parametrize(
    ("old", "new", "hint"),
    [
        ('satellite = "Alder"', 'satellite = "Ash"', "Alder, Birch"),
        (
            'satellite = "Alder"',
            'satellite = "Alder"\nneighbour = [{ satellite = "Ash", down_db = 3 }]',
            "Alder, Birch",
        ),
        ('satellite = "Alder"', 'satellite = "Alder"\nmissing_lines = [77]', "line 77"),
        ('lo_state = "one V"', 'lo_state = "three"', "one V, two H"),
        ('table = "carriers.csv"', "", "carrier table"),
    ],
)
def test_names_that_table_and_chain_do_not_know(scene_file, old, new, hint):
    scene = load_scene(scene_file(old=old, new=new))
    with pytest.raises(SceneError, match=hint):
        spectrum_for_sweep(scene, scene.sweeps[0])


@pytest.mark.parametrize(
    ("more", "column"),
    [
        ('[[interferer]]\nname = "x"\nkind = "cw"\npower_dbm = -80\n', "interferer[0].rf_mhz"),
        ('[[interferer]]\nname = "x"\nkind = "cw"\nif_mhz = 1200\n', "interferer[0].power_dbm"),
        ('[[interferer]]\nname = "x"\nkind = "hump"\nif_mhz = 1200\nrise_db = 3\n', "interferer[0].width_khz"),
        ('[[interferer]]\nname = "x"\nkind = "burst"\nif_mhz = 1200\npower_dbm = -80\n', "interferer[0].duty"),
        ("[[carrier]]\nif_mhz = 1200\nsymbol_rate_kbd = 300\n", "carrier[0].cn_db"),
        ("[[carrier]]\nif_mhz = 1200\ncn0_dbhz = 60\nrf_mhz = 11000\n", "carrier[0].rf_mhz"),
        ("[[transponder]]\nrf_mhz = 11000\nwidth_mhz = 36\n", "transponder[0].rise_db"),
        ('[[sweep]]\nfile = "wide.csv"\nanalyser = "wide"\n', "sweep[1].file"),
    ],
)
def test_incomplete_tables_are_refused(scene_file, more, column):
    with pytest.raises(SceneError) as caught:
        load_scene(scene_file(more=more))
    assert caught.value.column == column and caught.value.line is not None


def test_files_that_are_no_scene(tmp_path):
    for name, content in {"a.toml": b"= 3", "b.toml": b"\xff\xfe\x00", "c.toml": b""}.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(SceneError):
            load_scene(tmp_path / name)
    with pytest.raises(SceneError):
        load_scene(tmp_path / "nowhere.toml")


def test_a_file_in_the_way_is_not_written_over(scene_file, tmp_path):
    """It might be a raw capture; nothing at all is written then."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "wide.csv").write_text("raw", encoding="utf-8")
    with pytest.raises(SceneError, match="another content"):
        simulate(scene_file(), out)
    assert [path.name for path in out.iterdir()] == ["wide.csv"]
    assert (out / "wide.csv").read_text(encoding="utf-8") == "raw"
    simulate(scene_file(), out, overwrite=True)
    simulate(scene_file(), out)  # the same content again is no harm


def test_sidecars_are_toml_whatever_stands_in_them(scene_file, tmp_path):
    odd = 'context = { remark = "say \\"north\\"; ü", "odd key" = [1, 2.5], more = { deep = false } }'
    simulate(scene_file(old='port = "co"', new=odd), tmp_path / "out")
    values = tomllib.loads((tmp_path / "out" / "wide.csv.toml").read_text(encoding="utf-8"))
    assert values["remark"] == 'say "north"; ü' and values["odd key"] == [1, 2.5]
    assert values["more"] == {"deep": False}


def test_no_folder_to_write_to_is_told(scene_file, tmp_path):
    (tmp_path / "out").write_text("a file", encoding="utf-8")
    with pytest.raises(SceneError, match="another folder"):
        simulate(scene_file(), tmp_path / "out")


@pytest.mark.parametrize("name", ["carriers.csv", "chain.toml"])
def test_a_table_or_chain_that_is_not_there_is_named(scene_file, name):
    path = scene_file(old=name, new="nowhere")
    with pytest.raises(SpectraError) as caught:
        load_scene(path)
    assert caught.value.source.endswith("nowhere")
