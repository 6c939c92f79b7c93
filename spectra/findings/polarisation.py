"""Rules on the isolation of a pair of ports: what it is, whether it is accepted, ports swapped."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from spectra.finding import Evidence, Finding, NextStep, Subjects, step
from spectra.findings.polarisation_gain import PortGain
from spectra.findings.polarisation_pair import CarrierIsolation
from spectra.units import counted, significant

if TYPE_CHECKING:
    from spectra.plan.chain import LoState

__all__ = [
    "RECEIVE_PATH_ONLY",
    "OneState",
    "Pooled",
    "Swap",
    "copied_state",
    "isolation",
    "isolation_acceptance",
    "ports_swapped",
    "swap_of",
]

RECEIVE_PATH_ONLY = (
    "This is the receive path including the satellite's own purity; it neither replaces nor predicts the operator's "
    "transmit cross-polar test (the customary 30 dB belongs to that)."
)
_SWAPPED_DB = -6.0
_ONE_SIDED_95 = 1.6449
_GROSS_DEG = 30.0


@dataclass(frozen=True, slots=True)
class Pooled:
    """All carriers of one pair that count: leak over carrier in power, and the names of its captures."""

    carriers: tuple[CarrierIsolation, ...]
    ratio: float
    ratio_std: float
    captures: tuple[str, ...]
    averages: int | None
    rbw_hz: float | None
    narrowest_bd: float | None

    @property
    def counted(self) -> tuple[CarrierIsolation, ...]:
        """Return the carriers that say something of the feed."""
        return tuple(one for one in self.carriers if one.counts)

    @property
    def numbers(self) -> list[CarrierIsolation]:
        """Return the carriers that count and whose leak is seen."""
        return [c for c in self.counted if c.isolation_db is not None]

    @property
    def bounds(self) -> list[CarrierIsolation]:
        """Return the carriers that count and have a bound only."""
        return [c for c in self.counted if c.isolation_db is None and c.lower_bound_db is not None]

    @property
    def isolation_db(self) -> float | None:
        """Return the isolation over all carriers, None where no leak is seen."""
        return -10.0 * math.log10(self.ratio) if self.ratio > 3.0 * self.ratio_std else None

    @property
    def isolation_std_db(self) -> float | None:
        """Return its standard uncertainty."""
        return None if self.isolation_db is None else 10.0 / math.log(10.0) * self.ratio_std / self.ratio

    @property
    def lower_bound_db(self) -> float:
        """Return the 95 % lower bound of the isolation."""
        return -10.0 * math.log10(max(self.ratio + _ONE_SIDED_95 * self.ratio_std, 0.5 * self.ratio_std, 1e-12))

    def subjects(self) -> Subjects:
        """Return captures and rows that it is about."""
        return Subjects(captures=self.captures, rows=tuple(sorted({c.shape.row for c in self.counted if c.shape.row})))


@dataclass(frozen=True, slots=True)
class Swap:
    """Listed carriers that are stronger on the port they do not belong to: median isolation, count, subjects."""

    isolation_db: float
    carriers: int
    subjects: Subjects


def _mhz(hz: float) -> str:
    return f"{hz / 1e6:.3f} MHz"


def isolation(pooled: Pooled, gain: PortGain) -> Iterable[Finding]:
    """Tell the isolation over all carriers, the worst one, and what was not counted."""
    numbers, bounds = pooled.numbers, pooled.bounds
    left_out = [c for c in pooled.carriers if not c.counts]
    if not numbers and not bounds:
        yield Finding(
            "polarisation.isolation",
            "note",
            "No carrier shows the isolation",
            "No carrier of either port can be looked for on the other one: "
            + ("; ".join(f"{_mhz(c.shape.centre_hz)} {c.why}" for c in left_out[:4]) or "neither port shows any")
            + f". {RECEIVE_PATH_ONLY}",
            answer="cannot_tell",
            subjects=pooled.subjects(),
            next_steps=(
                step("Sweep both ports over a span that holds strong carriers listed on one polarisation only."),
            ),
        )
        return
    value, std = pooled.isolation_db, pooled.isolation_std_db
    evidence = [
        Evidence("isolation", value, std, "dB", None),
        Evidence("isolation_lower_bound_95", pooled.lower_bound_db, None, "dB", None),
        Evidence("carriers_with_number", float(len(numbers))),
        Evidence("carriers_with_bound", float(len(bounds))),
        Evidence("carriers_not_counted", float(len(left_out))),
        Evidence("port_gain_by_floors", gain.floors_db, gain.floors_std_db, "dB"),
        Evidence("port_gain_by_carriers", gain.carriers_db, gain.carriers_std_db, "dB"),
    ]
    worst = min(numbers, key=lambda c: c.isolation_db or 0.0, default=None)
    if worst is not None:
        evidence.append(Evidence("worst_carrier", worst.isolation_db, worst.isolation_std_db, "dB"))
    title = (
        f"Isolation between the ports {value:.1f} ± {std:.1f} dB"
        if value is not None and std is not None
        else f"Isolation between the ports at least {pooled.lower_bound_db:.1f} dB (95 %)"
    )
    words = (
        f"From {counted(len(pooled.counted), 'carrier')}, {len(numbers)} with a leak that is seen and "
        f"{len(bounds)} with a bound. "
        f"Gain difference of the ports taken out: {gain.words}. "
    )
    if left_out:
        reasons = dict.fromkeys(c.why for c in left_out)
        words += f"{len(left_out)} not counted: {'; '.join(reasons)}. "
    yield Finding(
        "polarisation.isolation",
        "note",
        title,
        words + RECEIVE_PATH_ONLY,
        evidence=tuple(evidence),
        subjects=pooled.subjects(),
    )


def isolation_acceptance(pooled: Pooled, isolation_limit_db: float) -> Iterable[Finding]:
    """Hold the isolation against a receive limit of the user's: pass, fail, or not provable with these sweeps."""
    numbers, bounds = pooled.numbers, pooled.bounds
    if not numbers and not bounds:
        return
    limit_ratio = 10.0 ** (-isolation_limit_db / 10.0)
    fails = [
        c
        for c in numbers
        if c.isolation_db is not None and c.isolation_db + 2.58 * (c.isolation_std_db or 0.0) < isolation_limit_db
    ]
    evidence = (
        Evidence("isolation", pooled.isolation_db, pooled.isolation_std_db, "dB", isolation_limit_db),
        Evidence("isolation_lower_bound_95", pooled.lower_bound_db, None, "dB", isolation_limit_db),
    )
    below = pooled.ratio - _ONE_SIDED_95 * pooled.ratio_std > limit_ratio
    if below or fails:
        where = ", ".join(_mhz(c.shape.centre_hz) for c in fails[:4])
        yield Finding(
            "polarisation.isolation_acceptance",
            "warning",
            f"Isolation below the limit of {isolation_limit_db:g} dB",
            ("All carriers together lie below the limit. " if below else f"Below it by itself: {where}. ")
            + RECEIVE_PATH_ONLY,
            answer="no",
            evidence=evidence,
            subjects=pooled.subjects(),
        )
    elif pooled.lower_bound_db >= isolation_limit_db:
        yield Finding(
            "polarisation.isolation_acceptance",
            "note",
            f"Isolation passes the limit of {isolation_limit_db:g} dB",
            f"With 95 % certainty it is {pooled.lower_bound_db:.1f} dB or more. " + RECEIVE_PATH_ONLY,
            answer="yes",
            evidence=evidence,
            subjects=pooled.subjects(),
        )
    else:
        yield Finding(
            "polarisation.isolation_acceptance",
            "note",
            f"Not provable: these sweeps cannot show {isolation_limit_db:g} dB",
            f"The bound they give is {pooled.lower_bound_db:.1f} dB. " + RECEIVE_PATH_ONLY,
            answer="cannot_tell",
            evidence=evidence,
            subjects=pooled.subjects(),
            next_steps=_sweep_that_proves(pooled, limit_ratio),
        )


