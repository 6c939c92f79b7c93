"""Dates and times as files write them. No outside source: common practice of the trade in six languages."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

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
