"""Dates and times as files write them. No outside source: common practice of the trade in six languages."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from spectra.readers import read_bytes
from spectra.readers.times import time_of

CLOCK = datetime(2026, 3, 2, 10, 0, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-02 10:00:05",
        "2026-03-02T10:00:05Z",
        "2026-03-02T12:00:05+02:00",
        "2026/03/02 10:00:05",
        "02.03.2026 10:00:05",
        "Mon Mar 02 10:00:05 2026",
        "2 March 2026 10:00:05",
        "02-Mar-2026 10:00:05",
        "Monday, 2 March 2026 10:00:05",
        "2. März 2026 10:00:05",
        "2 de marzo de 2026 10:00:05",
        "2 mars 2026 10:00:05",
        "2026-03-02 10:00:05 UTC",
        "March 2, 2026 10:00:05 AM",
        "20260302 10:00:05",
        "2026-03-02 05:00:05 -0500",
        "20260302_100005",
        "20260302T100005Z",
        "2026-03-02_10-00-05",
        "02.03.2026 10.00.05",
        "2-Mar-26 10:00:05",
        "2026-Mar-02 10:00:05",
        "10:00:05 2026-03-02",
        "March 2nd, 2026 10:00:05",
        "2026-03-02 11:00:05 CET",
        "Mon 02/03/2026 10:00:05",
        "lundi 02/03/2026 10:00:05",
        "26/03/02 10:00:05",
    ],
)
def test_times(text: str) -> None:
    assert time_of(text)[0] == CLOCK


@pytest.mark.parametrize("text", ["03/04/2026 10:00:00", "soon", "2026-13-41 10:00:00", "", "10:00:00", "99:99"])
def test_times_that_are_none_or_could_be_two(text: str) -> None:
    assert time_of(text)[0] is None


def test_time_zone_of_the_file_counts_and_its_lack_is_told() -> None:
    assert time_of("2026-03-02 12:00:05", timezone(timedelta(hours=2))) == (CLOCK, "")
    assert "UTC" in time_of("2026-03-02 10:00:05")[1]
    assert "00:00" in time_of("2 March 2026")[1]
    assert time_of("07/29/15 12:12:29")[0] == datetime(2015, 7, 29, 12, 12, 29, tzinfo=UTC)


def test_a_date_behind_the_clock_is_no_zone_and_a_parted_pm_counts() -> None:
    assert time_of("10:00:05.5 2026-03-02")[0] == CLOCK.replace(microsecond=500000)
    assert time_of("2 Mar 2026 10:00:05 p. m.")[0] == CLOCK.replace(hour=22)
    assert "IST means several" in time_of("2026-03-02 10:00:05 IST")[1]


ROWS = "\n".join(f"{1000 + k};-9{k % 7},25" for k in range(20))
POINTS = ROWS.replace(",", ".").replace(";", ",")


@pytest.mark.parametrize(
    ("text", "expected", "why"),
    [
        (f"Date;02/03/2026 10:00:05\nFrequency (MHz);Level (dBm)\n{ROWS}\n", CLOCK, "the decimal mark is a comma"),
        (f"Datum,02/03/2026 10:00:05\nFrequenz (MHz),Pegel (dBm)\n{POINTS}\n", CLOCK, "German"),
        (f"Date,02/03/2026 10:00:05\nFréquence (MHz),Niveau (dBm)\n{POINTS}\n", CLOCK, "French"),
        (f"Fecha,02/03/2026 10:00:05\nFrecuencia (MHz),Nivel (dBm)\n{POINTS}\n", CLOCK, "Spanish"),
        (f"Date,02/03/2026 10:00:05\nCalibrated,25/11/2025\nMHz,dBm\n{POINTS}\n", CLOCK, "25/11/2025"),
        (f"Date,03/02/2026 10:00:05\nCalibrated,11/25/2025\nMHz,dBm\n{POINTS}\n", CLOCK, "11/25/2025"),
        (f"Date,02/03/2026 10:00:05\nRemark,at anchor\nMHz,dBm\n{POINTS}\n", None, "not read"),
        (f"Date,02/03/2026\nA,25/11/2025\nB,11/25/2025\nMHz,dBm\n{POINTS}\n", None, "not read"),
    ],
)
def test_day_and_month_are_told_apart_by_the_rest_of_the_file(text: str, expected: datetime | None, why: str) -> None:
    """Where the day comes first: common practice of the countries, no source; a date of one reading: derived."""
    origin = read_bytes(text.encode(), "noon.csv")[0].origin
    assert origin.captured_at == expected
    assert any(why in told for told in (origin.warnings if expected is None else origin.assumptions))


def test_rows_of_sweeps_tell_the_order_of_their_dates() -> None:
    levels = ",".join(str(-90 - k % 5) for k in range(20))
    text = "Start,1000,MHz\nStop,1019,MHz\nTime,Level (dBm)\n"
    text += "".join(f"{day}/03/2026 10:00:05,{levels}\n" for day in ("12", "13"))
    assert [s.origin.captured_at for s in read_bytes(text.encode(), "a.csv")] == [
        CLOCK.replace(day=12),
        CLOCK.replace(day=13),
    ]
