"""Rules about the analyser's clock: wrong by years, by a time zone, ahead of the file, set between two captures.

The file's own time (when it was written to the stick) is the only other clock at hand. It is later than the sweep by
seconds if the stick keeps it, by anything if the file was copied without its time. So a sweep that is later than its
file proves a wrong clock; one that is earlier proves little by itself, and the other captures of the folder must speak.
A stick formatted the common way stores local time without a zone, which looks the same as a clock in another zone.
Times are never changed here: only `clock_error_s` of the context corrects them.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, Subjects, step

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.sweep import Sweep

__all__ = [
    "CaptureTime",
    "ahead_of_file",
    "capture_time",
    "corrected_time",
    "set_between",
    "wrong_by_years",
    "wrong_by_zone",
]

_YEAR_S = 365.25 * 86400.0
_YEARS_S = 300.0 * 86400.0
_COPIED_S = 3.0 * _YEAR_S
_HALF_HOUR_S = 1800.0
_MOST_ZONE_S = 14.0 * 3600.0
_ZONE_SLACK_S = 120.0
_AHEAD_S = 120.0
_AGREE_S = 600.0
_FIRST_YEAR = 2005
"""No analyser of today saved a sweep before: an older date is that of a clock that was reset (our choice)."""


@dataclass(frozen=True, slots=True)
class CaptureTime:
    """When a capture says it was taken, when its file was written, and what is known of its clock.

    `clock_error_s` is the clock's reading minus true time; times have zones.
    """

    file: str
    captured_at: datetime | None
    file_time: datetime | None
    clock_error_s: float | None = None

    @property
    def lag_s(self) -> float | None:
        """File time minus (corrected) capture time; None where either is unknown."""
        if self.captured_at is None or self.file_time is None:
            return None
        return (self.file_time - corrected_time(self.captured_at, self.clock_error_s)).total_seconds()


def corrected_time(captured_at: datetime, clock_error_s: float | None) -> datetime:
    """Return the time of a capture with its clock's error (clock minus true) taken off."""
    return captured_at - timedelta(seconds=clock_error_s or 0.0)


def capture_time(sweep: Sweep, context: Context | None = None, path: str | Path | None = None) -> CaptureTime:
    """Return the times of a capture; the context's `captured_at` wins over the file's.

    Parameters
    ----------
    sweep : Sweep
    context : Context or None
    path : path or None
        The sweep's file, None for one that is in memory only.
    """
    file_time = None
    if path is not None and Path(path).is_file():
        file_time = datetime.fromtimestamp(Path(path).stat().st_mtime, UTC)
    stated = None if context is None else context.captured_at
    error = None if context is None else context.clock_error_s
    return CaptureTime(sweep.origin.file, stated or sweep.origin.captured_at, file_time, error)


def _words(seconds: float) -> str:
    size = abs(seconds)
    for unit, length, least in (
        ("years", _YEAR_S, _YEARS_S),
        ("days", 86400.0, 2 * 86400.0),
        ("hours", 3600.0, 5400.0),
    ):
        if size >= least:
            return f"{size / length:.3g} {unit}"
    return f"{size / 60.0:.3g} minutes"


def _finding(
    code: str, title: str, explanation: str, time: CaptureTime, lag: float, *, sure: bool, limit: float
) -> Finding:
    assert time.captured_at is not None
    assert time.file_time is not None
    return Finding(
        code,
        "warning" if sure else "note",
        title,
        explanation,
        answer="yes" if sure else "cannot_tell",
        evidence=(
            Evidence("captured_at", time.captured_at.isoformat()),
            Evidence("file_time", time.file_time.isoformat()),
            Evidence("file_minus_capture", lag, None, "s", limit),
        ),
        subjects=Subjects(captures=(time.file,)),
        next_steps=(
            step(
                "Compare the analyser's clock with a right one and write the difference (clock minus true time, in "
                "seconds) as clock_error_s into the capture's context; times are corrected by nothing else."
            ),
        ),
    )


