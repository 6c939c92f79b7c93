"""Clocks: wrong by years, by a zone, ahead of the file, set between captures; corrected by clock_error_s only.

What is expected follows from the times alone (derived): which clocks agree, and what else could explain the rest.
"""

import os
from datetime import UTC, datetime, timedelta

import pytest

from spectra.capture import Context
from spectra.findings import CaptureTime, capture_findings, capture_time
from spectra.findings.clock import corrected_time
from spectra.sweep import Origin, Settings, Sweep

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


def _taken(at: datetime, written: datetime | None, **more) -> CaptureTime:
    return CaptureTime("noon.csv", at, written, **more)


def _days(count: float) -> timedelta:
    return timedelta(days=count)


OLD = datetime(2011, 1, 1, 0, 12, 0, tzinfo=UTC)
"""What a clock shows some minutes after it fell back to the first day of 2011."""


@pytest.mark.parametrize("others", [1, 2, 5])
def test_a_sweep_of_2011_beside_right_ones_is_told(judge, others) -> None:
    right = [_taken(NOON + timedelta(hours=k), NOON + timedelta(hours=k, seconds=20)) for k in range(others)]
    found = judge(_taken(OLD, NOON + timedelta(hours=1)), *right)["clock.wrong_by_years"]
    assert found.answer == ("yes" if others >= 2 else "cannot_tell")
    assert "15.2 years" in found.title
    # those beside it are right, and none of this is told of them
    for at, own in enumerate(right):
        assert judge(own, _taken(OLD, NOON), *right[:at], *right[at + 1 :]) == {}


def test_files_copied_without_their_times_leave_the_others_to_speak(judge) -> None:
    copied = datetime(2026, 11, 2, 9, 0, 0, tzinfo=UTC)
    right = [_taken(NOON + timedelta(minutes=7 * k), copied) for k in range(3)]
    found = judge(_taken(OLD, copied), *right)["clock.wrong_by_years"]
    assert found.answer == "cannot_tell"
    assert "2026" in found.explanation
    assert judge(right[0], _taken(OLD, copied), *right[1:]) == {}
    # the analyser stamped its files by its own wrong clock: file and sweep agree, the others do not
    assert judge(_taken(OLD, OLD + timedelta(seconds=9)), *right)["clock.wrong_by_years"].answer == "cannot_tell"
    # no file time at all, or that of a stick without a clock
    assert "clock.wrong_by_years" in judge(_taken(OLD, None), *right)
    assert "clock.wrong_by_years" in judge(_taken(OLD, datetime(1980, 1, 1, tzinfo=UTC)), *right)
    assert judge(_taken(NOON, datetime(1980, 1, 1, tzinfo=UTC))) == {}


def test_old_sweeps_that_are_meant_to_be_there_are_not_told(judge) -> None:
    copied = datetime(2026, 11, 2, 9, 0, 0, tzinfo=UTC)
    # sweeps of many years copied into one folder: a record kept over years
    years = [_taken(datetime(year, 5, 3, 10, 0, 0, tzinfo=UTC), copied) for year in (2016, 2019, 2022, 2025)]
    for at, own in enumerate(years):
        assert judge(own, *years[:at], *years[at + 1 :]) == {}
    # a baseline of some years ago, with its own file time
    old = datetime(2021, 5, 3, 10, 0, 0, tzinfo=UTC)
    assert judge(_taken(old, old, role="baseline"), _taken(NOON, NOON), _taken(NOON, NOON)) == {}
    # last year's sweep beside today's, file times kept
    assert judge(_taken(NOON - _days(500), NOON - _days(500)), _taken(NOON, NOON)) == {}
    # whoever named the folder says the same as the sweep: the file was copied later
    assert judge(_taken(OLD, copied, folder_date=OLD.date())) == {}


def test_files_written_as_the_sweeps_were_taken_prove_a_clock(judge) -> None:
    """A copy gives all files one time; files that move with the sweeps were written by the way."""
    off = timedelta(days=700)
    taken = [_taken(NOON - off + timedelta(hours=k), NOON + timedelta(hours=k, seconds=5 * k)) for k in range(3)]
    assert judge(*taken)["clock.wrong_by_years"].answer == "yes"
    assert judge(*taken[:2])["clock.wrong_by_years"].answer == "cannot_tell"
    copied = [_taken(NOON - off + timedelta(hours=k), NOON) for k in range(3)]
    assert judge(*copied) == {}


