"""Clocks: wrong by years, by a zone, ahead of the file, set between captures; corrected by clock_error_s only."""

import os
from datetime import UTC, datetime, timedelta

import pytest

from spectra.capture import Context
from spectra.findings import CaptureTime, capture_findings, capture_time
from spectra.findings.clock import corrected_time
from spectra.sweep import Origin, Sweep

NOON = datetime(2026, 3, 14, 12, 0, 0, tzinfo=UTC)
HOUR = 3600.0


def _time(lag_s: float, error_s: float | None = None, at: datetime = NOON) -> CaptureTime:
    return CaptureTime("noon.csv", at, at + timedelta(seconds=lag_s), error_s)


@pytest.fixture
def judge(make_measurement):
    def run(*times: CaptureTime) -> dict:
        return {finding.code: finding for finding in capture_findings(make_measurement(), times=times)}

    return run


@pytest.mark.parametrize("lag", [0.0, 5.0, 90.0, 500.0, 4000.0, 3 * 86400.0 + 777.0])
def test_a_file_written_at_or_after_the_sweep_is_no_finding(judge, lag) -> None:
    assert judge(_time(lag)) == {}


def test_years(judge) -> None:
    ahead = judge(_time(-400 * 86400.0))["clock.wrong_by_years"]
    assert (ahead.answer, ahead.severity) == ("yes", "warning")
    assert ahead.evidence[2].value == -400 * 86400.0
    # a file copied without its time looks the same: not sure alone, sure if its neighbours are right
    assert judge(_time(800 * 86400.0)) == {}
    late = _time(1500 * 86400.0)
    assert judge(late)["clock.wrong_by_years"].answer == "cannot_tell"
    assert judge(late, _time(10.0), _time(20.0))["clock.wrong_by_years"].answer == "yes"
    assert judge(late, late, late) == {}
    # a clock that was reset
    reset = _time(2e9, at=datetime(1980, 1, 1, 0, 5, tzinfo=UTC))
    assert judge(reset)["clock.wrong_by_years"].answer == "yes"


def test_zone(judge) -> None:
    assert judge(_time(-9 * HOUR))["clock.wrong_by_zone"].answer == "yes"
    assert "-9 h" in judge(_time(-9 * HOUR))["clock.wrong_by_zone"].title
    assert judge(_time(5.5 * HOUR + 30.0))["clock.wrong_by_zone"].answer == "cannot_tell"
    same = [_time(2 * HOUR + s) for s in (20.0, 40.0, 60.0)]
    assert judge(*same)["clock.wrong_by_zone"].answer == "yes"
    # the others say something else: chance
    assert judge(_time(2 * HOUR), _time(5000.0), _time(9000.0)) == {}
    assert judge(_time(15 * HOUR)) == {}


def test_ahead_of_its_file(judge) -> None:
    found = judge(_time(-1000.0))
    assert list(found) == ["clock.ahead_of_file"]
    assert judge(_time(-60.0)) == {}


def test_set_between(judge) -> None:
    others = (_time(3000.0), _time(3100.0), _time(3050.0))
    assert judge(_time(20000.0), *others)["clock.set_between"].answer == "cannot_tell"
    assert judge(_time(3500.0), *others) == {}


def test_only_clock_error_corrects(judge) -> None:
    """clock_error_s is the clock's reading minus true time."""
    assert corrected_time(NOON, 3600.0) == NOON - timedelta(hours=1)
    assert corrected_time(NOON, None) == NOON
    assert judge(_time(-9 * HOUR, error_s=9 * HOUR)) == {}


def test_times_of_a_file(tmp_path) -> None:
    path = tmp_path / "noon.csv"
    path.write_text("x", encoding="utf-8")
    stamp = NOON.timestamp() + 30.0
    os.utime(path, (stamp, stamp))
    sweep = Sweep([1.0, 2.0], [0.0, 0.0], origin=Origin(file="noon.csv", captured_at=NOON))
    assert capture_time(sweep, None, path).lag_s == 30.0
    stated = Context(captured_at=NOON + timedelta(seconds=10), clock_error_s=5.0)
    assert capture_time(sweep, stated, path).lag_s == 25.0
    assert capture_time(sweep).lag_s is None
    assert capture_time(Sweep([1.0, 2.0], [0.0, 0.0]), None, path).lag_s is None
