"""Rules on polarisation: isolation of a pair, skew, swapped ports, circular ellipses, rain, leakage in one sweep."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from spectra.finding import Evidence, Finding, NextStep, Subjects, step
from spectra.findings.polarisation_formulas import axial_ratio_db, isolation_db, rain_xpd_db
from spectra.findings.polarisation_pair import CarrierIsolation
from spectra.findings.polarisation_skew import Skew, Variation

__all__ = [
    "RECEIVE_PATH_ONLY",
    "Pooled",
    "RainContext",
    "Sign",
    "Suspicion",
    "Swap",
    "axial_ratio",
    "isolation",
    "isolation_acceptance",
    "leak_suspected",
    "not_alignment",
    "ports_swapped",
    "rain_depolarisation",
    "skew_error",
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


@dataclass(frozen=True, slots=True)
class Sign:
    """Signed angle and its probability where a second pair tells it, else None."""

    told: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class RainContext:
    """What is known of rain on the path: fade from C/N below the table's, and the geometry."""

    weather: str
    fade_db: float | None
    fade_std_db: float | None
    frequency_ghz: float
    elevation_deg: float
    tilt_deg: float


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Rows of the other polarisation that show in one sweep, each with its strength and what was listed."""

    rows: tuple[int, ...]
    centre_hz: tuple[float, ...]
    cn0_hz: tuple[float, ...]
    std_hz: tuple[float, ...]
    level_db: tuple[float | None, ...]
    capture: str
    polarisation: str


def _mhz(hz: float) -> str:
    return f"{hz / 1e6:.3f} MHz"


def _told(pooled: Pooled) -> tuple[list[CarrierIsolation], list[CarrierIsolation]]:
    numbers = [c for c in pooled.counted if c.isolation_db is not None]
    bounds = [c for c in pooled.counted if c.isolation_db is None and c.lower_bound_db is not None]
    return numbers, bounds


def isolation(pooled: Pooled, gain_by: str) -> Iterable[Finding]:
    """Tell the isolation over all carriers, the worst one, and what was not counted."""
    numbers, bounds = _told(pooled)
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
        f"From {len(pooled.counted)} carrier(s), {len(numbers)} with a leak that is seen and "
        f"{len(bounds)} with a bound. "
        f"Gain difference of the ports taken out: {gain_by}. "
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
    numbers, bounds = _told(pooled)
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
    rbw = "" if pooled.narrowest_bd is None else f" at an RBW of {pooled.narrowest_bd / 3e3:.3g} kHz or less"
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


def ports_swapped(swap: Swap) -> Iterable[Finding]:
    """Tell carriers that the table lists on one port and that are strong on the other."""
    yield Finding(
        "polarisation.ports_swapped",
        "fault",
        "The two ports are swapped",
        f"{swap.carriers} carrier(s) listed on one polarisation are {-swap.isolation_db:.0f} dB "
        "stronger on the port of the "
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


def skew_error(pooled: Pooled, skew: Skew, sign: Sign, purity_db: tuple[float, float]) -> Iterable[Finding]:
    """Tell the angle by which the feed is turned, with its interval, and the trial that decides its sign."""
    purity = f"{purity_db[0]:g}" if purity_db[0] == purity_db[1] else f"{purity_db[0]:g} to {purity_db[1]:g}"
    evidence = (
        Evidence("skew", skew.angle_deg, skew.std_deg, "deg"),
        Evidence("skew_low_95", skew.low_deg, None, "deg"),
        Evidence("skew_high_95", skew.high_deg, None, "deg"),
        Evidence("isolation", skew.isolation_db, skew.isolation_std_db, "dB"),
        Evidence("purity_allowed_from", purity_db[0], None, "dB"),
        Evidence("purity_allowed_to", purity_db[1], None, "dB"),
    )
    interval = f"{skew.low_deg:.1f} to {skew.high_deg:.1f} degrees"
    basis = f"satellite and feed of {purity} dB purity, of any phase, allowed for"
    if skew.isolation_db is None or skew.low_deg == 0.0:
        yield Finding(
            "polarisation.skew_error",
            "note",
            f"No skew error needed: at most {skew.high_deg:.1f} degrees (95 %)",
            f"What leaks, if anything, can come from satellite and feed themselves ({basis}).",
            answer="no" if skew.isolation_db is not None or skew.high_deg < 3.0 else "cannot_tell",
            evidence=evidence,
            subjects=pooled.subjects(),
        )
        return
    signed = sign.told
    if signed is not None:
        way = "clockwise" if signed[0] > 0.0 else "anticlockwise"
        back = "anticlockwise" if signed[0] > 0.0 else "clockwise"
        direction = f"The second pair, at another skew, tells the sign: the feed stands too far {way}."
        steps: tuple[NextStep, ...] = (
            step(
                f"Turn the feed {skew.angle_deg:.1f} degrees {back}, seen from behind the antenna "
                "looking at the satellite, and sweep both polarisations again."
            ),
        )
    else:
        direction = (
            f"One pair does not tell the sign: the feed stands {skew.angle_deg:.1f} degrees too far "
            "clockwise or as much "
            "too far anticlockwise, seen from behind the antenna looking at the satellite."
        )
        steps = (
            step(
                f"Turn the feed {skew.angle_deg:.1f} degrees clockwise and sweep both polarisations "
                "again: if the leak falls, "
                "that was the way; if the isolation drops to about "
                f"{isolation_db(min(2.0 * skew.angle_deg, 89.0)):.0f} dB, turn it "
                f"{2.0 * skew.angle_deg:.1f} degrees back. Write antenna_skew_deg into the context of every capture."
            ),
        )
    yield Finding(
        "polarisation.skew_error",
        "warning",
        f"The feed looks turned by {skew.angle_deg:.1f} degrees ({interval})",
        f"Two linear polarisations that far apart leak 20 log10 cot of it, as seen ({basis}). "
        f"{direction} {RECEIVE_PATH_ONLY}",
        answer="yes",
        probability=None if signed is None else signed[1],
        evidence=evidence,
        subjects=pooled.subjects(),
        next_steps=steps,
    )


def not_alignment(pooled: Pooled, variation: Variation, skew: Skew) -> Iterable[Finding]:
    """Tell an isolation that changes over frequency by more than alignment, purity and noise explain."""
    numbers, _ = _told(pooled)
    if variation.probability > 1e-3 or len(numbers) < 2:
        return
    values = np.array([c.isolation_db for c in numbers], dtype=np.float64)
    spread = float(values.max() - values.min())
    evidence = [
        Evidence("chi_square", variation.chi2, None, None, float(variation.freedom)),
        Evidence("best_carrier", float(values.max()), None, "dB"),
        Evidence("worst_carrier", float(values.min()), None, "dB"),
    ]
    if variation.slope_db_per_100_mhz is not None:
        evidence.append(Evidence("slope", variation.slope_db_per_100_mhz, variation.slope_std, "dB/100 MHz"))
    gross = skew.angle_deg > _GROSS_DEG
    yield Finding(
        "polarisation.not_alignment",
        "warning" if spread > 6.0 else "note",
        f"Isolation differs by {spread:.0f} dB between carriers",
        "A turned feed leaks the same at every frequency. Differences beyond the noise come from a feed or transducer "
        "whose isolation changes over the band, from transponders of unlike purity, or from carriers "
        "of their own on the "
        f"weaker side that the table does not list.{'' if not gross else ' The angle itself is then doubtful.'}",
        probability=1.0 - variation.probability,
        evidence=tuple(evidence),
        subjects=pooled.subjects(),
        next_steps=(
            step("Check the worst carriers against the operator's list of the other polarisation."),
            step("Compare with a pair of another satellite: what stays at the same frequency is feed or transducer."),
        ),
    )


def axial_ratio(pooled: Pooled, circular: bool) -> Iterable[Finding]:
    """Tell the axial ratio that the isolation of circular polarisations allows."""
    value = pooled.isolation_db
    bound = pooled.lower_bound_db
    if (value if value is not None else bound) <= 0.0:
        return
    ratio = axial_ratio_db(value if value is not None else bound)
    worst = axial_ratio_db(bound) if bound > 0.0 else None
    yield Finding(
        "polarisation.axial_ratio",
        "note",
        f"Axial ratio {'about' if value is not None else 'at most'} {ratio:.1f} dB",
        "Against a perfectly circular wave an ellipse of this axial ratio leaks as much; wave and feed share it, and "
        "turning the feed does not change it. " + RECEIVE_PATH_ONLY,
        evidence=(
            Evidence("axial_ratio", ratio if value is not None else None, None, "dB"),
            Evidence("axial_ratio_upper_95", worst, None, "dB"),
            Evidence("isolation", value, pooled.isolation_std_db, "dB"),
        ),
        subjects=pooled.subjects(),
    )


def rain_depolarisation(pooled: Pooled, rain: RainContext) -> Iterable[Finding]:
    """Hold rain against the isolation: what ITU-R P.618 leaves at the fade that the carriers show."""
    value = pooled.isolation_db
    if value is None:
        return
    fade = rain.fade_db
    if fade is None or fade < 0.3:
        assumed, words = 1.0, "how deep the fade is cannot be told from these captures; 1 dB is taken"
        if fade is not None:
            words = f"the carriers stand {max(fade, 0.0):.1f} dB below the table; 1 dB is taken"
    else:
        assumed, words = fade, f"the carriers stand {fade:.1f} dB below the table"
    left = rain_xpd_db(assumed, rain.frequency_ghz, rain.elevation_deg, rain.tilt_deg, 0.1)
    explains = value > left - 3.0
    yield Finding(
        "polarisation.rain",
        "note",
        "Rain can explain the leak" if explains else "Rain does not explain the leak",
        f"The context tells of rain ({rain.weather}); {words}. At {rain.frequency_ghz:.2f} GHz and "
        f"{rain.elevation_deg:.0f} "
        f"degrees elevation rain of that fade leaves about {left:.0f} dB (ITU-R P.618-13, 4.1); "
        f"{value:.1f} dB is seen.",
        answer="yes" if explains else "no",
        evidence=(
            Evidence("isolation", value, pooled.isolation_std_db, "dB", left),
            Evidence("fade", fade, rain.fade_std_db, "dB"),
        ),
        subjects=pooled.subjects(),
        next_steps=(step("Sweep both polarisations again in dry weather before anything is turned."),)
        if explains
        else (),
    )


def leak_suspected(suspicion: Suspicion) -> Iterable[Finding]:
    """Tell carriers of the other polarisation in a single sweep, at low level just where the table has them."""
    score = np.array(suspicion.cn0_hz) / np.array(suspicion.std_hz)
    told = [level for level in suspicion.level_db if level is not None]
    level = float(np.median(told)) if told else None
    words = (
        "too strong to be a leak of an aligned feed"
        if level is not None and level > -10.0
        else "a leak of a turned feed or of the satellite"
    )
    places = ", ".join(
        f"row {row} at {_mhz(hz)}" for row, hz in list(zip(suspicion.rows, suspicion.centre_hz, strict=True))[:5]
    )
    evidence = [
        Evidence("rows", float(len(suspicion.rows))),
        Evidence("weakest_over_uncertainty", float(score.min()), None, None, 4.0),
    ]
    if level is not None:
        evidence.append(Evidence("level_against_table", level, None, "dB"))
    strength = "" if level is None else f", {-level:.0f} dB below what the table expects on their own polarisation"
    yield Finding(
        "polarisation.leak_suspected",
        "warning" if len(suspicion.rows) > 1 else "note",
        f"{len(suspicion.rows)} carrier(s) of the other polarisation ({suspicion.polarisation}) show in this sweep",
        f"{places}{strength}: {words}, or carriers that the table lacks. One sweep only raises the suspicion.",
        evidence=tuple(evidence),
        subjects=Subjects(captures=(suspicion.capture,), rows=suspicion.rows),
        next_steps=(
            step(
                "Sweep both ports (or both supply voltages) over the same span, one right after the other, with port = "
                '"co" and "cross" in their contexts, and compare them: sweepmuster compare CO CROSS --table T.csv '
                "--chain C.toml."
            ),
        ),
    )