def _sweep_that_proves(pooled: Pooled, limit_ratio: float) -> tuple[NextStep, ...]:
    """Return the RBW and averaging with which the limit could be proven, if the isolation is what it seems."""
    room = limit_ratio - max(pooled.ratio, 0.0)
    if room < 0.3 * limit_ratio:
        # the estimate stands at the limit: readings alone decide it only by chance
        room = 0.3 * limit_ratio
    factor = max(1.5, (2.0 * _ONE_SIDED_95 * pooled.ratio_std / room) ** 2)
    rbw = ""
    if pooled.narrowest_bd is not None:
        widest = pooled.narrowest_bd / 3.0
        narrow = pooled.rbw_hz is not None and pooled.rbw_hz <= widest
        rbw = " at the same RBW" if narrow else f" at an RBW of {significant(widest / 1e3)} kHz or less"
    if pooled.averages is not None:
        how = f"{math.ceil(pooled.averages * factor)} averages instead of {pooled.averages}"
    else:
        how = f"{factor:.1f} times the averages (or the sweep time)"
    return (
        step(
            f"Sweep both polarisations again with {how}{rbw}, RMS detector; or over a span that holds more or stronger "
            "carriers listed on one polarisation only."
        ),
    )


def swap_of(pooled: Pooled) -> Swap | None:
    """Return what shows that the ports are swapped; None where nothing does."""
    listed = [c for c in pooled.counted if c.listed and c.isolation_db is not None]
    values = [c.isolation_db for c in listed if c.isolation_db is not None]
    if not values:
        return None
    middle = float(np.median(values))
    if middle > _SWAPPED_DB or (len(values) < 2 and middle > 2.0 * _SWAPPED_DB):
        return None
    return Swap(middle, len(values), pooled.subjects())


