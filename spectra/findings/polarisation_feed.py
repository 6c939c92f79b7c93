"""Rules on what lies behind an isolation: a turned feed, something else than alignment, ellipses, rain."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from spectra.finding import Evidence, Finding, NextStep, step
from spectra.findings.polarisation import RECEIVE_PATH_ONLY, Pooled
from spectra.findings.polarisation_formulas import axial_ratio_db, isolation_db, rain_xpd_db
from spectra.findings.polarisation_skew import Skew, Variation

__all__ = ["RainContext", "Sign", "axial_ratio", "not_alignment", "rain_depolarisation", "skew_error"]

_GROSS_DEG = 30.0


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
    numbers = pooled.numbers
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
