"""From analysed captures to the answer: what counts, limits with their uncertainty, gaps, order of the steps."""

import dataclasses
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from spectra import schemas
from spectra.capture import Capture, Context
from spectra.finding import Finding, step
from spectra.findings.comparison import Common, Comparison, Polarisation
from spectra.identify.identification import Candidate, Expected, Identification, RollCallEntry
from spectra.measure.measurement import Carrier, Floor, Measurement
from spectra.plan import load_chain, load_table
from spectra.sweep import Sweep
from spectra.visit import CaptureReview, Limits, Visit, VisitCapture, VisitHead, judge
from spectra.visit.acceptance import isolation, judge_limit
from spectra.visit.checklist import covered_hz
from spectra.visit.pairs import before_after_pairs, polarisation_pairs, state_pairs

NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
FAULT = Finding("line.no_supply", "fault", "No supply", "x", next_steps=(step("Check the supply of the LNB."),))
WARNING = Finding("quality.rbw_too_wide", "warning", "RBW too wide", "x", next_steps=(step("Sweep with 100 kHz."),))


def capture(
    name="a.csv",
    verdict="confirmed",
    minutes=0,
    span=(1.21e9, 1.29e9),
    lo_error=(150e3, 4e3),
    findings=(),
    wanted="Nimbus Test",
    service=("present", 12.0, 0.2),
    **context,
) -> CaptureReview:
    f = np.linspace(*span, 81)
    sweep = Sweep.from_arrays(f, np.full(81, -90.0), rbw_hz=1e5, detector="rms")
    status, cn, std = service
    carriers = (Carrier("modulated", 1.235e9, 1e3, cn_db=cn, cn_std_db=std),) if status == "present" else ()
    floor = Floor(-90.0, -140.0, 0.1, 2.0, np.full(81, -90.0), np.full(81, 0.1), np.ones(81, bool))
    measurement = Measurement(sweep, floor, carriers, 40.0, 1.0, 1.0, np.full(81, -90.0))
    identification = None
    if verdict is not None:
        best = Candidate("Nimbus Test", 10.0, None, "H", "low", "low", -lo_error[0], lo_error[1], 1.25e9, *lo_error)
        best = dataclasses.replace(best, log10_odds_none=14.0, log10_odds_next=6.0)
        row = RollCallEntry(3, 10985.0, 1.235e9, status, 1.235e9 if carriers else None, 0.0, cn, "", 0, 0)
        identification = Identification(
            *(verdict, best, False, Expected(wanted), (best,), (row,), (), (), "t.csv", "0" * 64, 10, "test chain")
        )
    told = {"captured_at": NOON + timedelta(minutes=minutes), "lo_state": "low", "expected_satellite": wanted}
    extra = {"stage": context.pop("stage")} if "stage" in context else {}
    source = VisitCapture(Capture((sweep,), Context(**{**told, **context}, extra=extra), name), (Path(name),))
    return CaptureReview(source, (measurement,), identification, tuple(findings))


@pytest.fixture
def visit(folder: Path) -> Visit:
    return Visit(folder, VisitHead(), (), load_table(folder / "carriers.csv"), load_chain(folder / "chain.toml"))


def limited(visit: Visit, **limits) -> Visit:
    return dataclasses.replace(visit, limits=Limits(stated=True, **limits))


def complete() -> tuple[CaptureReview, ...]:
    """Return captures that leave nothing to remark."""
    place = {"latitude_deg": 34.0, "modem_es_n0_db": 11.0, "transmitter": "isolated"}
    return (
        capture("co.csv", port="co", **place),
        capture("cross.csv", port="cross", minutes=5, **place),
        capture("off.csv", None, role="off_satellite", minutes=9, **place),
    )


@pytest.mark.parametrize(
    ("value", "std", "limit", "at_most", "answer"),
    [
        (400.0, 50.0, 500.0, True, "yes"),  # exactly k = 2 inside
        (401.0, 50.0, 500.0, True, "cannot_tell"),
        (599.0, 50.0, 500.0, True, "cannot_tell"),
        (600.0, 50.0, 500.0, True, "no"),
        (30.0, 1.0, 25.0, False, "yes"),
        (22.0, 1.0, 25.0, False, "no"),
        (22.0, None, 25.0, False, "cannot_tell"),
    ],
)
def test_limit_with_expanded_uncertainty(value, std, limit, at_most, answer) -> None:
    """Guard band of the expanded uncertainty U = 2 u: derived from JCGM 106:2012, 8.3.3 (from memory)."""
    assert judge_limit(value, std, limit, at_most=at_most) == answer


def test_complete_visit_is_accepted(visit: Visit) -> None:
    review = judge(limited(visit, lo_error_max_hz=500e3, floor_tilt_max_db=5.0, service_cn_min_db=8.0), complete())
    assert [c.answer for c in review.criteria] == ["yes"] * len(review.criteria)
    assert {c.code for c in review.criteria} == {
        *("acceptance.satellite", "acceptance.lo_error", "acceptance.floor_tilt", "acceptance.service"),
        "acceptance.faults",
    }
    assert [item.code for item in review.checklist if item.done is False] == []
    assert (review.statement.answer, review.statement.reasons) == ("accepted", ())
    assert review.numbers()["lo_error_hz"] == 150e3


