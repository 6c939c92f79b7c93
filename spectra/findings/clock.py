"""Rules about the analyser's clock: wrong by years, by a time zone, ahead of the file, set between two captures.

The clocks at hand besides the analyser's: the file's own time (when it was written to the stick), the clocks of the
other captures of the folder, and a date in the folder's name. The file's time is later than the sweep by seconds if
the stick keeps it, by anything if the file was copied without its time, and the analyser's own (wrong) one if that
wrote it. So a sweep that is later than its file proves a wrong clock; one that is earlier proves little by itself, and
the others must speak. A stick formatted the common way stores local time without a zone, which looks the same as a
clock in another zone. Each analyser has a clock of its own: captures that name another serial number are no witnesses
for how this one was set. Times are never changed here: only `clock_error_s` of the context corrects them.
"""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.units import counted

if TYPE_CHECKING:
    from spectra.capture import Context
    from spectra.sweep import Sweep

__all__ = [
    "CaptureTime",
    "ahead_of_file",
    "capture_time",
    "corrected_time",
    "day_month_exchanged",
    "set_between",
    "wrong_by_years",
    "wrong_by_zone",
]

_DAY_S = 86400.0
_YEAR_S = 365.25 * _DAY_S
_YEARS_S = 300.0 * _DAY_S
_COPIED_S = 3.0 * _YEAR_S
_MONTH_S = 30.0 * _DAY_S
_HALF_HOUR_S = 1800.0
_MOST_ZONE_S = 14.0 * 3600.0
_ZONE_SLACK_S = 120.0
_AHEAD_S = 120.0
_AGREE_S = 600.0
_FIRST_YEAR = 2005
"""No analyser of today saved a sweep before: an older date is that of a clock that was reset (our choice). A file time
before it is that of a stick or archive without a clock, and says nothing."""


@dataclass(frozen=True, slots=True)
class CaptureTime:
    """When a capture says it was taken, when its file was written, and what is known of its clock.

    `clock_error_s` is the clock's reading minus true time; times have zones. `folder_date` is the date in the name of
    the folder, `analyser` what names the instrument (its serial number), `role` that of the context; None if unknown.
    `at` is when the capture was taken by its (corrected) clock, worked out once: all others of a visit ask for it.
    """

    file: str
    captured_at: datetime | None
    file_time: datetime | None
    clock_error_s: float | None = None
    folder_date: date | None = None
    analyser: str | None = None
    role: str | None = None
    at: datetime | None = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        at = None if self.captured_at is None else corrected_time(self.captured_at, self.clock_error_s)
        object.__setattr__(self, "at", at)

    @property
    def lag_s(self) -> float | None:
        """File time minus (corrected) capture time; None where either is unknown."""
        at = self.at
        if at is None or self.file_time is None or self.file_time.year < _FIRST_YEAR:
            return None
        return (self.file_time - at).total_seconds()


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
    return CaptureTime(
        sweep.origin.file,
        stated or sweep.origin.captured_at,
        file_time,
        error,
        None if path is None else _folder_date(Path(path)),
        _analyser_of(sweep),
        None if context is None else context.role,
    )


_DATED = re.compile(r"(?<![0-9])(20[0-9]{2})([-_. ]?)(0[1-9]|1[0-2])(?:\2(0[1-9]|[12][0-9]|3[01]))?(?![0-9])")
_SERIAL = re.compile(r"serial|serie|matricola|\bs/?n\b", re.IGNORECASE)


def _folder_date(path: Path) -> date | None:
    """Return the date in the name of the nearest folder that has one (``2026-03-14 berth``; of a month its middle)."""
    for folder in path.absolute().parents[:3]:
        for match in _DATED.finditer(folder.name):
            if match[4] is None and not match[2]:
                continue  # six digits may be any number
            try:
                return date(int(match[1]), int(match[3]), int(match[4] or 15))
            except ValueError:
                continue  # the 31st of a shorter month: no date
    return None


