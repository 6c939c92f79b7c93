"""What comes and goes within one sweep: its max hold against its average, and the share of the time it is there."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from spectra.finding import Evidence, Finding, Subjects, step
from spectra.findings.bands import services_at
from spectra.findings.interference import OTHER_STATE_STEP, service_steps, service_words
from spectra.units import format_frequency, jsonable

if TYPE_CHECKING:
    from spectra.measure.measurement import Measurement
    from spectra.sweep import Sweep

__all__ = ["Burst", "bursts", "bursts_by_carrier", "find_bursts"]

_LEAST_DB = 4.0
_SCORE = 8.0  # spreads of max hold over average: the tail of a largest reading is longer than a normal one's
_AROUND = 61


@dataclass(frozen=True, slots=True)
class Burst:
    """One stretch in which the max hold stands further over the average than noise makes it.

    Attributes
    ----------
    centre_hz, width_hz : float
    excess_db : float
        Max hold over average, beyond what the noise around shows.
    peak_dbm : float
        Highest level held.
    duty_low, duty_high : float
        Bounds of the share of the time it is there: by the average's rise over the neighbourhood as it is, against the
        highest level held (low); and with 3 dB of doubt about the neighbourhood, against a mean as far below that as
        noise shows it (high).
    """

    centre_hz: float
    width_hz: float
    excess_db: float
    peak_dbm: float
    duty_low: float
    duty_high: float

    def to_dict(self) -> dict[str, Any]:
        """Return the burst as plain values."""
        value: dict[str, Any] = jsonable({name: getattr(self, name) for name in self.__dataclass_fields__})
        return value


def _held(sweep: Sweep) -> Any:
    for name, level in sweep.traces.items():
        words = name.lower().replace("-", " ").replace("_", " ")
        if "max" in words:
            return level
    return None


def _running_median(values: Any, width: int) -> Any:
    half = min(width, values.size - 1 | 1) // 2
    return np.median(sliding_window_view(np.pad(values, half, mode="reflect"), 2 * half + 1), axis=1)


def find_bursts(sweep: Sweep) -> tuple[Burst, ...]:
    """Return what the max hold of a sweep shows and its average hides; empty without a trace of max hold.

    Parameters
    ----------
    sweep : Sweep
        Whose main trace is an average or a live trace, with a max hold among its other traces.
    """
    held = _held(sweep)
    if held is None or sweep.settings.trace_mode in ("max_hold", "min_hold") or sweep.points < 2 * _AROUND:
        return ()
    over = held - sweep.level_dbm
    usual = _running_median(over, _AROUND)
    rest = over - usual
    spread = 1.4826 * float(np.median(np.abs(rest))) + 0.05
    high = rest > max(_LEAST_DB, _SCORE * spread)
    joined = high | (np.r_[False, high[:-1]] & np.r_[high[1:], False])
    edges = np.flatnonzero(np.diff(np.r_[0, joined.astype(int), 0]))
    floor = _running_median(sweep.level_dbm, _AROUND)
    found = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        weight = 10.0 ** (held[a:b] / 10.0)
        centre = float(weight @ sweep.frequency_hz[a:b] / weight.sum())
        peak = a + int(np.argmax(held[a:b]))
        # the highest of few bursts stands less over their mean than the highest of many sweeps of noise over theirs
        on_most, on_least = 10.0 ** (held[peak] / 10.0), 10.0 ** ((held[peak] - usual[peak]) / 10.0)
        around = 10.0 ** (min(floor[peak], sweep.level_dbm[peak]) / 10.0)
        mean = 10.0 ** (sweep.level_dbm[peak] / 10.0)
        low, most = max(mean - around, 0.0) / on_most, max(mean - 0.5 * around, 0.0) / on_least
        found.append(
            Burst(
                centre,
                max(float(sweep.frequency_hz[b - 1] - sweep.frequency_hz[a]), sweep.spacing_hz),
                float(rest[peak]),
                float(held[peak]),
                min(low, 1.0),
                min(max(most, low), 1.0),
            )
        )
    return tuple(found)


def bursts_by_carrier(measurement: Measurement) -> tuple[tuple[Burst, int | None], ...]:
    """Return the bursts of a sweep, each with the carrier (0-based) that its average was measured as.

    Stretches of one carrier are one burst: noise parts what is wide and weak.
    """
    found: dict[int, Burst] = {}
    alone: list[tuple[Burst, int | None]] = []
    carriers = measurement.carriers
    reach = measurement.sweep.settings.rbw_hz or measurement.sweep.spacing_hz
    for one in find_bursts(measurement.sweep):
        near = [
            (abs(carrier.centre_hz - one.centre_hz), k)
            for k, carrier in enumerate(carriers)
            if abs(carrier.centre_hz - one.centre_hz) <= 0.5 * carrier.width_hz + reach
        ]
        if not near:
            alone.append((one, None))
            continue
        k = min(near)[1]
        found[k] = _joined(found[k], one) if k in found else one
    together = [*alone, *((one, k) for k, one in found.items())]
    return tuple(sorted(together, key=lambda pair: pair[0].centre_hz))


def _joined(one: Burst, other: Burst) -> Burst:
    """Return two stretches of one burst as one."""
    low = min(b.centre_hz - 0.5 * b.width_hz for b in (one, other))
    high = max(b.centre_hz + 0.5 * b.width_hz for b in (one, other))
    return Burst(
        0.5 * (low + high),
        high - low,
        max(one.excess_db, other.excess_db),
        max(one.peak_dbm, other.peak_dbm),
        min(one.duty_low, other.duty_low),
        max(one.duty_high, other.duty_high),
    )


def bursts(sweep: Sweep, bursts: Sequence[tuple[Burst, int | None]] | None = None) -> Iterable[Finding]:
    """Tell what comes and goes while the sweep is taken; `bursts` as `bursts_by_carrier` gives them."""
    for one, carrier in [(one, None) for one in find_bursts(sweep)] if bursts is None else bursts:
        services = services_at(one.centre_hz)
        yield Finding(
            "interference.bursts",
            "warning",
            f"Bursts at {format_frequency(one.centre_hz)}: the max hold stands {one.excess_db:.0f} dB over its usual",
            f"There {100 * one.duty_low:.2g} to {100 * one.duty_high:.2g} % of the time, up to {one.peak_dbm:.1f} dBm."
            + service_words(services),
            evidence=(
                Evidence("excess", one.excess_db, None, "dB", _LEAST_DB),
                Evidence("peak", one.peak_dbm, None, "dBm"),
                Evidence("duty", math.sqrt(max(one.duty_low, 1e-6) * max(one.duty_high, 1e-6))),
            ),
            subjects=Subjects(captures=(sweep.origin.file,), carriers=() if carrier is None else (carrier,)),
            next_steps=(
                step("Sweep a narrow span there with max hold, for some minutes, and write down when it comes."),
                OTHER_STATE_STEP,
                *service_steps(services),
            ),
        )