@pytest.mark.parametrize(
    ("change", "limits", "answer", "code"),
    [
        ({"verdict": "contradicted"}, {}, "not accepted", "acceptance.satellite"),
        ({"verdict": "ambiguous"}, {}, "cannot tell", "acceptance.satellite"),
        ({"verdict": "probable"}, {}, "cannot tell", "acceptance.satellite"),
        ({"verdict": "probable"}, {"verdict": "probable"}, "accepted", None),
        ({"wanted": None}, {}, "cannot tell", "acceptance.satellite"),
        ({"lo_error": (1.2e6, 4e3)}, {}, "not accepted", "acceptance.lo_error"),  # the chain's tolerance, 1000 kHz
        ({"lo_error": (-1.2e6, 4e3)}, {}, "not accepted", "acceptance.lo_error"),
        ({"lo_error": (1.2e6, 4e3)}, {"lo_error_max_hz": 2e6}, "accepted", None),
        ({"lo_error": (0.99e6, 2e4)}, {}, "cannot tell", "acceptance.lo_error"),
        ({"service": ("absent", None, None)}, {}, "not accepted", "acceptance.service"),
        ({"service": ("not visible", None, None)}, {}, "cannot tell", "acceptance.service"),
        ({"service": ("present", 7.0, 0.2)}, {"service_cn_min_db": 8.0}, "not accepted", "acceptance.service"),
        ({}, {"isolation_min_db": 25.0}, "cannot tell", "acceptance.isolation"),
        ({}, {"floor_tilt_max_db": 1.0}, "not accepted", "acceptance.floor_tilt"),
        ({"findings": (FAULT,)}, {}, "not accepted", "acceptance.faults"),
        ({"findings": (FAULT,)}, {"faults_max": 1}, "accepted", None),
        ({"findings": (WARNING,)}, {}, "accepted with remarks", None),
    ],
)
def test_one_thing_wrong(visit: Visit, change, limits, answer, code) -> None:
    _, cross, off = complete()
    changed = capture("co.csv", port="co", latitude_deg=34.0, modem_es_n0_db=11.0, transmitter="isolated", **change)
    if "verdict" in change or "wanted" in change or "lo_error" in change or "service" in change:
        cross = dataclasses.replace(cross, identification=None)
    review = judge(limited(visit, **limits), (changed, cross, off))
    assert review.statement.answer == answer
    assert [c.code for c in review.criteria if c.answer != "yes"] == ([] if code is None else [code])


def test_drifting_oscillator_is_held_by_its_worst_sweep(visit: Visit) -> None:
    """The chain allows 1000 kHz: 950 kHz with 10 kHz keeps it, 1100 kHz later on does not."""
    early = capture("a.csv", lo_error=(100e3, 1e3), span=(1.21e9, 1.25e9))
    late = capture("b.csv", lo_error=(950e3, 10e3), span=(1.25e9, 1.29e9), minutes=60)
    review = judge(visit, (early, late))
    assert (review.numbers()["lo_error_hz"], review.numbers()["lo_error_capture"]) == (950e3, "b.csv")
    assert next(c.answer for c in review.criteria if c.code == "acceptance.lo_error") == "yes"
    beyond = capture("b.csv", lo_error=(-1100e3, 10e3), span=(1.25e9, 1.29e9), minutes=60)
    assert next(c.answer for c in judge(visit, (early, beyond)).criteria if c.code == "acceptance.lo_error") == "no"


def test_nothing_stated_is_told(visit: Visit) -> None:
    review = judge(visit, complete())
    assert review.statement.answer == "accepted"
    assert any("No acceptance limits of your own" in reason for reason in review.statement.reasons)


def test_no_plan_no_answer(folder: Path) -> None:
    review = judge(Visit(folder, VisitHead(), ()), (capture(verdict=None),))
    assert review.statement.answer == "cannot tell"
    assert review.next_steps[0].because == ("visit.plan",)


def test_what_counts(visit: Visit) -> None:
    early = capture("1.csv", minutes=0)
    again = capture("2.csv", minutes=10)
    assert judge(visit, (early, again)).set_aside == (("1.csv", "swept again later: 2.csv"),)
    third = capture("3.csv", minutes=20)
    assert dict(judge(visit, (early, again, third)).set_aside)["1.csv"] == "swept again later: 3.csv and 1 more"
    narrow = capture("2.csv", minutes=10, span=(1.23e9, 1.24e9))
    assert judge(visit, (early, narrow)).set_aside == ()
    other_port = capture("2.csv", minutes=10, port="cross")
    assert judge(visit, (early, other_port)).set_aside == ()
    # an antenna that was put right: the earlier contradiction is history, however narrow the later sweep
    wrong = capture("1.csv", "contradicted")
    ((name, why),) = judge(visit, (wrong, narrow)).set_aside
    assert (name, why.partition(":")[0]) == ("1.csv", "mended later")
    # but a later contradiction stands
    assert judge(visit, (early, capture("2.csv", "contradicted", 10))).statement.answer == "not accepted"
    marked = (capture("1.csv", stage="as_left"), capture("2.csv", "contradicted", 10), capture("3.csv", stage="work"))
    assert [c.name for c in judge(visit, marked).counted] == ["1.csv"]
    untimed = tuple(capture(f"{n}.csv", captured_at=None) for n in (1, 2))
    assert judge(visit, untimed).set_aside == ()