def _analyser_of(sweep: Sweep) -> str | None:
    """Return the serial number that a file states."""
    values = (str(value).strip() for key, value in sweep.settings.extra.items() if _SERIAL.search(key))
    return next((value for value in values if value), None)


def _words(seconds: float) -> str:
    size = abs(seconds)
    for unit, length, least in (
        ("years", _YEAR_S, _YEARS_S),
        ("days", _DAY_S, 2 * _DAY_S),
        ("hours", 3600.0, 5400.0),
    ):
        if size >= least:
            return f"{size / length:.3g} {unit}"
    return f"{size / 60.0:.3g} minutes"


def _finding(
    code: str,
    title: str,
    explanation: str,
    time: CaptureTime,
    *,
    sure: bool,
    limit: float,
    more: tuple[Evidence, ...] = (),
) -> Finding:
    assert time.captured_at is not None
    evidence = [Evidence("captured_at", time.captured_at.isoformat())]
    if time.file_time is not None:
        evidence.append(Evidence("file_time", time.file_time.isoformat()))
    if time.lag_s is not None:
        evidence.append(Evidence("file_minus_capture", time.lag_s, None, "s", limit))
    return Finding(
        code,
        "warning" if sure else "note",
        title,
        explanation,
        answer="yes" if sure else "cannot_tell",
        evidence=(*evidence, *more),
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


def _of_own_clock(times: Sequence[CaptureTime]) -> list[CaptureTime]:
    """Return the other captures that may be of the same analyser: all but those that name another."""
    own = times[0].analyser
    return [time for time in times[1:] if own is None or time.analyser in (None, own)]


def _others(times: Sequence[CaptureTime]) -> list[float]:
    return [lag for time in _of_own_clock(times) if (lag := time.lag_s) is not None]


# --- years -----------------------------------------------------------------------------------------------------------


def wrong_by_years(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture whose time is years away from its file's, its folder's or the other captures'.

    The first of `times` is judged by the rest.
    """
    own = times[0]
    if own.captured_at is None or _exchanged(times):
        return
    others = [time for time in times[1:] if time.at is not None]
    told = _by_itself(own, others) or _by_file(own, others) or _by_folder(own) or _by_others(own, others)
    if told is None:
        return
    off, why, sure = told
    more: tuple[Evidence, ...] = (
        () if own.folder_date is None else (Evidence("folder_date", own.folder_date.isoformat()),)
    )
    if others:
        middle = _middle(others)
        more += (Evidence("other_captures_at", middle.isoformat()),)
    yield _finding(
        "clock.wrong_by_years",
        f"The analyser's clock seems wrong by {'years' if off is None else _words(off)}",
        why,
        own,
        sure=sure,
        limit=_YEARS_S,
        more=more,
    )


_Told = tuple[float | None, str, bool] | None
"""How far a clock is off (None where that cannot be said), why, and whether that is sure."""


def _moment(time: CaptureTime) -> float:
    assert time.at is not None
    return time.at.timestamp()


def _middle(others: Sequence[CaptureTime]) -> datetime:
    return datetime.fromtimestamp(statistics.median(map(_moment, others)), UTC).replace(microsecond=0)


def _by_itself(own: CaptureTime, others: Sequence[CaptureTime]) -> _Told:
    """Judge a clock that shows a time before any analyser of today, or one after its file was written."""
    assert own.captured_at is not None
    lag = own.lag_s
    if lag is not None and lag <= -_YEARS_S:
        return lag, "The file is older than the sweep in it.", True
    if own.captured_at.year >= _FIRST_YEAR or (lag is not None and lag < _YEARS_S):
        return None
    off = lag if lag is not None else statistics.median(map(_moment, others)) - _moment(own) if others else None
    reset = f"A date in {own.captured_at.year} is what a clock shows after its battery has failed."
    return off, ("The sweep says that it is far older than its file. " if lag else "") + reset, True


def _by_file(own: CaptureTime, others: Sequence[CaptureTime]) -> _Told:
    """Judge a sweep that is far older than its file: a wrong clock, or a file copied without its time."""
    lag = own.lag_s
    if lag is None or lag < _YEARS_S:
        return None
    if own.folder_date is not None and abs(_to_folder(own)) < _MONTH_S:
        return None  # whoever named the folder says the same: the file was copied later
    far = "The sweep says that it is far older than its file."
    lags = [(time, time.lag_s) for time in others if time.lag_s is not None]
    moving = [own, *(time for time, other in lags if abs(other - lag) <= _ZONE_SLACK_S)]
    if len(moving) > 1 and max(map(_moment, moving)) - min(map(_moment, moving)) >= _AGREE_S:
        why = (
            f"{far} So {'does' if len(moving) == 2 else 'do'} {counted(len(moving) - 1, 'other capture')}, by the same "
            "to within minutes though taken at other times: the files were written as the sweeps were taken, so the "
            "clock is wrong."
        )
        return lag, why, len(moving) > 2
    near = [time for time, other in lags if abs(other) < _MONTH_S]
    if near:
        sure = len(near) >= 2 and len(near) == len(lags)
        agree = counted(len(near), "other capture agrees with its file", "other captures agree with their files")
        why = f"{far} {agree}{_whose(own, near)}."
        return lag, why if sure else f"{why} An old file copied without its time would look the same.", sure
    if not lags and lag >= _COPIED_S:
        return lag, f"{far} A file copied without its time would look the same.", False
    return None


def _by_folder(own: CaptureTime) -> _Told:
    """Judge a sweep that is years older than the date in the name of its folder."""
    if own.folder_date is None or own.role == "baseline" or _to_folder(own) < _YEARS_S:
        return None
    why = f"The folder is named after {own.folder_date.isoformat()}. An old sweep kept in it would look the same."
    return _to_folder(own), why, False


def _to_folder(own: CaptureTime) -> float:
    assert own.folder_date is not None
    noon = datetime(own.folder_date.year, own.folder_date.month, own.folder_date.day, 12, tzinfo=UTC)
    return noon.timestamp() - _moment(own)


def _by_others(own: CaptureTime, others: Sequence[CaptureTime]) -> _Told:
    """Judge a sweep that is years older than all others of its folder, which agree with each other.

    The files may all have been copied without their times, or the analyser may have stamped its files by the same
    wrong clock: neither file time helps then. A baseline is meant to be old.
    """
    if not others or own.role == "baseline":
        return None
    moments = [_moment(time) for time in others]
    off = statistics.median(moments) - _moment(own)
    if max(moments) - min(moments) > _YEAR_S or min(moments) - _moment(own) < _COPIED_S:
        return None
    year = _middle(others).year
    why = f"{counted(len(others), 'other capture says', 'other captures say')} {year}{_whose(own, others)}."
    return off, f"{why} An old sweep kept beside new ones would look the same.", False


def _whose(own: CaptureTime, others: Sequence[CaptureTime]) -> str:
    """Return the words for captures that all come from another analyser."""
    known = own.analyser is not None and all(time.analyser not in (None, own.analyser) for time in others)
    return " (of another analyser, which has a clock of its own)" if known else ""


# --- day and month ---------------------------------------------------------------------------------------------------


def day_month_exchanged(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture that fits its file, or the others, as soon as its day and month are exchanged."""
    own = times[0]
    if not _exchanged(times):
        return
    right = _other_way_round(own)
    assert right is not None
    by_others = _fits_others(times, right)
    sure = _fits_file(own, right) and ((own.lag_s or 0.0) < 0.0 or by_others)
    yield _finding(
        "clock.day_month_exchanged",
        "Day and month of the capture seem exchanged",
        f"With them exchanged it was taken on {right.date().isoformat()}, which fits "
        + ("the other captures of the folder." if by_others else "the time of its file to within a day.")
        + " The clock was set so, or the file writes the date in another order than was taken.",
        own,
        sure=sure,
        limit=_DAY_S,
        more=(Evidence("captured_at_exchanged", right.isoformat()),),
    )


def _other_way_round(time: CaptureTime) -> datetime | None:
    at = time.at
    if at is None or at.day > 12 or at.day == at.month:
        return None
    return at.replace(month=at.day, day=at.month)


def _fits_file(time: CaptureTime, moment: datetime) -> bool:
    """Say whether a file was written within a day of a moment, give or take a zone."""
    if time.lag_s is None or time.file_time is None:
        return False
    return -_MOST_ZONE_S <= (time.file_time - moment).total_seconds() <= _DAY_S


def _fits_others(times: Sequence[CaptureTime], moment: datetime) -> bool:
    apart = [abs(_moment(time) - moment.timestamp()) for time in times[1:] if time.at is not None]
    return min(apart, default=math.inf) <= _DAY_S


def _exchanged(times: Sequence[CaptureTime]) -> bool:
    """Say whether a date fits its file or the others only with day and month exchanged."""
    own = times[0]
    right, at = _other_way_round(own), own.at
    if right is None or at is None or _fits_file(own, at) or _fits_others(times, at):
        return False
    return _fits_file(own, right) or (own.lag_s is None and _fits_others(times, right))


# --- zone and minutes ------------------------------------------------------------------------------------------------


def _zone_s(lag: float) -> float | None:
    """Return the whole half hours nearest to a lag if that is what it is."""
    zone = round(lag / _HALF_HOUR_S) * _HALF_HOUR_S
    good = _HALF_HOUR_S <= abs(zone) <= _MOST_ZONE_S and abs(lag - zone) <= _ZONE_SLACK_S
    return zone if good else None


def wrong_by_zone(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture that is off its file by a time zone's worth: sure if ahead, or if another capture says the same.

    By chance one lag in eight is that near to a half hour, so a single earlier one proves nothing; it is told where
    the folder shows the same, or shows none else, or where all others agree with their files to the minute.
    """
    lag = _lag(times)
    zone = None if lag is None else _zone_s(lag)
    if lag is None or zone is None:
        return
    others = _others(times)
    same = sum(abs(other - zone) <= _ZONE_SLACK_S for other in others)
    right = sum(abs(other) <= _ZONE_SLACK_S for other in others)
    sure = lag < 0.0 or same >= 2
    if not sure and others and not same and right < len(others):
        return
    yield _finding(
        "clock.wrong_by_zone",
        f"The analyser's clock may be in another zone ({zone / 3600.0:+g} h)",
        "Sweep and file differ by whole half hours: the clock runs in another time zone than was taken, or the stick "
        f"stores local time. {counted(same, 'other capture says', 'other captures say')} the same.",
        times[0],
        sure=sure,
        limit=_ZONE_SLACK_S,
    )


def ahead_of_file(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture that is later than its own file, by neither years nor a zone, nor by day and month exchanged."""
    lag = _lag(times)
    if lag is None or lag > -_AHEAD_S or abs(lag) >= _YEARS_S or _zone_s(lag) is not None or _exchanged(times):
        return
    yield _finding(
        "clock.ahead_of_file",
        f"The sweep is {_words(lag)} later than its file",
        "No file can hold a sweep that was not yet taken: the analyser's clock or that of the computer is wrong.",
        times[0],
        sure=True,
        limit=-_AHEAD_S,
    )


def set_between(times: Sequence[CaptureTime]) -> Iterable[Finding]:
    """Tell a capture whose clock disagrees with the other captures of its analyser, which agree with each other."""
    lag = _lag(times)
    others = _others(times)
    if lag is None or len(others) < 2 or abs(lag) >= _YEARS_S or _exchanged(times):
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
        sure=False,
        limit=6.0 * _AGREE_S,
    )