def test_the_date_of_a_folder(judge, tmp_path) -> None:
    named = NOON.date()
    assert judge(_taken(OLD, OLD, folder_date=named))["clock.wrong_by_years"].answer == "cannot_tell"
    assert judge(_taken(OLD, OLD, folder_date=named, role="baseline")) == {}
    sweep = Sweep([1.0, 2.0], [0.0, 0.0])
    for name, expected in (
        ("2026-03-14 berth 4", named),
        ("visit_20260314", named),
        ("2026_03", datetime(2026, 3, 15).date()),
        ("job 202603", None),
        ("2026-02-31", None),
        ("120260314", None),
    ):
        assert capture_time(sweep, None, tmp_path / name / "noon.csv").folder_date == expected, name


def test_another_analyser_has_a_clock_of_its_own(judge) -> None:
    mine = [_taken(NOON, NOON + timedelta(seconds=k), analyser="A1") for k in (10, 20, 30)]
    late = timedelta(hours=5, minutes=7)
    theirs = [_taken(NOON, NOON + late + timedelta(seconds=k), analyser="B2") for k in range(3)]
    # two analysers whose clocks differ are no clock that was set between two sweeps
    assert judge(mine[0], *mine[1:], *theirs) == {}
    assert judge(theirs[0], *theirs[1:], *mine) == {}
    assert judge(mine[0], *theirs) == {}
    odd = _taken(NOON, NOON + late, analyser="A1")
    assert "clock.set_between" in judge(odd, *mine, *theirs)
    found = judge(_taken(OLD, NOON, analyser="B2"), *mine)["clock.wrong_by_years"]
    assert "another analyser" in found.explanation
    settings = Settings(extra={"Serial Number": " SN0042 ", "Model": "X"})
    assert capture_time(Sweep([1.0, 2.0], [0.0, 0.0], settings)).analyser == "SN0042"


def test_day_and_month_exchanged(judge) -> None:
    """The 3rd of April read as the 4th of March; by chance one later file in 230 fits so (1.6 days of a year)."""
    at, right = datetime(2026, 4, 3, 12, tzinfo=UTC), datetime(2026, 3, 4, 12, tzinfo=UTC)
    ahead = judge(_taken(at, right + timedelta(minutes=2)))
    assert list(ahead) == ["clock.day_month_exchanged"]
    assert ahead["clock.day_month_exchanged"].answer == "yes"
    assert "2026-03-04" in ahead["clock.day_month_exchanged"].explanation
    # the other way round the file is merely later: sure only where others were taken on that day
    early = _taken(right, at + timedelta(minutes=2))
    assert judge(early)["clock.day_month_exchanged"].answer == "cannot_tell"
    assert judge(early, _taken(at, at))["clock.day_month_exchanged"].answer == "yes"
    # eleven months are no years
    assert list(judge(_taken(datetime(2025, 12, 1, tzinfo=UTC), datetime(2025, 1, 12, tzinfo=UTC)))) == [
        "clock.day_month_exchanged"
    ]
    # without file times the others may speak; where they or the file agree with the date as it is, nothing is told
    assert "clock.day_month_exchanged" in judge(_taken(at, None), _taken(right, None))
    assert judge(_taken(at, None), _taken(right, None), _taken(at, None)) == {}
    assert judge(_taken(at, at), _taken(right, right)) == {}
    assert judge(_taken(at, at + _days(9))) == {}


def test_zone(judge) -> None:
    assert judge(_time(-9 * HOUR))["clock.wrong_by_zone"].answer == "yes"
    assert "-9 h" in judge(_time(-9 * HOUR))["clock.wrong_by_zone"].title
    assert judge(_time(5.5 * HOUR + 30.0))["clock.wrong_by_zone"].answer == "cannot_tell"
    same = [_time(2 * HOUR + s) for s in (20.0, 40.0, 60.0)]
    assert judge(*same)["clock.wrong_by_zone"].answer == "yes"
    # the others say something else: chance
    assert judge(_time(2 * HOUR), _time(5000.0), _time(9000.0)) == {}
    assert judge(_time(15 * HOUR)) == {}
    # all others agree with their files to the minute: so do the clocks of the stick and the computer
    assert judge(_time(2 * HOUR), _time(10.0), _time(30.0))["clock.wrong_by_zone"].answer == "cannot_tell"


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