def test_steps_in_order_and_once(visit: Visit) -> None:
    captures = (
        capture("a.csv", findings=(WARNING, FAULT)),
        capture("b.csv", findings=(WARNING,), port="cross", minutes=1),
    )
    steps = judge(visit, captures).next_steps
    texts = [item.step.text for item in steps]
    assert len(set(texts)) == len(texts)
    # the fault first; what is missing before how a sweep was taken; what is good to have last
    because = [item.because[0] for item in steps]
    assert because[0] == "line.no_supply"
    order = ["visit.off_satellite", "quality.rbw_too_wide", "visit.modem"]
    assert [code for code in because if code in order] == order
    assert next(item.captures for item in steps if "RBW" not in item.step.text and "100 kHz" in item.step.text) == (
        "a.csv",
        "b.csv",
    )
    lacking = [item for item in steps if "visit.off_satellite" in item.because]
    # work at the antenna carries its cautions, and comes after what needs no hand on anything
    assert "transmitter_isolated" in lacking[0].step.cautions
    needed = [len(item.step.cautions) for item in steps if item.because[0] in ("visit.off_satellite", "visit.cross")]
    assert needed == sorted(needed)


def test_checklist_names_what_is_missing(visit: Visit) -> None:
    (found,) = (judge(visit, (capture(span=(1.21e9, 1.25e9)),)),)
    missing = {item.code for item in found.checklist if item.done is False}
    assert {"visit.off_satellite", "visit.cross_polar", "visit.span", "visit.modem", "visit.position"} <= missing
    assert "50 %" in next(item.detail for item in found.checklist if item.code == "visit.span")
    # one LO frequency in the chain: nothing to ask for
    assert next(item.done for item in found.checklist if item.code == "visit.second_lo_state") is None


def test_covered_is_a_union() -> None:
    f = [Sweep.from_arrays([a, b], [0.0, 0.0]) for a, b in ((1.0, 3.0), (2.0, 4.0), (6.0, 9.0), (6.5, 7.0))]
    assert covered_hz(f, 0.0, 8.0) == 5.0
    assert covered_hz([], 0.0, 8.0) == 0.0


def test_isolation_from_the_pair_that_knows_it_best() -> None:
    def pair(*names: str, **whole: float) -> Comparison:
        return Comparison("polarisation", names, (), Common(), (), Polarisation(**whole))

    worse = pair("a", "b", isolation_db=22.0, isolation_std_db=1.0)
    better = pair("c", "d", isolation_db=24.0, isolation_std_db=0.5)
    assert isolation([worse, better]) == (24.0, 0.5, None, ("c", "d"))
    bounds = [pair("a", "b", isolation_lower_bound_db=19.0), pair("c", "d", isolation_lower_bound_db=21.0)]
    assert isolation(bounds) == (None, None, 21.0, ("c", "d"))
    assert isolation([Comparison("repeat", ("a", "b"), (), Common())]) == (None, None, None, ())


def test_which_captures_are_compared() -> None:
    co, cross = capture("co.csv", port="co", minutes=1), capture("x.csv", port="cross", minutes=9)
    far = capture("far.csv", port="co", minutes=60)
    elsewhere = capture("else.csv", port="co", minutes=8, span=(1.5e9, 1.6e9))
    assert polarisation_pairs([co, far, elsewhere, cross]) == ((co, cross),)  # nearest in time that shares the span
    low, high = capture("low.csv"), capture("high.csv", minutes=5, lo_state="high")
    assert state_pairs([high, low, cross]) == ((low, high),)
    found, left = capture("f.csv", stage="as_found"), capture("l.csv", stage="as_left", minutes=30)
    assert before_after_pairs([left, found, capture("w.csv", stage="work", minutes=40)]) == ((found, left),)


def test_review_keeps_its_schema(visit: Visit) -> None:
    review = judge(visit, (*complete(), capture("d.csv", "contradicted", 20, findings=(FAULT, WARNING))))
    value = review.to_dict()
    jsonschema.Draft202012Validator(schemas.load("visit")).validate(value)
    json.dumps(value, allow_nan=False)
    del value["captures"][0]["counts"]
    assert not jsonschema.Draft202012Validator(schemas.load("visit")).is_valid(value)
    verdicts = review.to_frame()["verdict"]
    assert list(verdicts.fillna("-")) == ["confirmed", "confirmed", "-", "contradicted"]