def _lag(times: Sequence[CaptureTime]) -> float | None:
    return times[0].lag_s if times else None


def _others(times: Sequence[CaptureTime]) -> list[float]:
    return [lag for time in times[1:] if (lag := time.lag_s) is not None]


def wrong_by_years(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture whose time is years away from its file's; the first of `times` is judged by the rest."""
    lag = _lag(times)
    if lag is None or abs(lag) < _YEARS_S:
        return
    captured_at = times[0].captured_at
    assert captured_at is not None
    others = _others(times)
    near = [other for other in others if abs(other) < 30.0 * 86400.0]
    sure = lag < 0.0 or captured_at.year < _FIRST_YEAR or (len(near) >= 2 and len(near) == len(others))
    if not sure and (others or lag < _COPIED_S):
        return  # a copy without its time is the plainer reason
    why = "The file is older than the sweep in it."
    if lag > 0.0:
        why = "The sweep says that it is far older than its file."
        if captured_at.year < _FIRST_YEAR:
            why += f" A date in {captured_at.year} is what a clock shows after its battery has failed."
        elif not sure:
            why += " A file copied without its time would look the same."
    yield _finding(
        "clock.wrong_by_years",
        f"The analyser's clock seems wrong by {_words(lag)}",
        why,
        times[0],
        lag,
        sure=sure,
        limit=_YEARS_S,
    )


def _zone_s(lag: float) -> float | None:
    """Return the whole half hours nearest to a lag if that is what it is."""
    zone = round(lag / _HALF_HOUR_S) * _HALF_HOUR_S
    good = _HALF_HOUR_S <= abs(zone) <= _MOST_ZONE_S and abs(lag - zone) <= _ZONE_SLACK_S
    return zone if good else None


def wrong_by_zone(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture that is off its file by a time zone's worth: sure if ahead, or if another capture says the same.

    By chance one lag in eight is that near to a half hour, so a single earlier one proves nothing; it is told where
    the folder shows the same, or shows none else.
    """
    lag = _lag(times)
    zone = None if lag is None else _zone_s(lag)
    if lag is None or zone is None:
        return
    others = _others(times)
    same = sum(abs(other - zone) <= _ZONE_SLACK_S for other in others)
    sure = lag < 0.0 or same >= 2
    if not sure and (others and not same):
        return
    yield _finding(
        "clock.wrong_by_zone",
        f"The analyser's clock may be in another zone ({zone / 3600.0:+g} h)",
        "Sweep and file differ by whole half hours: the clock runs in another time zone than was taken, or the stick "
        f"stores local time. {same} other capture(s) of the folder say the same.",
        times[0],
        lag,
        sure=sure,
        limit=_ZONE_SLACK_S,
    )


def ahead_of_file(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture that is later than its own file, by neither years nor a zone."""
    lag = _lag(times)
    if lag is None or lag > -_AHEAD_S or abs(lag) >= _YEARS_S or _zone_s(lag) is not None:
        return
    yield _finding(
        "clock.ahead_of_file",
        f"The sweep is {_words(lag)} later than its file",
        "No file can hold a sweep that was not yet taken: the analyser's clock or that of the computer is wrong.",
        times[0],
        lag,
        sure=True,
        limit=-_AHEAD_S,
    )


def set_between(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture whose clock disagrees with the other captures, which agree with each other."""
    lag = _lag(times)
    others = _others(times)
    if lag is None or len(others) < 2 or abs(lag) >= _YEARS_S:
        return
    middle = statistics.median(others)
    if max(abs(other - middle) for other in others) > _AGREE_S or abs(lag - middle) <= 6.0 * _AGREE_S:
        return
    yield _finding(
        "clock.set_between",
        f"The clock differs by {_words(lag - middle)} from the other captures of the folder",
        "The other captures agree with their files as each other; this one does not. The clock was set between them, "
        "or this file was copied at another time.",
        times[0],
        lag,
        sure=False,
        limit=6.0 * _AGREE_S,
    )
