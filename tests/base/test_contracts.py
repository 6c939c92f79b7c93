"""Contracts that outside programs rely on: data classes, JSON schemas, findings, cautions, errors."""

import json
import pickle
from datetime import UTC, datetime

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spectra import schemas
from spectra.capture import Context, context_from_mapping, read_context, sidecar_path
from spectra.cautions import CATALOGUE, required_for
from spectra.errors import ContextError, SpectraError, SweepFormatError, TableError
from spectra.finding import Evidence, Finding, NextStep, Rule, run_rules, step
from spectra.findings.comparison import Common, Comparison, Pair
from spectra.identify.identification import Candidate, Expected, Identification, RollCallEntry
from spectra.measure.measurement import CARRIER_FLAGS, CARRIER_KINDS, Carrier, Floor, Measurement
from spectra.sweep import DETECTORS, Settings, Sweep


def _schema(kind: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(schemas.load(kind))


FINDING = Finding(
    "quality.rbw_too_wide",
    "warning",
    "RBW too wide",
    "Narrow carriers merge.",
    probability=0.9,
    evidence=(Evidence("rbw", 3e5, None, "Hz", 1e5), Evidence("odd", float("nan"))),
    next_steps=(step("Sweep again with 100 kHz."),),
)
CARRIER = Carrier("modulated", 1.2e9, 1e3, cn_db=float("nan"), interval95={"cn_db": (1.0, 2.0)}, flags=("shares_edge",))


def _measurement() -> Measurement:
    f = np.linspace(1e9, 1.1e9, 5)
    sweep = Sweep.from_arrays(f, np.full(5, -90.0), rbw_hz=1e5, detector="rms", averages=4)
    floor = Floor(-90.0, -140.0, 0.1, 0.0, np.full(5, -90.0), np.full(5, 0.1), np.ones(5, bool))
    return Measurement(sweep, floor, (CARRIER,), 10.0, 1.0, 1.0, np.full(5, -90.0), (FINDING,))


def test_schemas_are_valid_schemas() -> None:
    for kind in schemas.kinds():
        jsonschema.Draft202012Validator.check_schema(schemas.load(kind))
        assert schemas.load(kind)["$id"] == f"sweepmuster/{kind}/1"
    with pytest.raises(KeyError):
        schemas.load("nothing")


def test_measurement_keeps_its_schema_and_knows_no_nan() -> None:
    value = _measurement().to_dict()
    _schema("measurement").validate(value)
    assert value["carriers"][0]["cn_db"] is None
    json.dumps(value, allow_nan=False)
    assert list(_measurement().to_frame().columns)[:2] == ["kind", "centre_hz"]


def test_measurement_schema_refuses_a_missing_key() -> None:
    value = _measurement().to_dict()
    del value["carriers"][0]["es_n0_db"]
    assert not _schema("measurement").is_valid(value)


def test_schema_lists_agree_with_the_code() -> None:
    carrier = schemas.load("measurement")["$defs"]["carrier"]["properties"]
    assert tuple(carrier["kind"]["enum"]) == CARRIER_KINDS
    assert tuple(carrier["flags"]["items"]["enum"]) == CARRIER_FLAGS
    assert set(carrier) == set(CARRIER.to_dict())
    detector = schemas.load("measurement")["properties"]["sweep"]["properties"]["detector"]["enum"]
    assert tuple(detector[:-1]) == DETECTORS


def test_identification_keeps_its_schema_and_offers_its_keys() -> None:
    best = Candidate("Alpha", 10.0, None, "H", "low", "low", 1e3, 2e2, 1.2e9, -1e3, 2e2, None, None, 12.0, 5.0, 6)
    row = RollCallEntry(2, 11000.0, 1.25e9, "present", 1.25e9, 10.0, 9.0, "")
    answer = Identification(
        "confirmed", best, True, Expected("Alpha"), (best,), (row,), ((0, CARRIER),), (FINDING,), "t.csv", "ab", 1, "c"
    )
    value = answer.to_dict()
    _schema("identification").validate(value)
    assert answer.satellite == "Alpha"
    assert answer.lo_error_hz == -1e3
    with pytest.raises(AttributeError):
        _ = answer.nothing
    assert pickle.loads(pickle.dumps(answer)).satellite == "Alpha"
    with pytest.raises(ValueError, match="verdict"):
        Identification("sure", best, True, Expected(), (), (), (), (), "", "", 0, "")


def test_comparison_keeps_its_schema() -> None:
    comparison = Comparison("polarisation", ("a.csv", "b.csv"), (Pair(isolation_db=22.0),), Common(), (FINDING,))
    _schema("comparison").validate(comparison.to_dict())


def test_batch_schema_fits_an_error() -> None:
    problem = SweepFormatError("noon.csv", 41, "'-71,4'", "a decimal point", "Export again.")
    _schema("batch").validate({"schema": "sweepmuster/batch/1", "results": [], "failed": [problem.to_dict()]})


@pytest.mark.parametrize("kind", [SpectraError, SweepFormatError, TableError])
def test_errors_say_five_things_and_survive_pickling(kind: type[SpectraError]) -> None:
    problem = pickle.loads(pickle.dumps(kind("noon.csv", 41, "'-71,4'", "a decimal point", "Export again.")))
    assert str(problem) == "noon.csv:41: found '-71,4'; expected a decimal point. Export again."
    assert (problem.source, problem.line, problem.mend) == ("noon.csv", 41, "Export again.")


@given(st.text())
def test_every_step_has_the_cautions_its_words_call_for(text: str) -> None:
    assert set(required_for(text)) <= set(step(text).cautions)


@pytest.mark.parametrize(
    ("text", "caution"),
    [
        ("Turn the feed by 4 degrees.", "transmitter_isolated"),
        ("Turn the feed by 4 degrees.", "moving_pedestal"),
        ("Measure the voltage at the LNB.", "dc_on_coax"),
        ("Tighten the connectors.", "dc_on_coax"),
        ("Point away from the satellite.", "moving_pedestal"),
        ("Ask about the radar.", "ask_officer_of_the_watch"),
        ("Look at the mast.", "work_aloft"),
    ],
)
def test_hands_on_work_never_comes_without_its_caution(text: str, caution: str) -> None:
    """Common practice, no source."""
    assert caution in step(text).cautions
    with pytest.raises(ValueError, match="lacks the cautions"):
        NextStep(text)


def test_a_step_names_only_cautions_of_the_catalogue() -> None:
    with pytest.raises(ValueError, match="unknown"):
        step("Sweep again.", "mind_your_head")
    assert all(caution.text and caution.id == id_ for id_, caution in CATALOGUE.items())


def test_rules_run_in_order_and_only_where_their_needs_are_met() -> None:
    def one(number: float) -> list[Finding]:
        return [Finding("quality.one", "note", "One", str(number))]

    def two(number: float, missing: float) -> list[Finding]:
        raise AssertionError("must not run")

    rules = (Rule("quality.one", ("number",), one), Rule("quality.two", ("number", "missing"), two))
    assert [f.code for f in run_rules(rules, {"number": 1.0, "missing": None})] == ["quality.one"]
    with pytest.raises(ValueError, match="gave a finding of code"):
        run_rules((Rule("quality.other", ("number",), one),), {"number": 1.0})


def test_sweep_owns_its_arrays() -> None:
    f, level = np.array([1.0, 2.0, 3.0]), np.array([-1.0, -2.0, -3.0])
    sweep = Sweep.from_arrays(f, level)
    f[0] = 9.0
    assert sweep.frequency_hz[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        sweep.level_dbm[0] = 0.0
    assert pickle.loads(pickle.dumps(sweep)) == sweep
    assert sweep.settings == Settings()


@pytest.mark.parametrize(
    ("f", "level"),
    [
        ([1.0], [0.0]),
        ([1.0, 1.0], [0.0, 0.0]),
        ([2.0, 1.0], [0.0, 0.0]),
        ([1.0, 2.0], [0.0, np.nan]),
        ([1.0, np.inf], [0.0, 0.0]),
        ([1.0, 2.0], [0.0, 0.0, 0.0]),
    ],
)
def test_a_sweep_that_is_none_is_refused(f: list[float], level: list[float]) -> None:
    with pytest.raises(SweepFormatError):
        Sweep.from_arrays(f, level)


def test_context_is_read_checked_and_keeps_what_it_does_not_know(tmp_path) -> None:
    path = sidecar_path(tmp_path / "noon.csv")
    assert path.name == "noon.csv.toml"
    path.write_text(
        'captured_at = 2026-03-14T12:00:00\nport = "co"\nlatitude_deg = 54\ntone_seen = true\nhatch = "aft"\n'
    )
    context = read_context(path)
    assert context.captured_at == datetime(2026, 3, 14, 12, tzinfo=UTC)
    assert "UTC" in context.assumptions[0]
    assert (context.port, context.latitude_deg, context.tone_seen, context.extra["hatch"]) == ("co", 54.0, True, "aft")
    assert context.to_dict()["hatch"] == "aft"
    assert pickle.loads(pickle.dumps(context)) == context


@pytest.mark.parametrize(
    "values",
    [
        {"port": "left"},
        {"latitude_deg": 91},
        {"latitude_deg": "54 N"},
        {"tone_seen": "yes"},
        {"captured_at": "noon"},
        {"vessel": ["a"]},
        {"heading_deg": float("nan")},
    ],
)
def test_context_refuses_what_does_not_fit(values: dict) -> None:
    with pytest.raises(ContextError, match=next(iter(values))):
        context_from_mapping(values, "noon.csv.toml")


def test_context_that_is_no_toml_is_told(tmp_path) -> None:
    path = tmp_path / "x.csv.toml"
    path.write_text("port co")
    with pytest.raises(ContextError, match="no TOML"):
        read_context(path)
    with pytest.raises(ContextError, match="readable"):
        read_context(tmp_path / "missing.toml")
    assert Context().to_dict()["port"] is None