@dataclass(frozen=True, slots=True)
class OneState:
    """An LO state that the contexts of both ports name, and the captures."""

    name: str
    polarisation: str
    captures: tuple[str, ...]

    @classmethod
    def of(cls, state: LoState | None, captures: tuple[str, ...]) -> OneState | None:
        """Return it for a state; None without one."""
        return None if state is None else cls(state.name, state.polarisation or "", captures)


def copied_state(copied_state: OneState) -> Iterable[Finding]:
    """Tell that both contexts name a state of one polarisation, and what was taken instead."""
    yield Finding(
        "polarisation.one_state_for_both",
        "warning",
        f"Both ports are said to be in an LO state of polarisation {copied_state.polarisation}",
        f"The contexts of co-polar and cross-polar port both name a state like {copied_state.name}. The cross-polar "
        "port is taken as the other polarisation through the same oscillator; if that is not so, isolation and "
        "skew are wrong.",
        evidence=(Evidence("lo_state", copied_state.name),),
        subjects=Subjects(captures=copied_state.captures),
        next_steps=(
            step("Write the LO state that was commanded into the context of each capture, and compare again."),
        ),
    )


def ports_swapped(swap: Swap) -> Iterable[Finding]:
    """Tell carriers that the table lists on one port and that are strong on the other."""
    stand = "is" if swap.carriers == 1 else "are"
    yield Finding(
        "polarisation.ports_swapped",
        "fault",
        "The two ports are swapped",
        f"{counted(swap.carriers, 'carrier')} listed on one polarisation {stand} "
        f"{-swap.isolation_db:.0f} dB stronger on the port of the "
        "other: ports, cables or supply voltages are exchanged, or the feed stands 90 degrees off. "
        "Isolation and skew are "
        "told with the ports exchanged.",
        evidence=(
            Evidence("isolation", swap.isolation_db, None, "dB", 0.0),
            Evidence("carriers", float(swap.carriers)),
        ),
        subjects=swap.subjects,
        next_steps=(
            step(
                "Check which port and which supply voltage belong to which polarisation, and mend "
                "the chain's file if it is wrong."
            ),
            step("If the ports are right, check whether the feed stands 90 degrees off."),
        ),
    )
