"""Rules on the oscillator over time: drift and when it leaves the tolerance, steps, warm-up, temperature, outliers."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING

from spectra.finding import Evidence, Finding, NextStep, Severity, Subjects, step
from spectra.findings.trend_series import FALSE_ALARM, LEAST_READINGS
from spectra.units import counted, format_value

if TYPE_CHECKING:
    from spectra.findings.trend import Trend

__all__ = ["drift", "left_out", "lnb_exchanged", "stepped", "swing", "warm_up"]

_SOON_DAYS = 90.0
_NEARLY_A_STEP = -2.0  # ln odds of a step against a drift from which on it is said


def _subjects(trend: Trend) -> Subjects:
    return Subjects(captures=tuple(point.capture for point in trend.points if point.used))


def _khz(value: float | None, std: float | None, unit: str = "kHz") -> str:
    return format_value(value, std, unit, 1e3)


def _day(moment: datetime | None) -> str:
    return "–" if moment is None else f"{moment:%Y-%m-%d}"


def drift(trend: Trend) -> Iterable[Finding]:
    """Tell the drift: its rate, or that there is none beyond chance, or that the captures are too few to say."""
    fit = trend.fit
    used = sum(point.used for point in trend.points)
    if fit.answer == "too_few":
        yield Finding(
            "oscillator.drift",
            "note",
            f"{counted(used, 'capture')} with time and LO error: too few to tell a drift",
            f"At least {LEAST_READINGS} at different times are needed before a rate, a step or a date is told.",
            answer="cannot_tell",
            evidence=(Evidence("captures", float(used), None, None, float(LEAST_READINGS)),),
            subjects=_subjects(trend),
            next_steps=(
                step("Sweep once a day with the same settings, and note the LNB's temperature if it is known."),
            ),
        )
        return
    evidence = (
        Evidence("rate_a_day", fit.rate, fit.rate_std, "Hz/day"),
        Evidence(
            "rate_a_hour",
            None if fit.rate is None else fit.rate / 24.0,
            None if fit.rate_std is None else fit.rate_std / 24.0,
            "Hz/h",
        ),
        Evidence("level_now", fit.level, fit.level_std, "Hz", trend.tolerance_hz),
        Evidence("excess_scatter", fit.excess, None, "Hz"),
        Evidence("captures", float(used)),
        Evidence("false_alarm_probability", FALSE_ALARM),
    )
    rate = _khz(fit.rate, fit.rate_std, "kHz a day")
    if fit.answer == "drift" or fit.drift_beside_step:
        words, severity, steps = _leaving(trend)
        small, title = "", f"The oscillator drifts by {rate}"
        if fit.drift_beside_step:
            title = f"Beside the step the oscillator drifts by {rate}"
            if len(trend.steps) > 1:
                title = f"Beside the steps the oscillator drifts by {rate}"
        elif fit.odds_step is not None and fit.odds_step > _NEARLY_A_STEP:
            small = " The change is still small: a small step in that time would look nearly the same."
            steps = (*steps, step("Go on sweeping once a day before anything is replaced: a drift goes on."))
        yield Finding(
            "oscillator.drift",
            severity,
            title,
            f"From {used} captures{_taken_out(trend)}. {words}{small}",
            answer="yes",
            evidence=evidence,
            subjects=_subjects(trend),
            next_steps=steps,
        )
    elif fit.answer == "not_told_apart":
        between = (
            ""
            if not trend.steps
            else f" of {_khz(trend.steps[0].size_hz, trend.steps[0].size_std_hz)} about {_day(trend.steps[0].before)}"
        )
        yield Finding(
            "oscillator.drift",
            "note",
            "The oscillator has changed; drift and step are not told apart",
            f"As a drift it would be {rate}; as a step{between}. No date is told from this.",
            answer="cannot_tell",
            evidence=evidence,
            subjects=_subjects(trend),
            next_steps=(
                step(
                    "Go on sweeping once a day: a drift goes on, a step does not. Note in the "
                    "contexts when anything on the LNB or its settings was changed."
                ),
            ),
        )
    elif fit.answer in ("none", "step"):
        besides = " besides the step" if fit.answer == "step" else ""
        yield Finding(
            "oscillator.drift",
            "note",
            f"No drift{besides}: {rate}",
            f"{used} captures; a constant oscillator would show as much in more than "
            f"{100.0 * FALSE_ALARM:.0f} % of such series.",
            answer="no",
            evidence=evidence,
            subjects=_subjects(trend),
        )


def _taken_out(trend: Trend) -> str:
    """Say what was fitted beside the drift."""
    if trend.fit.per_kelvin is not None:
        return ", the dependence on temperature taken out"
    return "" if trend.fit.swing is None else ", the daily swing taken out"


def _leaving(trend: Trend) -> tuple[str, Severity, tuple[NextStep, ...]]:
    """Say when the tolerance is crossed."""
    crossing = trend.crossing
    swing = (
        ""
        if trend.fit.swing is None
        else f" The daily swing of {_khz(trend.fit.swing, trend.fit.swing_std)} comes on top."
    )
    if crossing is None:
        return "The chain states no tolerance, so no date is told." + swing, "note", ()
    plan = step("Plan to replace the LNB, or to readjust the LO frequency set in the modem, before that date.")
    if crossing.outside:
        return "It is outside its tolerance already." + swing, "warning", (plan,)
    last = max(p.captured_at for p in trend.points if p.used and p.captured_at is not None)
    if crossing.expected is None or crossing.earliest is None:
        return "It stays within its tolerance for twenty years at this rate." + swing, "note", ()
    latest = "no end to it" if crossing.latest is None else _day(crossing.latest)
    words = f"It leaves its tolerance about {_day(crossing.expected)} (95 %: {_day(crossing.earliest)} to {latest})."
    soon = (crossing.earliest - last).total_seconds() < _SOON_DAYS * 86400.0
    return words + swing, "warning" if soon else "note", (plan,) if soon else ()


def stepped(trend: Trend) -> Iterable[Finding]:
    """Tell every step."""
    if trend.fit.answer != "step":
        return
    for one in trend.steps:
        yield Finding(
            "oscillator.step",
            "warning",
            f"The oscillator stepped by {_khz(one.size_hz, one.size_std_hz)} between "
            f"{_day(one.after)} and {_day(one.before)}",
            "A step is a retune, an exchanged LNB, a reference that was lost or came back, or the "
            "analyser's setting; an "
            "oscillator that ages does not step.",
            evidence=(
                Evidence("step", one.size_hz, one.size_std_hz, "Hz"),
                Evidence("ln_odds_against_drift", trend.fit.odds_step),
            ),
            subjects=_subjects(trend),
            next_steps=(
                step("Ask what was done to LNB, modem settings or analyser in that time, and note it in the contexts."),
                step("If the LNB takes an external reference, check the reference and its connectors."),
            ),
        )


def warm_up(trend: Trend) -> Iterable[Finding]:
    """Tell a warm-up curve."""
    fit = trend.fit
    if fit.answer != "warm_up" or fit.time_constant_days is None:
        return
    minutes = fit.time_constant_days * 1440.0
    yield Finding(
        "oscillator.warm_up",
        "note",
        f"The oscillator warms up: {_khz(fit.warm_up_size, fit.warm_up_std)} with a time constant of "
        f"{minutes:.0f} minutes",
        "The readings follow an exponential that dies out, not a drift that goes on; nothing is told "
        "of ageing from them.",
        evidence=(
            Evidence("time_constant", fit.time_constant_days * 86400.0, None, "s"),
            Evidence("size", fit.warm_up_size, fit.warm_up_std, "Hz"),
        ),
        subjects=_subjects(trend),
        next_steps=(step(f"Measure the LO error after {3.0 * minutes:.0f} minutes under supply or later."),),
    )


def swing(trend: Trend) -> Iterable[Finding]:
    """Tell the dependence on temperature, or the daily swing where no temperature was noted."""
    fit = trend.fit
    if fit.per_kelvin is not None:
        yield Finding(
            "oscillator.temperature",
            "note",
            f"The oscillator follows the temperature: {format_value(fit.per_kelvin, fit.per_kelvin_std, 'kHz/K', 1e3)}",
            "Taken out before a drift is looked for.",
            evidence=(Evidence("per_kelvin", fit.per_kelvin, fit.per_kelvin_std, "Hz/K"),),
            subjects=_subjects(trend),
        )
    elif fit.swing is not None:
        yield Finding(
            "oscillator.temperature",
            "note",
            f"A daily swing of {_khz(fit.swing, fit.swing_std)} peak to peak",
            "It goes with the hour of the day, as temperature does; taken out before a drift is "
            "looked for. Noted temperatures "
            "(lnb_temperature_c) would do it better.",
            evidence=(Evidence("daily_swing", fit.swing, fit.swing_std, "Hz"),),
            subjects=_subjects(trend),
        )


def left_out(trend: Trend) -> Iterable[Finding]:
    """List captures that were not used, with the reason of each."""
    out = [point for point in trend.points if not point.used]
    if not out:
        return
    reasons = "; ".join(f"{point.capture}: {point.why}" for point in out[:8])
    more = "" if len(out) <= 8 else f"; and {len(out) - 8} more"
    yield Finding(
        "oscillator.captures_left_out",
        "note",
        f"{counted(len(out), 'capture was', 'captures were')} left out",
        reasons + more + ".",
        evidence=(Evidence("left_out", float(len(out))),),
        subjects=Subjects(captures=tuple(point.capture for point in out)),
    )


def lnb_exchanged(swap: datetime) -> Iterable[Finding]:
    """Tell that the contexts name another LNB from some time on; only the present one is followed."""
    yield Finding(
        "oscillator.lnb_exchanged",
        "note",
        f"Another LNB since {_day(swap)}",
        "The contexts name another LNB before; an oscillator is followed from its own first capture on.",
        evidence=(Evidence("since", swap.isoformat()),),
    )
